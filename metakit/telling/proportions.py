"""A pooled proportion and the thumbs behind it: two kinds of number that must not be taken for each other."""

from __future__ import annotations

from metakit.core.results import PoolResult
from metakit.core.written import count, per_100


def proportion_words(result: PoolResult) -> str:
    """Write a pooled proportion per 100 with its interval."""
    back = result.back_transform
    low, high = (per_100(100 * back(limit)) for limit in result.interval)
    return f"{per_100(100 * back(result.estimate))} ({low} to {high})"


def added_words(thumbs: int, total: int, studies: int, result: PoolResult | None) -> str:
    """Say what all studies hold added up, per 100 as well.

    Where that lies outside of the interval of the pooled proportion, say why both can be right.

    Examples
    --------
    >>> added_words(30, 200, 2, None)
    '30 of 200 thumbs in 2 studies added up (15 of 100)'
    """
    text = f"{thumbs} of {total} thumbs in {count(studies, 'study', 'studies')}"
    if not total:
        return text
    crude = thumbs / total
    text += f"{' added up' if studies > 1 else ''} ({per_100(100 * crude)} of 100"
    if result is not None:
        low, high = (result.back_transform(limit) for limit in result.interval)
        if not low <= crude <= high:
            text += "; the two part because studies differ much"
    return f"{text})"
