"""How numbers are written. Every expected text is a convention of this project (status: computed, by hand)."""

from __future__ import annotations

import math
import random

import pytest

from metakit.core.written import (
    amount,
    count,
    decimals_for,
    difference_words,
    fixed,
    listed,
    on_axis,
    p_value,
    per_100,
    ratio,
    shares,
    signed,
)


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
    assert ratio(value) == text


def test_a_minus_is_a_real_minus_and_zero_has_none() -> None:
    assert fixed(-1.25, 1) == "−1.2"
    assert fixed(-0.04, 1) == "0.0"
    assert fixed(-math.inf, 1) == "−∞"
    assert fixed(-1e7, 1) == "−1.0×10⁷"


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
        on_axis(math.nan, "linear", 1)


def test_percent_shows_a_hundred_times_the_fraction() -> None:
    assert on_axis(0.0345, "percent", 1) == "3.5"


def test_counts_are_whole_unless_they_are_not() -> None:
    assert [amount(v) for v in (3.0, 38.4, 0.0)] == ["3", "38.4", "0"]


def test_p_values_keep_their_sign() -> None:
    assert [p_value(v) for v in (0.5, 0.034, 0.0004)] == ["p = 0.50", "p = 0.034", "p < 0.001"]


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


def test_other_spellings() -> None:
    assert [per_100(value) for value in (0.04, 2.35, 9.96, 15.4)] == ["0.04", "2.4", "10", "15"]
    assert [signed(value, 1) for value in (2.34, -0.04, 0.04, -3.0)] == ["+2.3", "0.0", "0.0", "−3.0"]
    assert [signed(value) for value in (12.3, 2.0, 0.25, -0.5, 0.0)] == ["+12", "+2", "+0.25", "−0.5", "0"]
    assert (count(1, "study", "studies"), count(3, "event")) == ("1 study", "3 events")
    assert (listed([]), listed(["a"]), listed(["a", "b", "c"])) == ("", "a", "a, b and c")


def test_a_difference_and_its_limits_have_the_same_decimals() -> None:
    assert difference_words(0.22, -0.64, 0.9549, "points") == ("+0.22", "−0.64 to +0.95")
    assert difference_words(-0.24, -6.03, 5.45, "points") == ("−0.2", "−6.0 to +5.5")
    assert difference_words(20.1, 1.9, 73.2, "per 100 thumbs") == ("+20", "+2 to +73")
    assert difference_words(20.1, 0.3, 73.2, "per 100 thumbs") == (
        "+20.1",
        "+0.3 to +73.2",
    )  # no limit reads as 0
    assert difference_words(40.0, 3.0, 77.0, "degrees") == ("+40.0", "+3.0 to +77.0")
    assert difference_words(0.0, -math.inf, 3.0, "per 100 thumbs")[1] == "−∞ to +3.0"
