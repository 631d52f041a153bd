"""Invented study records, built by hand with just what a test needs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from metakit.core.plans import AnalysisPlan, ComparisonPlan, OutcomePlan, Protocol
from metakit.core.records import Arm, CertaintyJudgement, StudyRecord
from metakit.core.values import FollowUp, OutcomeValue, Place
from metakit.errors import Problem
from metakit.measures.registry import MEASURES
from metakit.review.selection.reading import Selection
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.gathering.gather import Task, gather
from metakit.synthesis.gathering.rows import Choices, Gathered
from metakit.synthesis.terms import outcome_term

COMPARISON = ComparisonPlan(
    id="lrti_vs_t",
    label="LRTI against trapeziectomy alone",
    technique=("lrti",),
    technique_label="LRTI",
    comparator=("trapeziectomy",),
    comparator_label="trapeziectomy alone",
)


@dataclass(frozen=True, kw_only=True)
class Folder:
    """What `synthesise` needs of a review folder."""

    protocol: Protocol
    studies: tuple[StudyRecord, ...]
    questions: tuple[Problem, ...] = ()
    inputs: tuple[tuple[str, str], ...] = ()
    judgements: tuple[CertaintyJudgement, ...] = ()
    path: Path = Path("no_such_review")
    selection: Selection | None = None


def arm(id_: str, technique: str = "lrti", **facts: Any) -> Arm:
    thumbs = facts.pop("thumbs", 40)
    defaults: dict[str, Any] = {
        "label": f"{technique} {id_}",
        "components": (),
        "mp_option": "mp_none",
        "st_option": "st_none",
        "patients": thumbs,
        "thumbs": thumbs,
        "follow_up": FollowUp(mean=12.0, shortest=11.0, longest=14.0),
    }
    return Arm(id=id_, technique=technique, **(defaults | facts))


def counted(arm_id: str, events: int | None = None, total: int | None = 40, **facts: Any) -> OutcomeValue:
    defaults: dict[str, Any] = {
        "outcome": "any_complication",
        "months": 12.0,
        "time_label": "12 months",
        "unit_of_analysis": "thumbs",
        "reporting": "reported",
        "definition": "any_complication_author",
        "author_definition": "any event",
        "source": "page 3, table 1",
        "place": Place(file="records/x.yaml", line=7, column=3),
    }
    return OutcomeValue(arm=arm_id, events=events, total=total, **(defaults | facts))


def measured(
    arm_id: str, mean: float | None = None, sd: float | None = None, n: int | None = 40, **facts: Any
) -> OutcomeValue:
    defaults: dict[str, Any] = {
        "outcome": "dash",
        "definition": "",
        "mean": mean,
        "standard_deviation": sd,
        "n": n,
    }
    return counted(arm_id, total=None, **(defaults | facts))


def study(id_: str, *outcomes: OutcomeValue, arms: tuple[Arm, ...] = (), **facts: Any) -> StudyRecord:
    defaults: dict[str, Any] = {
        "label": f"Study {id_}",
        "year": 2020,
        "citation": f"Invented report {id_}",
        "cohort": f"cohort_{id_}",
        "design": "randomised",
        "design_group": "randomised",
        "within_person": False,
        "extractor": "AB",
        "status": "agreed",
    }
    return StudyRecord(
        id=id_, arms=arms or (arm("A"), arm("B", "trapeziectomy")), outcomes=outcomes, **(defaults | facts)
    )


def trial(id_: str, events_1: int, events_2: int, total: int = 40, **facts: Any) -> StudyRecord:
    """A trial with complications of both arms."""
    outcomes = (counted("A", events_1, total), counted("B", events_2, total))
    arms = facts.pop("arms", (arm("A", thumbs=total), arm("B", "trapeziectomy", thumbs=total)))
    return study(id_, *outcomes, arms=arms, **facts)


def series(id_: str, *outcomes: OutcomeValue, **facts: Any) -> StudyRecord:
    arms = facts.pop("arms", (arm("A", "denervation"),))
    return study(id_, *outcomes, arms=arms, design="case_series", design_group="series", **facts)


def plan(measure: str = "risk_ratio", outcome: str = "any_complication", **facts: Any) -> AnalysisPlan:
    if "techniques" not in facts:
        facts.setdefault("comparison", COMPARISON.id)
    return AnalysisPlan(id=facts.pop("id", "main"), outcome=outcome, measure=measure, **facts)


def series_plan(measure: str = "proportion", outcome: str = "any_complication", **facts: Any) -> AnalysisPlan:
    return plan(measure, outcome, techniques=("denervation",), techniques_label="denervation", **facts)


def protocol(*analyses: AnalysisPlan, **facts: Any) -> Protocol:
    windows = {
        "any_complication": "12_months",
        "dash": "12_months",
        "revision_index": "last_follow_up",
        "key_pinch": "12_months",
    }
    defaults: dict[str, Any] = {
        "id": "review",
        "title": "An invented review",
        "question": "Which technique?",
        "population": "Adults",
        "invented": True,
        "unit_of_analysis": "thumbs",
        "icc": 0.3,
        "outcomes": tuple(
            OutcomePlan(outcome=name, importance="critical", window=when, smallest_important_difference=5)
            for name, when in windows.items()
        ),
        "comparisons": (COMPARISON,),
    }
    return Protocol(analyses=analyses, **(defaults | facts))


def gathered(asked: AnalysisPlan, *studies: StudyRecord, icc: float = 0.3, **choices: Any) -> Gathered:
    """Gather the numbers of one analysis."""
    review = protocol(asked)
    window = next(item.window for item in review.outcomes if item.outcome == asked.outcome)
    task = Task(
        plan=asked,
        protocol=review,
        measure=MEASURES[asked.measure],
        term=outcome_term(asked.outcome),
        window=window,
        choices=Choices(icc=icc, **choices),
    )
    return gather(task, studies, display_names(studies))


def reason_of(found: Gathered, name: str) -> str:
    """Return why a study was set aside."""
    return next(item.reason for item in found.set_aside if item.study == name)
