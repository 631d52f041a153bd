"""Events and thumb-years of one arm."""

from __future__ import annotations

from collections.abc import Iterable

from metakit.core.notes import Assumption
from metakit.core.records import Arm
from metakit.core.values import OutcomeValue
from metakit.synthesis.gathering.counts import events_and_total
from metakit.synthesis.gathering.rows import Choices, UnusableError
from metakit.synthesis.gathering.windows import is_last

SHORTER = 0.9
"""A fixed time below this share of the mean follow-up does not cover the whole follow-up."""


def events_and_time(
    name: str, arm: Arm, value: OutcomeValue, others: Iterable[OutcomeValue], choices: Choices
) -> tuple[dict[str, float], list[Assumption]]:
    """Return `events` and `time` (thumb-years) of one arm with the steps that led there.

    Thumb-years are taken as reported; otherwise thumbs times mean follow-up, or times median follow-up,
    which is logged (common practice, no source). Events counted up to a fixed time short of the whole
    follow-up are set against the thumb-years up to that time.

    Raises
    ------
    UnusableError
        Without a usable count, or without any follow-up time.
    """
    counts, log = events_and_total(name, arm, value, others, choices)
    if value.unit_of_analysis == "patients" and (arm.thumbs or 0) > (arm.patients or 0) > 0:
        raise UnusableError(f"{arm.label}: events are counted in patients, follow-up in thumbs")
    time = _thumb_years(name, arm, value, counts["total"], log)
    return {"events": counts["events"], "time": time}, log


def _thumb_years(name: str, arm: Arm, value: OutcomeValue, total: float, log: list[Assumption]) -> float:
    follow_up = arm.follow_up
    middle = follow_up.mean if follow_up.mean is not None else follow_up.median
    fixed = None if is_last(value) else value.months
    covers_all = fixed is None or middle is None or fixed >= SHORTER * middle
    if (
        covers_all
        and follow_up.thumb_years is not None
        and follow_up.thumb_years_basis in {"reported", "not_available"}
    ):
        return _positive(follow_up.thumb_years, arm)
    if covers_all and middle is not None:
        return _derived(name, arm, total, middle, "mean" if follow_up.mean is not None else "median", log)
    months = fixed if fixed is not None else value.months
    if months is None:
        raise UnusableError(f"{arm.label}: no follow-up time is reported")
    return _derived(name, arm, total, months, "fixed", log)


_RULES = {
    "mean": "thumb-years derived as thumbs times mean follow-up",
    "median": "thumb-years derived as thumbs times median follow-up (too low when a few were followed for "
    "long)",
    "fixed": "thumb-years derived as thumbs times the time of the count, as if every thumb was followed "
    "until then",
}


def _derived(name: str, arm: Arm, total: float, months: float, basis: str, log: list[Assumption]) -> float:
    time = total * months / 12
    log.append(
        Assumption(
            study=name,
            rule=_RULES[basis],
            inputs=f"{arm.label}: {total:g} thumbs × {months:g} months = {time:.1f} thumb-years",
        )
    )
    return _positive(time, arm)


def _positive(time: float, arm: Arm) -> float:
    if time <= 0:
        raise UnusableError(f"{arm.label}: no follow-up time")
    return float(time)
