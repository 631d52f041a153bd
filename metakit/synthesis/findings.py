"""What a review found: every analysis of its plan with all that led to it, and what it leaves open."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from metakit.core.alignment import ShownRow, shown_rows
from metakit.core.effects import EffectTable
from metakit.core.notes import Assumption, SetAside
from metakit.core.plans import AnalysisPlan, ComparisonPlan, OutcomePlan, Protocol
from metakit.core.records import CertaintyJudgement, StudyRecord
from metakit.core.results import PoolResult
from metakit.errors import Problem
from metakit.models.assembly import study_rows
from metakit.models.differing.fragility import Fragility
from metakit.review.appraisal import StudyAppraisal, appraisal_of
from metakit.review.extraction import Extraction
from metakit.review.plan import PlanStanding, plan_parts
from metakit.review.selection.reading import Selection
from metakit.synthesis.answers import AbsoluteEffect, Answer, DefinitionFound, finite
from metakit.synthesis.appraisal import ConcernShare
from metakit.synthesis.choices.sensitivity_table import SensitivityTable
from metakit.synthesis.choices.specification_results import SpecificationCurve
from metakit.synthesis.choices.variations import VariationFact, Way
from metakit.synthesis.exploring.explorations import Exploration
from metakit.synthesis.exploring.moderator_shapes import ModeratorColumn
from metakit.synthesis.gathering.rows import MissingRow, StudyNumbers
from metakit.synthesis.networking.network_findings import NetworkFinding
from metakit.synthesis.returning.co_procedures import CoProcedures
from metakit.synthesis.returning.trouble_findings import TroubleFindings
from metakit.synthesis.terms import OutcomeTerm
from metakit.synthesis.without_pooling import UnpooledFinding


@dataclass(frozen=True, slots=True, kw_only=True, weakref_slot=True)
class AnalysisFinding:
    """One analysis of the plan, answered or not.

    `answer.result` is None where nothing can be estimated or pooling was refused; `answer.reason` then says
    why, and `unpooled` holds what two or more studies say without pooling. `sentences` tell the answer in
    plain words, the direction first; `cautions` say what it cannot bear.
    """

    plan: AnalysisPlan
    title: str
    term: OutcomeTerm
    outcome_plan: OutcomePlan
    comparison: ComparisonPlan | None
    numbers: tuple[StudyNumbers, ...]
    table: EffectTable | None
    answer: Answer
    absolute: AbsoluteEffect | None = None
    left_words: str = ""
    right_words: str = ""
    left_short: str = ""
    sentences: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    definitions: tuple[DefinitionFound, ...] = ()
    set_aside: tuple[SetAside, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    notes: tuple[str, ...] = ()
    missing: tuple[MissingRow, ...] = ()
    concerns: tuple[ConcernShare, ...] = ()
    moderators: tuple[ModeratorColumn, ...] = ()
    explorations: tuple[Exploration, ...] = ()
    specifications: SpecificationCurve | None = None
    sensitivity_table: SensitivityTable | None = None
    unpooled: UnpooledFinding | None = None
    co_procedures: tuple[CoProcedures, ...] = ()
    variations: tuple[VariationFact, ...] = ()
    fragility: Fragility | None = None

    @property
    def result(self) -> PoolResult | None:
        """The headline result, None where nothing can be estimated."""
        return self.answer.result

    def varied(self, *ways: Way) -> tuple[VariationFact, ...]:
        """Return the answers to the same question asked in other ways."""
        return tuple(item for item in self.variations if item.way in ways)

    @property
    def by_design(self) -> tuple[VariationFact, ...]:
        """The studies of each design group alone."""
        return self.varied("subgroup")

    @property
    def rows_shown(self) -> list[ShownRow]:
        """The row of each study of the table, as every figure, table and trace shows it."""
        if self.table is None:
            return []
        groups = {name: part.label for part in self.by_design for name in part.studies}
        answers = {part.label: part.answer.result for part in self.by_design if part.answer.result}
        if len(self.by_design) < 2:
            groups, answers = {}, {}
        labels = [groups.get(name, "") for name in self.table.study]
        shown = shown_rows(self.table, self.result, labels, answers)
        if self.result is not None:
            return shown
        own = study_rows(self.table, np.zeros(len(self.table)), self.plan.level)
        return [
            ShownRow(row=replace(row, weight=None) if row.interval else None) if found.row is None else found
            for found, row in zip(shown, own, strict=True)
        ]

    @property
    def sensitivity(self) -> tuple[VariationFact, ...]:
        """The same question under each other choice."""
        return self.varied("choice")

    @property
    def comparative(self) -> bool:
        """Whether two techniques are compared (otherwise one is described)."""
        return self.comparison is not None

    def to_json(self) -> dict[str, Any]:
        """Return the finding as JSON."""
        answer = {
            "id": self.plan.id,
            "title": self.title,
            "outcome": self.term.id,
            "comparison": self.comparison.id if self.comparison else None,
            "techniques": list(self.plan.techniques),
            "measure": self.plan.measure,
            "result": self.answer.to_json(),
            "reason_not_estimable": self.answer.reason or None,
            "by_design": [
                {
                    "design_group": part.name,
                    "studies": list(part.studies),
                    "result": part.answer.to_json(),
                    "reason_not_estimable": part.answer.reason or None,
                }
                for part in self.by_design
            ],
            "sensitivity": [
                {
                    "name": row.name,
                    "what": row.label,
                    "measure": row.measure,
                    "result": row.answer.to_json(),
                    "reason_not_estimable": row.answer.reason or None,
                }
                for row in self.sensitivity
            ],
            "absolute_effect": self.absolute.to_json() if self.absolute else None,
            "numbers": [_numbers_json(study) for study in self.numbers],
            "directions": {"below": self.left_words, "above": self.right_words},
            "sentences": list(self.sentences),
            "cautions": list(self.cautions),
            "definitions": [item.to_json() for item in self.definitions],
            "set_aside": [{"study": item.study, "reason": item.reason} for item in self.set_aside],
            "assumptions": [
                {
                    "study": step.study,
                    "rule": step.rule,
                    "inputs": step.inputs,
                    "reference": step.reference or None,
                }
                for step in self.assumptions
            ],
            "notes": list(self.notes),
            "missing_results": [row.to_json() for row in self.missing],
            "concerns": [share.to_json() for share in self.concerns],
            "moderators": [column.to_json() for column in self.moderators],
            "explorations": [exploration.to_json() for exploration in self.explorations],
            "specifications": self.specifications.to_json() if self.specifications else None,
            "sensitivity_table": self.sensitivity_table.to_json() if self.sensitivity_table else None,
            "without_pooling": self.unpooled.to_json() if self.unpooled else None,
            "variations": [item.to_json() for item in self.variations],
            "fragility": self.fragility.to_json() if self.fragility else None,
        }
        return {key: finite(item) for key, item in answer.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class PairFinding:
    """One pair of options at a source of trouble, asked by a line `pairs` of the plan and answered or not."""

    pairs: str
    source: str
    finding: AnalysisFinding

    def to_json(self) -> dict[str, Any]:
        """Return the finding as JSON, with what asked for it."""
        return {"option_pairs": self.pairs, "source": self.source, **self.finding.to_json()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """Everything a review found.

    `names` gives each study (by id) the name that tables and figures show. `result_matrix` holds what each
    study's report does with each outcome of the protocol (study id, then outcome). `questions` are the
    unusual values that the checks raised. `inputs` are the files read with their SHA-256. `extraction` says
    who typed the records and how well two people agreed. `selection` is None where nobody documented how the
    studies were found.
    """

    protocol: Protocol
    studies: tuple[StudyRecord, ...]
    names: Mapping[str, str]
    analyses: tuple[AnalysisFinding, ...]
    result_matrix: Mapping[str, Mapping[str, str]]
    questions: tuple[Problem, ...]
    versions: Mapping[str, str]
    inputs: Mapping[str, str]
    extraction: Extraction
    networks: tuple[NetworkFinding, ...] = ()
    pairs: tuple[PairFinding, ...] = ()
    judgements: tuple[CertaintyJudgement, ...] = ()
    selection: Selection | None = None
    plan: PlanStanding | None = None
    trouble: TroubleFindings | None = None

    @property
    def appraisals(self) -> tuple[StudyAppraisal, ...]:
        """The appraisal of every study that has one, in the order of the studies."""
        return tuple(found for found in map(appraisal_of, self.studies) if found is not None)

    def to_json(self) -> dict[str, Any]:
        """Return all findings as JSON, without NaN or infinities."""
        protocol = self.protocol
        return {
            "review": {
                "id": protocol.id,
                "title": protocol.title,
                "question": protocol.question,
                "population": protocol.population,
                "date": protocol.date,
                "invented": protocol.invented,
                "unit_of_analysis": protocol.unit_of_analysis,
                "icc": protocol.icc,
            },
            "studies": [
                {
                    "id": study.id,
                    "study": self.names[study.id],
                    "citation": study.citation,
                    "year": study.year,
                    "cohort": study.cohort,
                    "design": study.design,
                    "design_group": study.design_group,
                    "status": study.status,
                    "arms": [
                        {
                            "id": arm.id,
                            "label": arm.label,
                            "technique": arm.technique,
                            "thumbs": arm.thumbs,
                            "patients": arm.patients,
                        }
                        for arm in study.arms
                    ],
                }
                for study in self.studies
            ],
            "appraisals": [appraisal.to_json() for appraisal in self.appraisals],
            "selection": self.selection.to_json() if self.selection else None,
            "extraction": finite(self.extraction.to_json()),
            "analyses": [finding.to_json() for finding in self.analyses],
            "networks": [finding.to_json() for finding in self.networks],
            "option_pairs": [finding.to_json() for finding in self.pairs],
            "plan": {**self.plan.to_json(), "parts": plan_parts(protocol.fields)} if self.plan else None,
            "why_thumbs_come_back": finite(self.trouble.to_json()) if self.trouble else None,
            "result_matrix": {study: dict(row) for study, row in self.result_matrix.items()},
            "questions": [str(problem) for problem in self.questions],
            "versions": dict(self.versions),
            "inputs": dict(self.inputs),
        }


def _numbers_json(study: StudyNumbers) -> dict[str, Any]:
    return {
        "study": study.name,
        "design_group": study.study.design_group,
        "reported_effect": dict(study.ready) or None,
        "adjusted_for": study.adjusted_for or None,
        "sides": [
            {
                "label": side.label,
                "numbers": dict(side.numbers),
                "effective_numbers": dict(side.effective),
                "time": [
                    value.time_label if value.months is None else f"{value.months:g} months"
                    for value in side.values
                ],
                "source": side.sources,
                "places": list(side.places),
            }
            for side in study.sides
        ],
    }
