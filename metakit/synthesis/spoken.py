"""Numbers as sentences say them: few digits, a real minus sign, natural units."""

from __future__ import annotations

import math
from dataclasses import dataclass

from metakit.core.results import PoolResult
from metakit.measures.registry import Measure

MINUS = "−"


@dataclass(frozen=True, slots=True, kw_only=True)
class NaturalValues:
    """A pooled answer in natural units times the measure's factor (per 100 where the measure has percent)."""

    estimate: float
    lower: float
    upper: float
    prediction: tuple[float, float] | None
    ratio: bool
    per_hundred: bool

    @property
    def null(self) -> float:
        """No difference: 1 for ratios, 0 for differences."""
        return 1.0 if self.ratio else 0.0

    @property
    def decimals(self) -> int:
        """Decimals that show about two digits of the interval's width, as the figures do."""
        width = self.upper - self.lower
        if not math.isfinite(width) or width <= 0:
            return 1
        return min(max(1 - math.floor(math.log10(width / 3)), 0 if self.per_hundred else 1), 2)

    def show(self, value: float) -> str:
        """Write one value of this answer."""
        return ratio(value) if self.ratio else fixed(value, self.decimals)

    @property
    def interval(self) -> str:
        """The interval as `low to high`."""
        return f"{self.show(self.lower)} to {self.show(self.upper)}"


def natural_values(result: PoolResult, measure: Measure, scale: str | None) -> NaturalValues:
    """Bring a result back to natural units."""
    factor = measure.natural_factor

    def back(value: float) -> float:
        return factor * float(result.back_transform(value))

    prediction = getattr(result, "prediction", None)
    return NaturalValues(
        estimate=back(result.estimate),
        lower=back(result.interval.lower),
        upper=back(result.interval.upper),
        prediction=(back(prediction.interval.lower), back(prediction.interval.upper)) if prediction else None,
        ratio=measure.scale(scale).axis == "log",
        per_hundred=factor > 1,
    )


def fixed(value: float, decimals: int) -> str:
    """Write a number with fixed decimals, never `-0`."""
    if math.isinf(value):
        return "∞" if value > 0 else f"{MINUS}∞"
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def ratio(value: float) -> str:
    """Write a ratio: two decimals in the usual range, two digits far from it."""
    if math.isinf(value):
        return "∞"
    size = abs(value)
    if size >= 100:
        return f"{value:,.0f}".replace(",", " ") if size < 1e6 else f"{value:.1e}"
    if size >= 10:
        return fixed(value, 1)
    if size >= 0.1 or size == 0:
        return fixed(value, 2)
    return f"{value:.2g}" if size >= 1e-4 else f"{value:.1e}"


def per_100(value: float) -> str:
    """Write a number per 100: whole from 10 upwards, one decimal below."""
    return fixed(value, 0 if abs(value) >= 9.95 else 1)


def p_value(value: float) -> str:
    """Write a p value with its sign."""
    if value < 0.001:
        return "p < 0.001"
    return f"p = {value:.3f}" if value < 0.1 else f"p = {value:.2f}"


def count(number: int, word: str, plural: str = "") -> str:
    """Write a number of things: `1 study`, `3 studies`."""
    return f"{number} {word if number == 1 else plural or word + 's'}"


def listed(items: list[str]) -> str:
    """Join words: `a, b and c`."""
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1] if items else ""
