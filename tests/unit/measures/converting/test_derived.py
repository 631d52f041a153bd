"""Bounds of what a conversion takes, and the words beside a refusal."""

from __future__ import annotations

import math

import pytest

from metakit.errors import UsageError
from metakit.measures.converting.derived import required, required_level, required_size


@pytest.mark.parametrize(("level", "hint"), [(95, "write 0.95"), (99.5, "write 0.995"), (1.5, "write 0.015")])
def test_a_percentage_is_answered_with_its_fraction(level: float, hint: str) -> None:
    with pytest.raises(UsageError, match=hint):
        required_level(level)


@pytest.mark.parametrize("level", [0, 1, 100, 250, -0.5, math.nan])
def test_what_is_no_level_has_no_hint(level: float) -> None:
    with pytest.raises(UsageError) as error:
        required_level(level)
    assert "write" not in str(error.value)
    assert required_level(0.001) == 0.001 and required_level(0.999) == 0.999


def test_sizes_and_numbers_at_their_bounds() -> None:
    assert required_size("n", 2) == 2 and required_size("n", 1, fewest=1) == 1
    for size in (1.99, math.inf, math.nan):
        with pytest.raises(UsageError, match="at least 2"):
            required_size("n", size)
    assert required("x", 0.1, above=0) == 0.1 and required("x", -5.0) == -5.0
    for value in (0.0, -1.0, math.inf, math.nan):
        with pytest.raises(UsageError, match="above 0"):
            required("x", value, above=0)
    with pytest.raises(UsageError, match="below 1"):
        required("x", 1.0, above=0, below=1)
