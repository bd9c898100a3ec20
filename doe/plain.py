"""Values in the form of JSON: what records are made of, an absent number as its reason and remedy."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from doe.problems import Problem, Unavailable


def plain(value: Any) -> Any:
    """A value as plain data: arrays and tuples as lists, mappings as objects, absent numbers and problems as promised.

    A private copy of nested lists and mappings; what is neither stays as it is.

    >>> plain({"df": np.int64(3), "ends": (1.0, Unavailable("no replicates", "make some"))})
    {'df': 3, 'ends': [1.0, {'unavailable': 'no replicates', 'do': 'make some'}]}
    """
    if isinstance(value, Unavailable | Problem):
        return value.to_dict()
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return value
