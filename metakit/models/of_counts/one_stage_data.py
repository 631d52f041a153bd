"""What the raw counts allow a one-stage model to say, and the sentences for what they do not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.notes import SetAside
from metakit.errors import NotEstimableError, UnknownNameError, UsageError
from metakit.models.of_counts.one_stage_variants import ONE_STAGE_VARIANTS, OneStageVariant, variants_of

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
            f"{effects.measure}; it serves {', '.join(served)}"
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
                "Some numbers of events or thumbs are not whole (effective numbers), which the conditional "
                f"variant of the one-stage model cannot use: the variant {_FIXED_INTERCEPTS} was fitted."
            )
            return ONE_STAGE_VARIANTS[_FIXED_INTERCEPTS], (note,)
    else:
        names = [variant.name for variant in available]
        if name not in names:
            raise UnknownNameError(f"one-stage variant for {effects.measure}", str(name), names)
        chosen = ONE_STAGE_VARIANTS[name]
    if chosen.whole_counts and not whole:
        raise UsageError(
            f"the variant {chosen.name} needs whole numbers of events and thumbs, and some are effective "
            f"numbers; use odds_ratio with the variant {_FIXED_INTERCEPTS}, or a random_effects model"
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
        raise NotEstimableError(f"no study is left for the one-stage model ({_by_reason(aside)})")
    kept = effects.select(keep)
    return CountData(
        effects=replace(kept, set_aside=tuple(aside)), columns=tuple(column[keep] for column in columns)
    )


def _by_reason(aside: Sequence[SetAside]) -> str:
    """Name all studies, each reason once."""
    reasons: dict[str, list[str]] = {}
    for item in aside:
        reasons.setdefault(item.reason, []).append(item.study)
    parts = [f"{', '.join(studies)}: {reason}" for reason, studies in reasons.items()]
    return "; ".join(parts) or "the table is empty"
