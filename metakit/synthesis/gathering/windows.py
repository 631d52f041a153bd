"""Time windows of a protocol, and the choice of one time point among several.

The limits stand in the vocabulary of time windows; the value nearest the target is the one that is analysed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

from metakit.core.values import FollowUp, OutcomeValue
from metakit.forms.library import vocabulary
from metakit.measures.kind import RATES, Kind

LAST = "last_follow_up"

WIDE_RATIO = 4.0
"""Longest over shortest follow-up above which 'at last follow-up' is no time point at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A time window in months: `after` < months <= `until`, nearest to `target` preferred."""

    name: str
    label: str
    target: float
    after: float
    until: float

    def holds(self, months: float | None) -> bool:
        """Say whether a time lies within the window."""
        return months is not None and self.after < months <= self.until


@cache
def window(name: str) -> Window:
    """Return a time window of the shipped vocabulary.

    Raises
    ------
    UnknownNameError
        With the nearest names.
    """
    term = vocabulary("time_windows")[name]
    limits = {key: term.facts.number(key) or 0.0 for key in ("target", "after", "until")}
    return Window(name=name, label=term.label, **limits)


def is_last(value: OutcomeValue) -> bool:
    """Say whether a value was reported for the last follow-up rather than for a fixed time."""
    return value.time_label == LAST or value.months is None


def in_window(value: OutcomeValue, window: Window, follow_up: FollowUp) -> bool:
    """Say whether a value belongs to the window.

    A value at last follow-up without months stands at the arm's mean (or median) follow-up.
    """
    if window.name == LAST:
        return True
    return window.holds(time_of(value, follow_up))


def time_of(value: OutcomeValue, follow_up: FollowUp) -> float | None:
    """Return the months of a value; the arm's mean or median follow-up where it has none of its own."""
    for months in (value.months, follow_up.mean, follow_up.median):
        if months is not None:
            return months
    return None


def is_wide(value: OutcomeValue, follow_up: FollowUp) -> bool:
    """Say whether the value mixes very different lengths of follow-up.

    True when the longest follow-up is more than four times the shortest and the value is not one of a
    fixed time that everybody reached.
    """
    shortest, longest = follow_up.shortest, follow_up.longest
    if shortest is None or longest is None or longest <= 0:
        return False
    if shortest > 0 and longest / shortest <= WIDE_RATIO:
        return False
    reached_by_all = value.months is not None and not is_last(value) and value.months <= shortest
    return not reached_by_all


def choose_times(
    per_arm: Sequence[Sequence[OutcomeValue]], window: Window, follow_ups: Sequence[FollowUp]
) -> tuple[OutcomeValue, ...]:
    """Choose one value an arm: a time that all arms share if there is one, nearest the window's target.

    Parameters
    ----------
    per_arm : sequence of non-empty sequences of OutcomeValue
        The values of each arm that lie in the window.
    window : Window
        The protocol's window.
    follow_ups : sequence of FollowUp
        Follow-up of each arm, in the same order.

    Returns
    -------
    tuple of OutcomeValue
        One an arm, in the order given.
    """
    times = [{_key(value) for value in values} for values in per_arm]
    shared = set.intersection(*times) if times else set()
    chosen = []
    for values, follow_up in zip(per_arm, follow_ups, strict=True):
        eligible = [value for value in values if _key(value) in shared] or list(values)
        chosen.append(min(eligible, key=lambda value: _distance(value, window, follow_up)))
    return tuple(chosen)


def times_differ(values: Sequence[tuple[OutcomeValue, FollowUp]]) -> bool:
    """Say whether arms are compared at times that are not the same (at last follow-up: a quarter apart)."""
    fixed = {value.months for value, _ in values if not is_last(value)}
    last = [time_of(value, follow_up) or 0.0 for value, follow_up in values if is_last(value)]
    if fixed and last:
        return True
    return len(fixed) > 1 or (bool(last) and max(last) > 1.25 * min(last))


def describe_times(values: Iterable[OutcomeValue]) -> str:
    """Write the times of several values in words, without repeats ('12 months, last follow-up')."""
    words = dict.fromkeys(time_words(value) for value in values)
    return ", ".join(words)


def time_words(value: OutcomeValue) -> str:
    """Write the time of one value in words."""
    if is_last(value):
        known = "" if value.months is None else f" ({value.months:g} months)"
        return f"last follow-up{known}"
    if value.time_label and value.months is None:
        return value.time_label.replace("_", " ")
    return f"{value.months:g} months"


def _key(value: OutcomeValue) -> tuple[bool, float | None]:
    # Two arms at 'last follow-up' share that time even when their mean follow-up differs by weeks.
    return (True, None) if is_last(value) else (False, value.months)


def _distance(value: OutcomeValue, window: Window, follow_up: FollowUp) -> tuple[float, bool]:
    months = time_of(value, follow_up)
    if window.name == LAST:
        # The longest wins; a value labelled as the last one wins over a fixed time of the same length.
        return (-(months or 0.0) - (1e6 if is_last(value) else 0.0), False)
    return (abs((months or 0.0) - window.target), is_last(value))


def when_words(kind: Kind, name: str) -> str:
    """Say which follow-up an answer of a kind of numbers is about, given the window that was planned."""
    if kind is RATES:
        return "all follow-up, per thumb-year"
    return "all follow-up" if kind.any_time else window(name).label
