from __future__ import annotations

import math
import random

import pytest

from metakit.plots.numbers import decimals_for, shares, show, show_count, show_linear, show_p, show_ratio


def total_tenths(shown: tuple[str, ...]) -> int:
    return sum(round(10 * float(text)) for text in shown)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1.0, "1.00"), (0.845, "0.84"), (0.0567, "0.057"), (0.1, "0.10"), (0.0012, "0.0012"), (12.345, "12.3"),
        (123.4, "123"), (99.96, "100"), (9.996, "10.0"), (1e-6, "1.0×10⁻⁶"), (1e6, "1.0×10⁶"), (9.99e-5, "1.0×10⁻⁴"),
        (0.0, "0.00"), (math.inf, "∞"),
    ],
)  # fmt: skip
def test_ratios_are_shown_with_two_digits_or_decimals(value: float, text: str) -> None:
    assert show_ratio(value) == text


def test_a_minus_is_a_real_minus_and_zero_has_none() -> None:
    assert show_linear(-1.25, 1) == "−1.2"
    assert show_linear(-0.04, 1) == "0.0"
    assert show_linear(-math.inf, 1) == "−∞"
    assert show_linear(-1e7, 1) == "−1.0×10⁷"


def test_a_column_shows_a_thirtieth_of_its_narrowest_interval() -> None:
    assert decimals_for([80.0, 45.0]) == 0
    assert decimals_for([30.0, 14.6]) == 1
    assert decimals_for([2.1, 1.15]) == 2
    assert decimals_for([0.35]) == 2
    assert decimals_for([0.05]) == 3
    assert decimals_for([]) == 2
    assert decimals_for([math.inf, 0.0, 1e-9]) == 4


def test_nan_is_never_shown() -> None:
    with pytest.raises(ValueError, match="NaN"):
        show(math.nan, "linear", 1)


def test_percent_shows_a_hundred_times_the_fraction() -> None:
    assert show(0.0345, "percent", 1) == "3.5"


def test_counts_are_whole_unless_they_are_not() -> None:
    assert [show_count(v) for v in (3.0, 38.4, 0.0)] == ["3", "38.4", "0"]


def test_p_values_keep_their_sign() -> None:
    assert [show_p(v) for v in (0.5, 0.034, 0.0004)] == ["p = 0.50", "p = 0.034", "p < 0.001"]


@pytest.mark.parametrize("k", [1, 2, 3, 7, 18, 80, 333])
def test_shown_weights_add_up_to_exactly_a_hundred(k: int) -> None:
    draw = random.Random(k)
    for _ in range(20):
        raw = [draw.expovariate(1) ** 3 for _ in range(k)]
        weights = [value / math.fsum(raw) for value in raw]
        shown = shares(weights)
        assert total_tenths(shown) == 1000
        assert all(abs(float(text) - 100 * w) <= 0.1 + 1e-9 for text, w in zip(shown, weights, strict=True))


def test_weights_by_the_largest_remainder() -> None:
    assert shares([1 / 3, 1 / 3, 1 / 3]) == ("33.4", "33.3", "33.3")
    assert shares([0.0, 1.0]) == ("0.0", "100.0")


def test_weights_that_do_not_add_up_are_refused() -> None:
    with pytest.raises(ValueError, match="add up"):
        shares([0.5, 0.4])
