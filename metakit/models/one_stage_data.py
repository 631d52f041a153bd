"""What the raw counts allow a one-stage model to say, and the sentences for what they do not."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.notes import SetAside
from metakit.errors import NotEstimableError, UnknownNameError, UsageError
from metakit.models.one_stage_variants import ONE_STAGE_VARIANTS, OneStageVariant, variants_of

_FIXED_INTERCEPTS = "binomial_normal_fixed_study_intercepts"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CountData:
    """The studies that enter, their raw columns of shape (k,), and what was said on the way."""

    effects: EffectTable
    columns: tuple[FloatArray, ...]
    notes: tuple[str, ...] = ()


def chosen_variant(effects: EffectTable, extra: Mapping[str, Any]) -> tuple[OneStageVariant, tuple[str, ...]]:
    """Return the variant asked for, or the default for measure and data with a note on a detour."""
    available = variants_of(effects.measure)
    if not available:
        served = sorted({measure for variant in ONE_STAGE_VARIANTS for measure in variant.measures})
        raise UsageError(
            "the one-stage model needs raw counts or rates, so it does not serve the measure "
            f"{effects.measure}; "
            f"it serves {', '.join(served)}"
        )
    unknown = sorted(set(extra) - {"variant"})
    if unknown:
        raise UsageError(
            f"the one-stage model has no option {', '.join(unknown)}; its only own option is 'variant'"
        )
    whole = _whole(effects, available[0])
    name = extra.get("variant")
    if name is None:
        chosen = available[0]
        if chosen.whole_counts and not whole and effects.measure == "odds_ratio":
            note = (
                "Some numbers of events or thumbs are not whole (effective numbers), which the "
                "conditional variant "
                f"of the one-stage model cannot use: the variant {_FIXED_INTERCEPTS} was fitted."
            )
            return ONE_STAGE_VARIANTS[_FIXED_INTERCEPTS], (note,)
    else:
        names = [variant.name for variant in available]
        if name not in names:
            raise UnknownNameError(f"one-stage variant for {effects.measure}", str(name), names)
        chosen = ONE_STAGE_VARIANTS[name]
    if chosen.whole_counts and not whole:
        raise UsageError(
            f"the variant {chosen.name} needs whole numbers of events and thumbs, and some are "
            "effective numbers; "
            f"use odds_ratio with the variant {_FIXED_INTERCEPTS}, or a random_effects model"
        )
    return chosen, ()


def _whole(effects: EffectTable, variant: OneStageVariant) -> bool:
    columns = [effects.data[name] for name in variant.columns if name in effects.data]
    return all(bool(np.all((column == np.round(column)) | ~np.isfinite(column))) for column in columns)


def usable_counts(effects: EffectTable, variant: OneStageVariant) -> CountData:
    """Set aside studies without the columns or without information in this variant, each by name."""
    missing = [name for name in variant.columns if name not in effects.data]
    if missing:
        raise UsageError(f"the one-stage model needs the raw columns {', '.join(missing)}")
    columns = tuple(np.asarray(effects.data[name], dtype=float) for name in variant.columns)
    finite = np.all([np.isfinite(column) for column in columns], axis=0)
    observed = np.all([column > 0 for column in columns[1::2]], axis=0)
    with np.errstate(invalid="ignore"):
        telling = variant.informative(columns)
    aside = list(effects.set_aside)
    for row in np.flatnonzero(~(finite & observed & telling)).tolist():
        if not finite[row]:
            reason = f"without {', '.join(variant.columns)} there is nothing for a one-stage model"
        elif not observed[row]:
            reason = "nobody observed in one arm" if len(columns) == 4 else "nobody observed"
        else:
            reason = variant.reason_without_information
        aside.append(SetAside(study=effects.study[row], reason=reason))
    keep = finite & observed & telling
    if not keep.any():
        why = "; ".join(f"{item.study}: {item.reason}" for item in aside) or "the table is empty"
        raise NotEstimableError(f"no study is left for the one-stage model ({why})")
    kept = effects.select(keep)
    return CountData(
        effects=replace(kept, set_aside=tuple(aside)), columns=tuple(column[keep] for column in columns)
    )


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether heterogeneity can be estimated, and the note that says why not."""

    heterogeneous: bool
    note: str = ""


