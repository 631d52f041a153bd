"""The words in which the invented studies are described: arms, outcomes, studies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

LAST = "last_follow_up"


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmSpec:
    """One arm: `thumbs` are those analysed, `lost` those operated on but not seen again."""

    id: str
    label: str
    technique: str
    thumbs: int
    bilateral: int = 0
    lost: int = 0
    not_operated: int = 0
    components: tuple[str, ...] = ()
    mp_option: str = "mp_none"
    st_option: str = "st_inspected_normal"
    partly_given: tuple[tuple[str, int], ...] = ()
    mixed_with: str = ""  # the second technique of an arm whose two techniques cannot be told apart
    bone: Literal["", "removed", "left", "some"] = ""  # osteophytes and remnants; "": the report is silent
    st: Literal["", "treated", "left", "some"] = ""  # arthritis between scaphoid and trapezoid
    immobilisation_weeks: int | None = None  # where arms differ
    mp_mean: float = 12.0
    mp_spread: float = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Events:
    """A counted outcome: when, and in which way the report gives it.

    Events of the arms in `planted_zero` are taken away.
    """

    outcome: str
    at: float | str = 12
    reported_as: Literal["counts", "percent", "per_event"] = "counts"
    unit: Literal["thumbs", "patients"] = "thumbs"
    author_definition: str = ""
    definition: str = ""
    arms: tuple[str, ...] = ()
    planted_zero: tuple[str, ...] = ()
    limit: tuple[tuple[str, float], ...] = ()  # the report's own, as the form writes a band
    page: int = 5
    table: int = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A measured outcome: when, and in which way the report gives it."""

    outcome: str
    at: float | str = 12
    reported_as: Literal[
        "mean_sd",
        "mean_only",
        "mean_interval",
        "mean_error",
        "median_quartiles",
        "median_all",
        "change_lost_sign",
        "change_only",
    ] = "mean_sd"
    measured_in: str = ""
    with_baseline: bool = False
    arms: tuple[str, ...] = ()
    page: int = 4
    table: int = 2
    figure: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Silent:
    """An outcome without a number: not mentioned, or measured by the methods section and never shown."""

    outcome: str
    reporting: Literal["not_reported", "measured_not_reported"]
    at: float | str = 12
    page: int = 2
    why: str = ""


OutcomeSpec = Events | Score | Silent


@dataclass(frozen=True, slots=True, kw_only=True)
class StudySpec:
    """One invented report."""

    number: int
    place: str
    year: int
    title: str
    design: str
    recruited: tuple[str, str]
    follow_up: tuple[float, float, float, float]  # mean, standard deviation, shortest, longest, in months
    arms: tuple[ArmSpec, ...]
    outcomes: tuple[OutcomeSpec, ...]
    judgements: str  # one letter a domain, in the order of the instrument; see appraisal.py
    cohort: str = ""
    seed_of: int = 0  # a second report of the same cohort draws the same thumbs
    linked: tuple[str, ...] = ()
    report_type: str = "full_report"
    language: str = "English"
    allocation: str = "not_reported"
    within_person: bool = False
    blinding: str = "none"
    registration: str = "not_reported"
    centres: int = 1
    surgeons: int = 2
    experience: str = "two surgeons past their learning curve (own wording of the report)"
    approach: str = "dorsal"
    anaesthesia: str = "regional"
    immobilisation_weeks: int = 4
    therapy: str = "splint, then exercises with a hand therapist to 12 weeks"
    age: tuple[float, float] = (61.0, 8.0)
    women_share: float = 0.82
    thumb_years_reported: bool = False
    st_arthritis_only: bool = False  # every thumb had arthritis there on inspection
    mp_study: bool = False  # every thumb hyperextended by more than 30 degrees at the MP joint
    funder: str = "none_declared"
    company_tie: str = "no"
    designer_author: str = "no"

    @property
    def id(self) -> str:
        """Identifier of the record."""
        return f"DEMO-{self.number:02d}"

    @property
    def label(self) -> str:
        """Name as shown in tables and figures."""
        return f"{self.id} {self.place}"

    @property
    def group(self) -> Literal["randomised", "comparative", "series"]:
        """Design group, which decides the appraisal instrument."""
        if self.design == "randomised":
            return "randomised"
        return "series" if len(self.arms) == 1 else "comparative"
