"""Boxes on a page of a paper, as records keep them: whole points of the page's own coordinates."""

from __future__ import annotations

import math
import re

Box = tuple[float, float, float, float]
"""Left, bottom, right, top in points, free of how the page is turned or enlarged."""

FARTHEST = 20_000.0
"""No page of a paper reaches farther from its origin, in points (seven metres)."""
_NUMBER = r"-?\d{1,6}(?:\.\d{1,6})?"
_BOX = re.compile(rf"\s*({_NUMBER})\s+({_NUMBER})\s+({_NUMBER})\s+({_NUMBER})\s*", re.ASCII)


def box_text(box: Box) -> str:
    """Write a box as records keep it: whole points, rounded outwards, '127 361 175 368'."""
    left, bottom, right, top = box
    ends = (math.floor(left), math.floor(bottom), math.ceil(right), math.ceil(top))
    return " ".join(str(end) for end in ends)


def box_of(text: str) -> Box | None:
    """Read a box as records keep it; None when it is no box with an area."""
    found = _BOX.fullmatch(text)
    if found is None:
        return None
    left, bottom, right, top = (float(number) for number in found.groups())
    if not (left < right and bottom < top) or max(map(abs, (left, bottom, right, top))) > FARTHEST:
        return None
    return left, bottom, right, top
