"""How numbers are written, everywhere: one spelling of a ratio, a p value, a count and an interval.

Page, Word document, terminal, figure and sentence all write through this module, so that a number looks alike
wherever it stands: few digits, a real minus sign, no `-0`, no NaN.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Literal

Axis = Literal["log", "linear", "percent"]

MINUS = "−"
MOST_DECIMALS = 4
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def raised(number: int) -> str:
    """Write a whole number in superscript digits."""
    return str(number).translate(_RAISED)


def _plain(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def _power(value: float) -> str:
    exponent = math.floor(math.log10(abs(value)))
    lead = _plain(value / 10**exponent, 1)
    if lead.lstrip(MINUS).startswith("10"):
        exponent, lead = exponent + 1, lead.replace("10.0", "1.0")
    return f"{lead}×10{raised(exponent)}"


def fixed(value: float, decimals: int) -> str:
    """Write a difference or a score with fixed decimals, powers of ten far out."""
    if math.isinf(value):
        return "∞" if value > 0 else MINUS + "∞"
    if abs(value) >= 999_999.5 or (decimals == MOST_DECIMALS and 0 < abs(value) < 0.00005):
        return _power(value)
    return _plain(value, decimals)


def ratio(value: float) -> str:
    """Write a ratio or rate: two decimals in the usual range, two digits below it, powers of ten far out."""
    if math.isinf(value):
        return "∞"
    if value == 0:
        return "0.00"
    size = abs(value)
    if size >= 99_999.5 or size < 0.00095:
        return _power(value)
    if size >= 99.95:
        return _plain(value, 0)
    if size >= 9.995:
        return _plain(value, 1)
    if size >= 0.0995:
        return _plain(value, 2)
    return _plain(value, 1 - math.floor(math.log10(size * 1.0000001)))


def per_100(value: float) -> str:
    """Write a number per 100: whole from 10 upwards, one decimal below, more where it would read as zero.

    Examples
    --------
    >>> per_100(12.3), per_100(2.04), per_100(0.034), per_100(0.0)
    ('12', '2.0', '0.03', '0.0')
    """
    size = abs(value)
    if 0 < size < 0.05:
        return _power(value) if size < 0.00095 else _plain(value, -math.floor(math.log10(size * 1.0000001)))
    return fixed(value, 0 if size >= 9.95 else 1)


def signed(value: float, decimals: int | None = None) -> str:
    """Write a difference with its sign, none where it rounds to zero; about two digits without `decimals`."""
    if decimals is None:
        text = fixed(value, 0 if abs(value) >= 9.95 else 1 if abs(value) >= 0.995 else 2)
        if "." in text and "×" not in text:
            text = text.rstrip("0").rstrip(".")
    else:
        text = fixed(value, decimals)
    return f"+{text}" if value > 0 and text.strip("0.") else text


def on_axis(value: float, axis: Axis, decimals: int) -> str:
    """Write one number in the units of an axis; `percent` writes 100 times the fraction.

    Raises
    ------
    ValueError
        For NaN, which no reader shall see.
    """
    if math.isnan(value):
        raise ValueError("NaN is never written")
    if axis == "log":
        return ratio(value)
    return fixed(100 * value if axis == "percent" else value, decimals)


def decimals_for(widths: Iterable[float]) -> int:
    """Return the decimals (0 to 4) whose last digit is a 30th of the narrowest interval or finer."""
    narrowest = min((width for width in widths if math.isfinite(width) and width > 0), default=1.0)
    return min(max(math.ceil(1.5 - math.log10(narrowest)), 0), MOST_DECIMALS)


def interval_decimals(low: float, high: float, *, fewest: int = 0, most: int = 2) -> int:
    """Return the decimals in which a difference and its limits are written, wherever they stand.

    About two digits of the interval's width, so that limits are written alike; more where a limit that is
    not zero would read as zero.

    Examples
    --------
    >>> interval_decimals(-6.03, 5.45), interval_decimals(1.9, 73.2), interval_decimals(0.3, 73.2)
    (1, 0, 1)
    """
    width = high - low
    known = math.isfinite(width) and width > 0
    decimals = min(max(decimals_for([width]) if known else 1, fewest), most)

    def reads_as_zero(value: float) -> bool:
        return math.isfinite(value) and value != 0 and float(f"{value:.{decimals}f}") == 0

    while decimals < most and (reads_as_zero(low) or reads_as_zero(high)):
        decimals += 1
    return decimals


def difference_words(estimate: float, low: float, high: float, unit: str) -> tuple[str, str]:
    """Write a difference and its interval with the same decimals: ("+0.2", "−0.6 to +1.0").

    Examples
    --------
    >>> difference_words(-0.24, -6.03, 5.45, "points")
    ('−0.2', '−6.0 to +5.5')
    """
    decimals = interval_decimals(low, high, fewest=0 if unit.startswith("per 100") else 1)
    return signed(estimate, decimals), f"{signed(low, decimals)} to {signed(high, decimals)}"


def p_value(value: float) -> str:
    """Write a p value with its sign: `p = 0.03`, `p < 0.001`."""
    return "p < 0.001" if value < 0.001 else f"p = {value:.3f}" if value < 0.1 else f"p = {value:.2f}"


def amount(value: float) -> str:
    """Write a number of thumbs or events; one decimal where it is not whole (effective thumbs)."""
    return f"{round(value):d}" if abs(value - round(value)) < 0.05 else f"{value:.1f}"


def count(number: int, word: str, plural: str = "") -> str:
    """Write a number of things: `1 study`, `3 studies`."""
    return f"{number} {word if number == 1 else plural or word + 's'}"


def listed(items: list[str]) -> str:
    """Join words: `a, b and c`."""
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1] if items else ""


def shares(weights: Sequence[float], *, decimals: int = 1) -> tuple[str, ...]:
    """Write fractions as percent so that what is written adds up to exactly 100 (largest remainder).

    Parameters
    ----------
    weights : sequence of float, length k
        Not negative, adding up to 1.
    decimals : int
        Decimals written.

    Raises
    ------
    ValueError
        When the weights don't add up to 1 within 1e-6.
    """
    total = math.fsum(weights)
    if not math.isclose(total, 1.0, abs_tol=1e-6):
        raise ValueError(f"weights add up to {total!r}, not 1")
    scale = 100 * 10**decimals
    exact = [scale * weight / total for weight in weights]
    whole = [math.floor(value + 1e-9) for value in exact]
    by_rest = sorted(range(len(exact)), key=lambda i: (whole[i] - exact[i], i))
    for i in by_rest[: scale - sum(whole)]:
        whole[i] += 1
    return tuple(_plain(value / 10**decimals, decimals) for value in whole)
