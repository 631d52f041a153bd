"""The cells of two-arm counts."""

from __future__ import annotations

import numpy as np

from metakit.core.effects import BoolArray
from metakit.measures.registry import Columns
from metakit.measures.zero_cells import Cells

COLUMNS = ("events_1", "total_1", "events_2", "total_2")


def cells_of(data: Columns) -> Cells:
    """Return the four cells of the raw columns, all of one shape."""
    a, n1, c, n2 = np.broadcast_arrays(*(np.asarray(data[name], dtype=np.float64) for name in COLUMNS))
    return Cells(events_1=a, others_1=n1 - a, events_2=c, others_2=n2 - c)


def alike_and_empty(cells: Cells) -> BoolArray:
    """Say where both arms have no event, or both have nothing but events."""
    neither = (cells.events_1 == 0) & (cells.events_2 == 0)
    everyone = (cells.others_1 == 0) & (cells.others_2 == 0)
    return np.asarray(neither | everyone)
