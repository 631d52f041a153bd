"""Reading a drawn figure back: what stands where, in pixels."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from metakit.plots.style import styled


def texts(figure: Figure) -> list[tuple[Text, Bbox]]:
    """Return every visible text with its extent at 100 dots per inch."""
    with styled():
        renderer = figure.canvas.get_renderer()
        shown = [item for axes in figure.axes for item in axes.findobj(Text) if item.get_text().strip()]
        return [(item, item.get_window_extent(renderer)) for item in shown if item.get_visible()]


def faults(figure: Figure, *, slack: float = 0.6) -> list[str]:
    """Return what is cut off by the figure's edge and which texts run into each other."""
    found = []
    width, height = figure.get_size_inches() * figure.dpi
    boxes = texts(figure)
    for item, box in boxes:
        if box.x0 < -slack or box.y0 < -slack or box.x1 > width + slack or box.y1 > height + slack:
            found.append(f"cut: {item.get_text()!r}")
    corners = np.array([box.extents for _, box in boxes]).reshape(-1, 4)
    height = corners[:, 3] - corners[:, 1]
    across = np.minimum(corners[:, None, 2], corners[:, 2]) - np.maximum(corners[:, None, 0], corners[:, 0])
    down = np.minimum(corners[:, None, 3], corners[:, 3]) - np.maximum(corners[:, None, 1], corners[:, 1])
    lower = np.minimum(height[:, None], height)
    for i, j in np.argwhere(np.triu((across > slack) & (down > 0.12 * lower + slack), k=1)):
        found.append(f"over: {boxes[i][0].get_text()!r} and {boxes[j][0].get_text()!r}")
    return found


def smallest_type(figure: Figure) -> float:
    """Return the smallest type size in points; figures are drawn at their final size."""
    return min(item.get_fontsize() for item, _ in texts(figure))


def words(figure: Figure) -> list[str]:
    """Return all texts in the order drawn."""
    return [item.get_text() for item, _ in texts(figure)]
