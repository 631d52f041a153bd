"""What counts as an empty cell, whatever made the table."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from metakit.measures.cells import is_blank


@pytest.mark.parametrize(
    "cell", [None, "", "  ", "\t", float("nan"), np.float64("nan"), np.float32("nan"), pd.NA, pd.NaT]
)
def test_nothing_is_blank(cell: object) -> None:
    assert is_blank(cell)


@pytest.mark.parametrize("cell", [0, 0.0, np.float64(0), 3.5, "0", "x", False, float("inf"), np.int64(0)])
def test_something_is_not(cell: object) -> None:
    assert not is_blank(cell)
