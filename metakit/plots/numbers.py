"""Numbers as a reader sees them: consistent decimals in a column, a real minus sign, no NaN."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Literal

Axis = Literal["log", "linear", "percent"]

MINUS = "−"
MOST_DECIMALS = 4
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def raised(number: int) -> str:
    """Return a whole number in superscript digits."""
    return str(number).translate(_RAISED)


def _fixed(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def _power(value: float) -> str:
    exponent = math.floor(math.log10(abs(value)))
    lead = _fixed(value / 10**exponent, 1)
    if lead.lstrip(MINUS).startswith("10"):
        exponent, lead = exponent + 1, lead.replace("10.0", "1.0")
    return f"{lead}×10{raised(exponent)}"


def show_ratio(value: float) -> str:
    """Show a ratio or rate: two decimals in the usual range, two digits below it, powers of ten far out."""
    if math.isinf(value):
        return "∞"
    if value == 0:
        return "0.00"
    size = abs(value)
    if size >= 99_999.5 or size < 0.00095:
        return _power(value)
    if size >= 99.95:
        return _fixed(value, 0)
    if size >= 9.995:
        return _fixed(value, 1)
    if size >= 0.0995:
        return _fixed(value, 2)
    return _fixed(value, 1 - math.floor(math.log10(size * 1.0000001)))


def decimals_for(widths: Iterable[float]) -> int:
    """Return the decimals (0 to 4) whose last digit is a 30th of a column's narrowest interval or finer."""
    narrowest = min((width for width in widths if math.isfinite(width) and width > 0), default=1.0)
    return min(max(math.ceil(1.5 - math.log10(narrowest)), 0), MOST_DECIMALS)


def show_linear(value: float, decimals: int) -> str:
    """Show a difference or a score with the decimals of its column, powers of ten far out."""
    if math.isinf(value):
        return "∞" if value > 0 else MINUS + "∞"
    if abs(value) >= 999_999.5 or (decimals == MOST_DECIMALS and 0 < abs(value) < 0.00005):
        return _power(value)
    return _fixed(value, decimals)


def show(value: float, axis: Axis, decimals: int) -> str:
    """Show one number of a column, in the units of its axis; `percent` shows 100 times the fraction."""
    if math.isnan(value):
        raise ValueError("a figure cannot show NaN")
    if axis == "log":
        return show_ratio(value)
    return show_linear(100 * value if axis == "percent" else value, decimals)


def show_count(value: float) -> str:
    """Show a count; one decimal where it is no whole number (effective thumbs, corrected cells)."""
    return f"{round(value):d}" if abs(value - round(value)) < 0.05 else f"{value:.1f}"


def show_p(value: float) -> str:
    """Show a p value with its sign: `p = 0.03`, `p < 0.001`."""
    return "p < 0.001" if value < 0.001 else f"p = {value:.3f}" if value < 0.1 else f"p = {value:.2f}"


def shares(weights: Sequence[float], *, decimals: int = 1) -> tuple[str, ...]:
    """Show fractions as percent so that what is shown adds up to exactly 100 (largest remainder).

    Parameters
    ----------
    weights : sequence of float, length k
        Not negative, adding up to 1.
    decimals : int
        Decimals shown.

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
    return tuple(_fixed(value / 10**decimals, decimals) for value in whole)
