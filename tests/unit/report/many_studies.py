"""An invented review of many trials: counts and means, several outcomes, a network of ten techniques."""

from __future__ import annotations

import itertools

import numpy as np

from metakit.core.plans import AnalysisPlan, ComparisonPlan, ExplorationPlan, NetworkPlan, SpecificationPlan
from metakit.core.records import StudyRecord
from tests.unit.synthesis.invented import Folder, arm, counted, measured, protocol, study

OLDER = ("trapeziectomy", "lrti", "lr", "ti", "haematoma_distraction")
NEWER = (
    "suture_button", "prosthesis_ball_socket", "prosthesis_dual_mobility", "arthrodesis",
    "pyrocarbon_interposition",
)  # fmt: skip
TECHNIQUES = OLDER + NEWER
ALL = ComparisonPlan(
    id="newer_vs_older",
    label="Newer against older techniques",
    technique=NEWER,
    technique_label="newer techniques",
    comparator=OLDER,
    comparator_label="older techniques",
)


def _trial(number: int, pair: tuple[str, str], draws: np.random.Generator) -> StudyRecord:
    sizes = draws.integers(25, 90, 2)
    arms = tuple(
        arm(id_, name, thumbs=int(size), age_mean=round(float(draws.normal(62, 3)), 1))
        for id_, name, size in zip("AB", pair, sizes, strict=True)
    )
    outcomes = []
    for one, size in zip(arms, sizes, strict=True):
        place = TECHNIQUES.index(one.technique)
        risk = 1 / (1 + np.exp(1.5 - 0.1 * place - draws.normal(0, 0.3)))
        outcomes += [
            counted(one.id, int(draws.binomial(size, risk)), int(size)),
            measured(one.id, round(float(draws.normal(25 - place, 4)), 1), 15.0, int(size)),
            measured(one.id, round(float(draws.normal(5, 0.4)), 2), 1.2, int(size), outcome="key_pinch"),
        ]
    return study(f"{number:03d}", *outcomes, arms=arms, year=1995 + number % 30)


def many_studies(number: int) -> Folder:
    """Return a review of this many trials, each of a newer against an older technique; all are in every answer."""
    draws = np.random.default_rng(20260225)
    pairs = itertools.cycle(itertools.product(NEWER, OLDER))
    studies = tuple(_trial(count, next(pairs), draws) for count in range(number))

    def plan(outcome: str, measure: str) -> AnalysisPlan:
        return AnalysisPlan(id=f"{outcome}_all", outcome=outcome, measure=measure, comparison=ALL.id)

    review = protocol(
        plan("any_complication", "risk_ratio"),
        plan("dash", "mean_difference"),
        plan("key_pinch", "mean_difference"),
        comparisons=(ALL,),
        networks=(
            NetworkPlan(
                id="all_techniques", label="all techniques", outcome="any_complication", measure="risk_ratio",
                reference="trapeziectomy", characteristics=("year", "age"), order=TECHNIQUES,
            ),
        ),
        explorations=(
            ExplorationPlan(id="by_year", kind="meta_regression", moderators=("year",)),
        ),
        specifications=SpecificationPlan(analyses=("any_complication_all",)),
    )  # fmt: skip
    return Folder(protocol=review, studies=studies)
