"""Where a place of a page falls on its picture. Boxes are kept in PDF user space, free of zoom and rotation.

Page boxes and the meaning of /Rotate: ISO 32000-2:2020, 7.7.3.3 and 14.11.2.
"""

from __future__ import annotations

from dataclasses import dataclass

from metakit.core.boxes import Box

POINTS = 72


@dataclass(frozen=True, slots=True, kw_only=True)
class PageFrame:
    """The visible part of a page in its own coordinates, and by how many degrees it is turned clockwise."""

    box: Box
    rotation: int

    @property
    def shown_size(self) -> tuple[float, float]:
        """Return width and height in points as the page is shown."""
        left, bottom, right, top = self.box
        width, height = right - left, top - bottom
        return (height, width) if self.rotation in (90, 270) else (width, height)

    def to_shown(self, box: Box) -> Box:
        """Return left, top, right, bottom as fractions of the shown page, from its upper left corner."""
        corners = [self._point_shown(box[0], box[1]), self._point_shown(box[2], box[3])]
        (x1, y1), (x2, y2) = corners
        return min(x1, x2), min(y1, y2), max(x1, x2), max(y1, y2)

    def from_shown(self, shown: Box) -> Box:
        """Return the box in the page's own coordinates of fractions of the shown page."""
        (x1, y1), (x2, y2) = self._point_own(shown[0], shown[1]), self._point_own(shown[2], shown[3])
        return min(x1, x2), min(y1, y2), max(x1, x2), max(y1, y2)

    def _point_shown(self, x: float, y: float) -> tuple[float, float]:
        left, bottom, right, top = self.box
        across, up = (x - left) / (right - left), (y - bottom) / (top - bottom)
        turned = {0: (across, 1 - up), 90: (up, across), 180: (1 - across, up), 270: (1 - up, 1 - across)}
        return turned[self.rotation]

    def _point_own(self, x: float, y: float) -> tuple[float, float]:
        left, bottom, right, top = self.box
        turned = {0: (x, 1 - y), 90: (y, x), 180: (1 - x, y), 270: (1 - y, 1 - x)}
        across, up = turned[self.rotation]
        return left + across * (right - left), bottom + up * (top - bottom)
