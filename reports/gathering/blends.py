"""A blend of three in its triangle: the frame that fits the region, what the limits allow, where the trials stand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from doe import Study
from doe.problems import StudyError
from reports.facts import Blends, Frame, TriedRange

_SLIVER = 0.2  # an ingredient that moves over less of the triangle's side makes a sliver that cannot be read


def frame_of(study: Study) -> Frame | None:
    """The smallest triangle around the region (that of its L-pseudo-components); None where it would show a sliver."""
    names = study.region.blend
    if len(names) != 3 or study.region.blend_total is None:
        return None
    ends = [study.region.reach[name] for name in names]
    low = [float(a) for a, _ in ends]
    room = float(study.region.blend_total) - sum(low)
    if room <= 0 or min(b - a for a, b in ends) < _SLIVER * room:
        return None
    return Frame((names[0], names[1], names[2]), study.unit, (low[0], low[1], low[2]), room)


def blends_of(study: Study, tried: Sequence[TriedRange]) -> Blends | None:
    """The trials in the triangle; None where the blend is not one of three or nothing is planned."""
    frame = frame_of(study)
    columns = {one.name: one for one in tried}
    # Where limits differ between materials or other categories, there is no one outline.
    if frame is None or len(study.region.pieces) > 1 or not all(name in columns for name in frame.names):
        return None
    first, second = columns[frame.names[0]], columns[frame.names[1]]
    if len(first.points) != len(second.points):
        return None
    try:
        corners = study.region.vertex_array[:, [study.region.names.index(name) for name in frame.names[:2]]]
        outline = corners[ConvexHull(corners).vertices]
    except (StudyError, QhullError):
        return None
    rounds = first.rounds or (1,) * len(first.points)
    return Blends(
        frame=frame,
        polygon=tuple((float(a), float(b)) for a, b in np.asarray(outline, dtype=float)),
        trials=tuple(
            (trial, a, b, number)
            for (trial, a), (_, b), number in zip(first.points, second.points, rounds, strict=True)
        ),
    )
