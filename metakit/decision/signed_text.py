"""The text that a signature stands under, in a spelling of its own that never changes.

Signatures in existing review folders were given under these very characters. Whatever the rest of the project
does to the writing of numbers, this spelling stays, so that a signature is valid as long as its numbers are.
"""

from __future__ import annotations

import math

from metakit.core.results import PoolResult
from metakit.core.written import MINUS, count
from metakit.measures.natural import natural_values
from metakit.measures.registry import Measure
from metakit.synthesis.confidence import only_limit


def answer_words(result: PoolResult, measure: Measure, scale: str | None, studies: int | None = None) -> str:
    """Return an answer as the text that a signature stands under.

    `studies` is how many studies have numbers in the analysis, where that is not how many the model took.
    """
    values = natural_values(result, measure, scale)
    k = result.k if studies is None else studies
    decimals = _decimals(values.upper - values.lower, 0 if values.per_hundred else 1)

    def written(value: float) -> str:
        return _ratio(value) if values.ratio else _fixed(value, decimals)

    only = {"upper": ("at most", values.upper), "lower": ("at least", values.lower)}.get(only_limit(result))
    if only:
        return f"{measure.label} {only[0]} {written(only[1])}, {count(k, 'study', 'studies')}"
    interval = f"{written(values.lower)} to {written(values.upper)}"
    return f"{measure.label} {written(values.estimate)} ({interval}), {count(k, 'study', 'studies')}"


def _decimals(width: float, fewest: int) -> int:
    if not math.isfinite(width) or width <= 0:
        return 1
    return min(max(1 - math.floor(math.log10(width / 3)), fewest), 2)


def _fixed(value: float, decimals: int) -> str:
    if math.isinf(value):
        return "∞" if value > 0 else f"{MINUS}∞"
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def _ratio(value: float) -> str:
    if math.isinf(value):
        return "∞"
    size = abs(value)
    if size >= 100:
        return f"{value:,.0f}".replace(",", " ") if size < 1e6 else f"{value:.1e}"
    if size >= 10:
        return _fixed(value, 1)
    if size >= 0.1 or size == 0:
        return _fixed(value, 2)
    return f"{value:.2g}" if size >= 1e-4 else f"{value:.1e}"
