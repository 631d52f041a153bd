"""What the unit counted itself, in words: none, or all, is no certainty, and studies may count otherwise."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from metakit.core.written import per_100
from metakit.decision.one_unit.unit_cells import Cell, arms_of
from metakit.decision.one_unit.unit_driver_words import plain
from metakit.synthesis.baseline import Baseline, counts_quantile
from metakit.synthesis.words import lower_first

LEVEL = 0.95


def counted_words(base: Baseline) -> str:
    """Explain a count of no event, or of nothing but events; "" for any other.

    The limit is the exact one, wherever the page says a limit of such a count.

    Examples
    --------
    >>> from metakit.synthesis.baseline import baseline_from_counts
    >>> counted_words(baseline_from_counts("unit_audit", "audit", 0, 30))
    'You counted 0 in 30 thumbs, which is no risk of zero: up to 11.6 in 100 thumbs fit (exact limit).'
    """
    counted = f"You counted {base.events:g} in {base.total:g} {base.unit}"
    if base.events == 0:
        what = "rate" if base.per_year else "risk"
        most = f"{plain(100 * base.upper)} in 100 {base.unit}"
        return f"{counted}, which is no {what} of zero: up to {most} fit (exact limit)."
    if not base.per_year and base.events == base.total:
        least = f"{plain(100 * base.lower)} in 100 thumbs"
        return f"{counted}, which is no risk of 100: as few as {least} fit (exact limit)."
    return ""


def same_thing(base: Baseline, cells: Sequence[Cell]) -> str:
    """Ask whether the unit counts what the studies count, where its own limits lie outside what they saw.

    Parameters
    ----------
    base : Baseline
        The unit's own count of an outcome with what it does now.
    cells : sequence of Cell
        Of that outcome; those that compare say what their studies saw with what the unit does now.

    Returns
    -------
    str
        "" where the unit's interval reaches a study's share, or the interval of all studies taken together.

    References
    ----------
    Brown LD, Cai TT, DasGupta A (2001). Stat Sci 16:101-133 (the interval of one count).
    """
    seen: dict[str, tuple[float, float]] = {}
    for cell in cells:
        if cell.compares:
            seen |= arms_of(cell, current=True)
    arms = [(events, size) for events, size in seen.values() if size > 0]
    if not arms:
        return ""
    shares = [events / size for events, size in arms]
    events, total = (sum(column) for column in zip(*arms, strict=True))
    tails = np.array([(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    low, high = counts_quantile(events, total, tails, per_year=base.per_year)
    lowest, highest = min(*shares, float(low)), max(*shares, float(high))
    if base.lower <= highest and lowest <= base.upper:
        return ""
    ends = list(dict.fromkeys(per_100(100 * end) for end in (min(shares), max(shares))))
    who = "the study" if len(arms) == 1 else "the studies"
    label, unit = lower_first(cells[0].outcome.term.label), " thumb-years" if base.per_year else ""
    return f"For {label} {who} saw {' to '.join(ends)} in 100{unit}: do you count the same thing?"
