"""Data whose likelihood has no maximum, answered in words before anything is fitted."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray
from metakit.errors import NotEstimableError
from metakit.models.of_counts.one_stage_variants import OneStageVariant
from metakit.numerics.of_counts.one_stage_separation import one_sided_limit

Columns = tuple[FloatArray, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether heterogeneity can be estimated, and the note that says why not."""

    heterogeneous: bool
    note: str = ""


def nothing_or_everything(columns: Columns, measure: str) -> bool:
    """Whether a one-arm series has no event at all, or nothing but events."""
    events, total = columns
    none = float(events.sum()) == 0
    return none or (measure == "proportion" and float(events.sum()) == float(total.sum()))


def check_estimable(variant: OneStageVariant, columns: Columns, measure: str, level: float) -> Verdict:
    """Refuse data without a maximum; say when only a common effect can be estimated.

    Raises
    ------
    NotEstimableError
        With the totals behind it, the limit that the data still give, and what could be asked instead.
    """
    conditional = variant.prepare is not None and "random_study_intercepts" not in variant.name
    if len(columns) == 4 and not conditional:
        _check_arm_totals(columns, measure, level)
    lowest, highest = _ends(columns, measure)
    if len(columns) == 4 and conditional:
        _check_separation(columns, lowest, highest, measure, level)
    if len(columns[0]) == 1:
        return Verdict(False, "One study: its own effect is shown, nothing is pooled and tau is unknown.")
    if not conditional:
        return Verdict(True)
    if bool(np.all(highest - lowest <= 1)):
        return Verdict(
            False,
            "No study has more than one outcome that could have been otherwise, so the data say nothing on "
            "how studies differ: tau is held at 0 (a common effect).",
        )
    if bool(np.all((columns[0] == lowest) | (columns[0] == highest))):
        instead = "a common effect (mantel_haenszel)" if len(columns) == 4 else "each study's exact interval"
        raise NotEstimableError(
            "every study lies at one end of what it could have shown (no event or nothing but events), and "
            "not all at the same end: the likelihood grows without end with tau, and no mean has a finite "
            f"estimate; show the studies, or ask for {instead}"
        )
    return Verdict(True)


def _ends(columns: Columns, measure: str) -> tuple[FloatArray, FloatArray]:
    """Return the fewest and the most events that each study (its arm 1, given the totals) could have."""
    if len(columns) == 2:
        events, total = columns
        return np.zeros_like(events), total if measure == "proportion" else np.full_like(events, np.inf)
    events_1, size_1, events_2, size_2 = columns
    both = events_1 + events_2
    if measure == "rate_ratio":
        return np.zeros_like(both), both
    return np.maximum(0.0, both - size_2), np.minimum(both, size_1)


def _check_separation(
    columns: Columns, lowest: FloatArray, highest: FloatArray, measure: str, level: float
) -> None:
    for ends, which, value in ((lowest, "fewest", "0"), (highest, "most", "infinite")):
        if bool(np.all(columns[0] == ends)):
            raise NotEstimableError(
                f"in every informative study arm 1 has the {which} events that the totals allow "
                f"({_totals(columns, measure)}), so the ratio is estimated as {value} with no limit on that "
                f"side{_other_side(columns, measure, level)}; {_instead(measure)}"
            )


def _check_arm_totals(columns: Columns, measure: str, level: float) -> None:
    for arm, (events, size) in enumerate(((columns[0], columns[1]), (columns[2], columns[3])), start=1):
        empty = float(events.sum()) == 0
        full = measure != "rate_ratio" and float(events.sum()) == float(size.sum())
        if empty or full:
            what = "has no event in any study" if empty else "has nothing but events in every study"
            raise NotEstimableError(
                f"arm {arm} {what} ({_totals(columns, measure)}), so this model has no finite "
                f"estimate{_other_side(columns, measure, level)}; {_instead(measure)}"
            )


def _other_side(columns: Columns, measure: str, level: float) -> str:
    """Say the exact one-sided limit of a common ratio, where there is one."""
    whole = all(bool(np.all(column == np.round(column))) for column in columns)
    if measure not in ("odds_ratio", "rate_ratio") or (measure == "odds_ratio" and not whole):
        return ""
    limit = one_sided_limit(columns, 1.0 - level, rates=measure == "rate_ratio")
    if math.isnan(limit):
        return ""
    lowest, _ = _ends(columns, measure)
    side = "upper" if bool(np.all(columns[0] == lowest)) else "lower"
    label = measure.replace("_", " ")
    return f"; its exact one-sided {100 * level:g} % {side} limit is {math.exp(limit):.3g} (common {label})"


def _instead(measure: str) -> str:
    if measure == "rate_ratio":
        return "show the rates of both arms"
    return "ask for the risk_difference by mantel_haenszel, or show the counts"


def _totals(columns: Columns, measure: str) -> str:
    events_1, size_1, events_2, size_2 = (float(column.sum()) for column in columns)
    per = "over" if measure == "rate_ratio" else "of"
    return f"in all {events_1:g} {per} {size_1:g} against {events_2:g} {per} {size_2:g}"
