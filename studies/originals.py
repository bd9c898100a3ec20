"""Originals of results: what came from outside, kept byte for byte under a name that carries its digest."""

from __future__ import annotations

import re
from pathlib import Path

from studies import journal

PLACE = "results/originals"


def kept_as(name: str, content: bytes) -> str:
    """Where an original is kept: under its digest, then its own name in signs every system allows."""
    path = Path(name)
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", path.stem).strip("-")[:40]
    suffix = re.sub(r"[^A-Za-z0-9.]+", "", path.suffix)[:8].lower()
    return f"{PLACE}/{journal.digest_of(content)[:16]}{'-' if stem else ''}{stem}{suffix}"
