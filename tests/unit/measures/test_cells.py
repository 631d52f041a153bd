"""What counts as an empty cell, whatever made the table."""

from __future__ import annotations

import datetime
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from metakit.forms.typed_numbers import Refused
from metakit.measures.cells import is_blank, read_number


@pytest.mark.parametrize(
    "cell", [None, "", "  ", "\t", float("nan"), np.float64("nan"), np.float32("nan"), pd.NA, pd.NaT]
)
def test_nothing_is_blank(cell: object) -> None:
    assert is_blank(cell)


@pytest.mark.parametrize("cell", [0, 0.0, np.float64(0), 3.5, "0", "x", False, float("inf"), np.int64(0)])
def test_something_is_not(cell: object) -> None:
    assert not is_blank(cell)


@pytest.mark.parametrize("cell", [3, 3.0, "3", np.int64(3), np.float32(3), Decimal(3), Fraction(3)])
def test_one_number_whatever_holds_it(cell: object) -> None:
    assert read_number(cell) == 3.0


@pytest.mark.parametrize(
    ("cell", "what"),
    [
        (None, "empty"),
        (3 + 0j, "not a number"),
        (np.complex128(3), "not a number"),
        ([3], "not a number"),
        (object(), "not a number"),
        (True, "a truth value"),
        (np.bool_(True), "a truth value"),
        (datetime.date(2026, 3, 2), "a date"),
        (float("inf"), "not a finite number"),
        (Decimal("inf"), "not a finite number"),
        (10**400, "not a finite number"),
    ],
)
def test_what_is_no_number_is_said(cell: object, what: str) -> None:
    with pytest.raises(Refused) as refused:
        read_number(cell)
    assert refused.value.what.startswith(what)
