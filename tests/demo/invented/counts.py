"""From drawn thumbs to what a report would print: counts, and summaries of scores."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from invented.draws import DrawnArm
from invented.spec import LAST, ArmSpec, Events, Score

Floats = NDArray[np.float64]

# Exact factors from the unit of the vocabulary to the unit typed (1 lb = 0.45359237 kg, 1 kgf = 9.80665 N).
PER_KILOGRAM = {"": 1.0, "kg": 1.0, "lb": 1 / 0.45359237, "N": 9.80665}
UNIT_DECIMALS = {"N": 0, "lb": 1}
DECIMALS = {"dash": 1, "quickdash": 1, "key_pinch": 2, "pain_activity": 1}


def until(drawn: DrawnArm, at: float | str) -> Floats:
    """Months up to which each thumb is counted."""
    return drawn.follow_up if at == LAST else np.full(drawn.follow_up.shape, float(at))


def happened(drawn: DrawnArm, outcome: str, at: float | str) -> NDArray[np.bool_]:
    """Which thumbs had the event by then; reoperations are nested by construction."""
    end = until(drawn, at)
    if outcome == "any_complication":
        return drawn.complication <= end
    if outcome == "revision_index":
        return drawn.revision <= end
    if outcome == "secondary_mp_procedure":
        return drawn.secondary_mp <= end
    if outcome == "secondary_st_procedure":
        return drawn.secondary_st <= end
    if outcome == "any_reoperation":
        return first_return(drawn) <= end
    if outcome == "mp_recurrence":
        return drawn.mp_recurrence <= end
    return (drawn.complication <= end) & np.array([kind == outcome for kind in drawn.kind])


def first_return(drawn: DrawnArm) -> Floats:
    """Months to the first further operation of any kind."""
    return np.minimum.reduce([drawn.revision, drawn.other, drawn.secondary_mp, drawn.secondary_st])


def event_values(spec: Events, arm: ArmSpec, drawn: DrawnArm) -> dict[str, Any]:
    """Return the typed fields of a counted outcome in one arm."""
    hit = happened(drawn, spec.outcome, spec.at)
    thumbs = int(hit.sum())
    patients = arm.thumbs - arm.bilateral
    if spec.unit == "patients":
        # The last thumbs of the arm are the second sides of the first persons.
        person = np.arange(arm.thumbs) % patients
        thumbs = len(set(person[hit].tolist()))
    total = patients if spec.unit == "patients" else arm.thumbs
    if spec.reported_as == "percent":
        return {"percent": round(100 * thumbs / total, 1), "total": total, "counted": "per_thumb"}
    if spec.reported_as == "per_event":
        events = int((hit * (1 + drawn.extra_events)).sum())
        return {"event_count": events, "total": total, "counted": "per_event"}
    return {"events": thumbs, "total": total, "counted": "per_thumb"}


def score_values(spec: Score, arm: ArmSpec, drawn: DrawnArm, kind: str) -> dict[str, Any]:
    """Return the typed fields of a measured outcome in one arm: `kind` is baseline, final or change."""
    size = arm.thumbs if spec.outcome == "key_pinch" else arm.thumbs - arm.bilateral
    after = drawn.later if _is_late(spec) else drawn.scores
    values = (drawn.baseline if kind == "baseline" else after)[spec.outcome][:size]
    if kind == "change":
        values = values - drawn.baseline[spec.outcome][:size]
    values = values * PER_KILOGRAM[spec.measured_in]
    digits = UNIT_DECIMALS.get(spec.measured_in, DECIMALS[spec.outcome])
    how = "mean_sd" if kind == "baseline" else spec.reported_as
    if how in ("median_quartiles", "median_all"):
        first, middle, third = (printed(value, digits) for value in np.quantile(values, [0.25, 0.5, 0.75]))
        fields: dict[str, Any] = {"n": size, "median": middle, "quartiles": {"first": first, "third": third}}
        if how == "median_all":
            fields |= {"minimum": printed(values.min(), digits), "maximum": printed(values.max(), digits)}
        return fields
    mean, spread = float(values.mean()), float(values.std(ddof=1))
    error = spread / float(np.sqrt(size))
    fields = {"n": size, "mean": printed(abs(mean) if how == "change_lost_sign" else mean, digits)}
    if how == "mean_sd":
        fields["standard_deviation"] = printed(spread, digits)
    elif how == "mean_error":
        fields["standard_error"] = printed(error, digits + 1)
    elif how in ("mean_interval", "change_lost_sign"):
        half = 2.0 * error  # the t quantile of 50 to 90 degrees of freedom, to one decimal
        fields["interval"] = {
            "lower": printed(mean - half, digits),
            "upper": printed(mean + half, digits),
            "level": 95,
        }
    return fields


def printed(value: float, digits: int) -> float | int:
    """Round as the report prints it; whole numbers have no decimal point."""
    return round(float(value), digits) if digits else round(float(value))


def _is_late(spec: Score) -> bool:
    return spec.at == LAST or float(spec.at) > 12


def crude(values: Floats) -> tuple[float, float]:
    """Mean and standard deviation, one decimal."""
    return round(float(values.mean()), 1), round(float(values.std(ddof=1)), 1)
