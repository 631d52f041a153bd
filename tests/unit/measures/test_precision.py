"""Standard errors beyond double precision end in a sentence. Source of the bounds: IEEE 754-2019, binary64."""

from __future__ import annotations

import numpy as np
import pytest

from metakit.errors import DataError
from metakit.measures.precision import LARGEST, SMALLEST, WIDEST, unfit_variances
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool

EXTREMES = [
    ([1e-160, 1e-160, 1e-160], "beyond what can be computed with"),
    ([1e-160, 1.0, 1.1], "beyond what can be computed with"),
    ([1e-14, 1.0, 1.1], "no sum can hold both"),
    ([1e70, 1e71, 1e72], "beyond what can be computed with"),
]


@pytest.mark.parametrize(("errors", "words"), EXTREMES)
def test_extreme_standard_errors_are_named(errors: list[float], words: str) -> None:
    table = {"study": list("ABC"), "effect": [0.1, 0.2, 0.35], "standard_error": errors}
    with pytest.raises(DataError, match=words) as error:
        pool(effect=table["effect"], standard_error=errors)
    assert error.value.problems[0].line == 1
    if max(errors) < 1e15:  # larger ones are no numbers of a table
        with pytest.raises(DataError, match=words) as error:
            effect_sizes(table, measure="generic")
        assert error.value.problems[0].found == "A"


def test_twelve_orders_of_magnitude_and_effects_of_a_million_are_pooled() -> None:
    assert unfit_variances(np.array([1e-6, 1e6]), np.ones(2, dtype=bool)) == ()
    found = pool(effect=[1e6, -1e6, 2e6], standard_error=[0.1, 0.2, 0.3])
    assert np.isfinite(found.estimate) and all(map(np.isfinite, found.interval))


def test_rows_that_are_not_estimable_do_not_count() -> None:
    assert unfit_variances(np.array([np.nan, 1.0]), np.array([False, True])) == ()


def test_bounds_are_taken_and_what_lies_beyond_is_not() -> None:
    """Squares of 1e-120 and products with 1e120 stay within binary64; ratios beyond 1e26 lose the smaller weight."""
    assert (SMALLEST, LARGEST, WIDEST) == (1e-120, 1e120, 1e26)

    def rows(*variances: float) -> list[int]:
        return [row for row, _ in unfit_variances(np.array(variances), np.ones(len(variances), dtype=bool))]

    assert rows(SMALLEST) == rows(LARGEST) == []
    assert rows(SMALLEST / 1.001) == rows(LARGEST * 1.001) == [0]
    assert rows(1.0, WIDEST) == []
    assert rows(1.0, 1.001 * WIDEST) != []
