"""An exploration in words and lines of a table."""

from __future__ import annotations

from dataclasses import dataclass

from metakit.synthesis.exploring.explorations import Exploration


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One row: a group, or a value of the moderator, with what is found or expected there.

    `difference` is per 100 thumbs at the baseline of the analysis, "" where there is none; `new_study` is
    where a new study's own effect would be expected.
    """

    what: str
    studies: str
    estimate: str
    interval: str
    difference: str = ""
    new_study: str = ""
    names: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Explored:
    """One exploration as told: the question, what came out, how sure, and a table of lines."""

    exploration: Exploration
    title: str
    asked: str
    out: tuple[str, ...] = ()
    sure: tuple[str, ...] = ()
    lines: tuple[Line, ...] = ()
    refusal: str = ""
    left_out: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    unit: str = ""
    """Of the differences, "" where there are none."""
    studies: int = 0
    short: str = ""
    """What came out, in a few words."""
    short_sure: str = ""