def check_estimable(variant: OneStageVariant, columns: tuple[FloatArray, ...], measure: str) -> Verdict:
    """Refuse data whose likelihood has no maximum; say when only a common effect can be estimated.

    Raises
    ------
    NotEstimableError
        With the totals behind it and what could be asked instead.
    """
    check = _CHECKS[len(columns)]
    lowest, highest = check(variant, columns, measure)
    if len(columns[0]) == 1:
        return Verdict(False, "One study: its own effect is shown, nothing is pooled and tau is unknown.")
    narrow = highest - lowest <= 1
    position = columns[0]
    extreme = (position == lowest) | (position == highest)
    if variant.prepare is None or "random_study_intercepts" in variant.name:
        return Verdict(True)
    if bool(np.all(narrow)):
        return Verdict(
            False,
            "No study has more than one outcome that could have been otherwise, so the data say "
            "nothing on how "
            "studies differ: tau is held at 0 (a common effect).",
        )
    if bool(np.all(extreme)):
        raise NotEstimableError(
            "every study lies at one end of what it could have shown (no event or nothing but "
            "events), and not "
            "all at the same end: the likelihood grows without end with tau, and no mean has a "
            "finite estimate; "
            "show the studies, or ask for "
            + ("a common effect (mantel_haenszel)" if len(columns) == 4 else "each study's exact interval")
        )
    return Verdict(True)


Ends = tuple[FloatArray, FloatArray]


def _one_arm_ends(variant: OneStageVariant, columns: tuple[FloatArray, ...], measure: str) -> Ends:
    events, total = columns
    return np.zeros_like(events), total if measure == "proportion" else np.full_like(events, np.inf)


def _two_arm_ends(variant: OneStageVariant, columns: tuple[FloatArray, ...], measure: str) -> Ends:
    """Return the fewest and the most events of arm 1 that each study's totals allow."""
    events_1, size_1, events_2, size_2 = columns
    both = events_1 + events_2
    rates = measure == "rate_ratio"
    if variant.prepare is None or "random_study_intercepts" in variant.name:
        _check_arm_totals(columns, rates)
        return np.zeros_like(both), both
    lowest = np.zeros_like(both) if rates else np.maximum(0.0, both - size_2)
    highest = both if rates else np.minimum(both, size_1)
    for ends, which, value in ((lowest, "fewest", "0"), (highest, "most", "infinite")):
        if bool(np.all(events_1 == ends)):
            raise NotEstimableError(
                f"in every informative study arm 1 has the {which} events that the totals allow "
                f"({_totals(columns, rates)}), so the ratio is estimated as {value}, with no limit "
                "on that side; "
                "ask for the risk difference, or show the counts"
            )
    return lowest, highest


def _check_arm_totals(columns: tuple[FloatArray, ...], rates: bool) -> None:
    for arm, (events, size) in enumerate(((columns[0], columns[1]), (columns[2], columns[3])), start=1):
        empty = float(events.sum()) == 0
        full = not rates and float(events.sum()) == float(size.sum())
        if empty or full:
            what = "has no event in any study" if empty else "has nothing but events in every study"
            raise NotEstimableError(
                f"arm {arm} {what} ({_totals(columns, rates)}), so the contrast has no finite "
                "estimate in this model; "
                "ask for the risk difference by mantel_haenszel, or show the counts"
            )


def _totals(columns: tuple[FloatArray, ...], rates: bool) -> str:
    events_1, size_1, events_2, size_2 = (float(column.sum()) for column in columns)
    per = "over" if rates else "of"
    return f"in all {events_1:g} {per} {size_1:g} against {events_2:g} {per} {size_2:g}"


_CHECKS: dict[int, Callable[[OneStageVariant, tuple[FloatArray, ...], str], Ends]] = {
    2: _one_arm_ends,
    4: _two_arm_ends,
}


def nothing_or_everything(columns: tuple[FloatArray, ...], measure: str) -> bool:
    """Whether a one-arm series has no event at all, or nothing but events."""
    events, total = columns
    none = float(events.sum()) == 0
    return none or (measure == "proportion" and float(events.sum()) == float(total.sum()))
