"""Events and totals of one arm, from whatever the report gives.

A typed number is never replaced in silence: every step becomes a row of the assumption log.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from metakit.core.notes import Assumption
from metakit.core.records import Arm
from metakit.core.values import OutcomeValue
from metakit.synthesis.gathering.rows import Choices, UnusableError


def events_and_total(
    name: str, arm: Arm, value: OutcomeValue, others: Iterable[OutcomeValue], choices: Choices
) -> tuple[dict[str, float], list[Assumption]]:
    """Return `events` and `total` of one arm with the steps that led there.

    Parameters
    ----------
    name : str
        The study as shown.
    arm, value : Arm, OutcomeValue
        The arm and the typed value (reporting `reported` or `reported_zero`).
    others : iterable of OutcomeValue
        Its parts among the outcomes of the arm at the same time; the commonest bounds a per-event total.
    choices : Choices
        What to do with totals that count events rather than thumbs.

    Raises
    ------
    UnusableError
        When the report does not say how many thumbs had the event, with the reason.
    """
    log: list[Assumption] = []
    total = _total(name, arm, value, log)
    if value.reporting == "reported_zero":
        log.append(
            Assumption(
                study=name,
                rule="the report says that there were none: counted as 0 events",
                inputs=f"{arm.label}: 0 of {total:g}",
            )
        )
        return {"events": 0.0, "total": total}, log
    if value.events is not None and value.counted == "per_thumb":
        return {"events": float(value.events), "total": total}, log
    if value.counted == "unclear":
        raise UnusableError(
            f"{arm.label}: the report does not say whether it counts {_things(value)} or events"
        )
    if value.counted == "per_event":
        return {
            "events": _from_event_count(name, arm, value, others, choices, total, log),
            "total": total,
        }, log
    if value.percent is not None:
        return {"events": _from_percent(name, arm, value, total, log), "total": total}, log
    raise UnusableError(f"{arm.label}: neither a count nor a percentage is reported")


def bounds_of_event_count(
    value: OutcomeValue, others: Iterable[OutcomeValue], total: float
) -> tuple[float, float]:
    """Return the fewest and the most thumbs that a total number of events allows.

    Every event may have hit another thumb (most: the number of events, or all thumbs if fewer); the
    commonest single kind of event hit that many thumbs at least (fewest: that number, or one).
    """
    count = float(value.event_count if value.event_count is not None else value.events or 0)
    singles = [
        float(other.events) for other in others if other.events is not None and other.counted == "per_thumb"
    ]
    most = min(count, total)
    fewest = min(max([*singles, min(count, 1.0)]), most)
    return fewest, most


def _total(name: str, arm: Arm, value: OutcomeValue, log: list[Assumption]) -> float:
    if value.total is not None:
        return _positive(value.total, arm)
    taken = arm.patients if value.unit_of_analysis == "patients" else arm.thumbs
    if taken is None:
        raise UnusableError(f"{arm.label}: the number of {_things(value)} behind the count is not reported")
    log.append(
        Assumption(
            study=name,
            rule=f"number of {_things(value)} taken from the arm, since the outcome gives none",
            inputs=f"{arm.label}: {taken}",
        )
    )
    return _positive(taken, arm)


def _positive(total: int, arm: Arm) -> float:
    if total <= 0:
        raise UnusableError(f"{arm.label}: nobody was analysed")
    return float(total)


def _from_percent(name: str, arm: Arm, value: OutcomeValue, total: float, log: list[Assumption]) -> float:
    percent = float(value.percent or 0.0)
    half_unit = 0.5 * 10.0 ** -_decimals(percent)
    exact = percent * total / 100
    lowest = math.ceil((percent - half_unit) * total / 100 - 1e-9)
    highest = math.floor((percent + half_unit) * total / 100 + 1e-9)
    if lowest > highest or highest < 0 or lowest > total:
        raise UnusableError(
            f"{arm.label}: {percent:g} % of {total:g} is {exact:.2f}, no whole number of {_things(value)}"
        )
    events = float(min(max(round(exact), max(lowest, 0)), min(highest, total)))
    span = (
        ""
        if highest == lowest
        else f"; {max(lowest, 0)} to {min(highest, int(total))} would round to the same"
    )
    log.append(
        Assumption(
            study=name,
            rule="count computed back from a percentage",
            inputs=f"{arm.label}: {percent:g} % of {total:g} = {exact:.2f}, taken as {events:g}{span}",
            reference="handbook",
        )
    )
    return events


def _decimals(percent: float) -> int:
    text = f"{percent:.6f}".rstrip("0")
    return len(text.partition(".")[2])


def _from_event_count(
    name: str,
    arm: Arm,
    value: OutcomeValue,
    others: Iterable[OutcomeValue],
    choices: Choices,
    total: float,
    log: list[Assumption],
) -> float:
    fewest, most = bounds_of_event_count(value, others, total)
    count = value.event_count if value.event_count is not None else value.events
    if count is None:
        raise UnusableError(f"{arm.label}: neither {_things(value)} with the event nor events are reported")
    if choices.per_event == "set_aside":
        raise UnusableError(
            f"{arm.label}: the report counts events ({count}), not {_things(value)} with an event; between "
            f"{fewest:g} "
            f"and {most:g} of {total:g} {_things(value)} are possible"
        )
    taken = fewest if choices.per_event == "fewest" else most
    log.append(
        Assumption(
            study=name,
            rule=f"{choices.per_event} {_things(value)} that a total number of events allows",
            inputs=f"{arm.label}: {count} events, taken as {taken:g} of {total:g}",
        )
    )
    return taken


def _things(value: OutcomeValue) -> str:
    return "patients" if value.unit_of_analysis == "patients" else "thumbs"
