"""The kinds of numbers behind a measure, each with what follows from it: sizes, cells, neutral words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

Write = Callable[[str], str]
"""Writes the number that stands in the named column of an arm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of numbers.

    `size` is the column of an arm's size ("" where an effect has none), `size_word` what it counts,
    `heading` what stands above an arm's cell, with `{counted}` for what sizes count. `cell` writes an arm's
    numbers, given a way to write a count and one to write a value of the scale. `adds_up` says whether
    events of studies may be added, `any_time` whether all follow-up belongs together, whatever its length.
    `sides` are neutral words for less and for more of it ("" where none can be given). `timed` says that it
    is about the time until an event.
    """

    name: Literal["counts", "rates", "means", "hazards", "survival", "effects"]
    size: Literal["total", "time", ""]
    size_word: str
    heading: str
    cell: Callable[[Write, Write], str] | None
    adds_up: bool
    any_time: bool
    sides: tuple[str, str]
    timed: bool = False

    def __reduce__(self) -> tuple[Callable[[str], Kind], tuple[str]]:
        """Travel between processes by name, so that there is one object of each kind everywhere."""
        return kind_named, (self.name,)


COUNTS = Kind(
    name="counts",
    size="total",
    size_word="thumbs",
    heading="events/{counted}",
    cell=lambda count, _: f"{count('events')}/{count('total')}",
    adds_up=True,
    any_time=False,
    sides=("fewer events", "more events"),
)
RATES = Kind(
    name="rates",
    size="time",
    size_word="thumb-years",
    heading="events/thumb-years",
    cell=lambda count, _: f"{count('events')}/{count('time')}",
    adds_up=True,
    any_time=True,
    sides=("fewer events", "more events"),
)
MEANS = Kind(
    name="means",
    size="total",
    size_word="thumbs",
    heading="mean (SD), n",
    cell=lambda count, score: f"{score('mean')} ({score('sd')}), {count('total')}",
    adds_up=False,
    any_time=False,
    sides=("lower", "higher"),
)
HAZARDS = Kind(
    name="hazards",
    size="total",
    size_word="thumbs",
    heading="",
    cell=None,
    adds_up=False,
    any_time=True,
    sides=("", ""),
    timed=True,
)
SURVIVAL = Kind(
    name="survival",
    size="total",
    size_word="thumbs",
    heading="",
    cell=None,
    adds_up=False,
    any_time=False,
    sides=("", ""),
    timed=True,
)
EFFECTS = Kind(
    name="effects",
    size="",
    size_word="thumbs",
    heading="",
    cell=None,
    adds_up=False,
    any_time=False,
    sides=("", ""),
)
KINDS = (COUNTS, RATES, MEANS, HAZARDS, SURVIVAL, EFFECTS)


def kind_named(name: str) -> Kind:
    """Return the kind of this name."""
    return next(kind for kind in KINDS if kind.name == name)
