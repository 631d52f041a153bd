"""The invented demo review carried out: what each answer rests on, and what was set aside."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from metakit.errors import UsageError
from metakit.models.differing.again import method_of
from metakit.synthesis.choices.robustness import robustness
from metakit.synthesis.choices.variations import FEWEST_TO_LEAVE_OUT
from metakit.synthesis.findings import Findings

ROOT = Path(__file__).parents[3]


def test_only_comparative_answers_with_enough_studies_are_looked_at(demo_findings: Findings) -> None:
    for finding in demo_findings.analyses:
        found = robustness(finding)
        if found is not None:
            assert finding.comparative
            assert len(found.without) >= FEWEST_TO_LEAVE_OUT
            assert len(found.sentences) >= 3
    assert any(robustness(finding) for finding in demo_findings.analyses)


def test_leaving_out_equals_pooling_the_others_to_the_last_bit(demo_findings: Findings) -> None:
    looked_at = 0
    for finding in demo_findings.analyses:
        table, result = finding.table, finding.result
        for row in finding.varied("without_study"):
            assert table is not None and result is not None
            rest = table.select(np.array([name != row.label for name in table.study]))
            try:
                alone = method_of(result).pool(rest)
            except UsageError:  # a model of whole numbers gets effective ones rounded
                continue
            assert row.result is not None, row.reason
            if row.studies == rest.study and not table.assumptions:
                assert (row.result.estimate, row.result.interval) == (alone.estimate, alone.interval)
            else:  # the table is made again without the study: the same numbers
                assert row.result.estimate == pytest.approx(alone.estimate, rel=1e-12)
                assert row.result.interval == pytest.approx(alone.interval, rel=1e-12)
            assert row.model in (result.model, "single_study")
            looked_at += 1
    assert looked_at > 20
    finding = next(item for item in demo_findings.analyses if item.plan.id == "complications_lrti")
    found = robustness(finding)
    assert found is not None
    assert "at least 10 are needed" in found.sentences[-1]


def test_findings_say_every_other_way_once(demo_findings: Findings) -> None:
    for finding in demo_findings.analyses:
        said = finding.to_json()["variations"]
        keys = [(item["way"], item["name"]) for item in said]
        assert len(keys) == len(set(keys)), finding.plan.id
        for item in said:
            # where all events are in one arm there is a limit and no estimate
            assert (item["reason"] is None) == (item["interval"] is not None)
            if item["interval"] is not None and None not in item["interval"]:
                assert item["interval"][0] <= item["estimate"] <= item["interval"][1]


def test_a_study_is_set_aside_only_if_the_model_did_not_use_it_and_once(demo_findings: Findings) -> None:
    for finding in demo_findings.analyses:
        if finding.result is None:
            continue
        aside = [item.study for item in finding.set_aside]
        assert len(aside) == len(set(aside)), finding.plan.id
        assert not set(aside) & {row.study for row in finding.result.studies}, finding.plan.id
    zeros = next(item for item in demo_findings.analyses if item.plan.id == "revision_lrti_risk")
    assert zeros.result is not None
    assert {"DEMO-01 Quillmere", "DEMO-02 Brackenhythe"} <= {row.study for row in zeros.result.studies}


def logged(demo_findings: Findings, analysis: str, study: str) -> str:
    finding = next(item for item in demo_findings.analyses if item.plan.id == analysis)
    steps = [f"{step.rule}: {step.inputs}" for step in finding.assumptions if step.study.startswith(study)]
    aside = [f"set aside: {item.reason}" for item in finding.set_aside if item.study.startswith(study)]
    return "\n".join((*steps, *aside))


# Each planted defect of the demo review (demo_studies/true_values.yaml) and what must be said of it; the arithmetic
# is worked by hand: 35.2 % of 88 = 30.98; 9.7 lb x 0.45359237 = 4.39985 kg and 52 N / 9.80665 = 5.30252 kg (exact units);
# 0.21 x root of 54 = 1.54318; design effect of 80 patients with 88 thumbs 1 + ((80 + 3 x 8) / 88 - 1) x 0.3 = 1.05455
# (Handbook 23.1); half width 0.315 x root of 88 / t(87, 0.975) 1.98761 = 1.48669.
@pytest.mark.parametrize(
    ("analysis", "study", "words"),
    [
        ("complications_lrti", "DEMO-08", ["35.2 % of 88 = 30.98, taken as 31", "design effect 1.05455", "31 of 88 -> 29.3966 of 83.448"]),
        ("pinch_lrti", "DEMO-05", ["9.7 lb = 4.39985 kg"]),
        ("pinch_prosthesis", "DEMO-10", ["52 N = 5.30252 kg"]),
        ("pain_lrti", "DEMO-05", ["SE 0.21, n 54 -> SD 1.54318"]),
        ("pinch_lrti", "DEMO-08", ["95 % interval 3.92 to 4.55, n 88, quantile 1.98761 -> SD 1.48669"]),
        ("crps_lrti", "DEMO-07", ["counted in patients", "103 patients, 118 thumbs"]),
        ("pinch_lrti", "DEMO-07", ["set aside", "a mean without any spread"]),
        ("pain_lrti", "DEMO-02", ["set aside", "measured, not reported"]),
        ("revision_prosthesis", "DEMO-10", ["set aside", "same cohort (wrenhollow_prosthesis) as DEMO-11"]),
        ("complications_prosthesis_series", "DEMO-20", ["set aside", "outside the window of 12 months"]),
    ],
)  # fmt: skip
def test_planted_defects_are_treated_and_told(
    demo_findings: Findings, analysis: str, study: str, words: list[str]
) -> None:
    text = logged(demo_findings, analysis, study)
    for word in words:
        assert word in text, text


def test_series_and_comparative_studies_are_never_in_one_pool(demo_findings: Findings) -> None:
    design = {demo_findings.names[study.id]: study.design_group for study in demo_findings.studies}
    for finding in demo_findings.analyses:
        for study in finding.numbers:
            series = design[study.name] == "series"
            # A report of one arm enters a comparison only by parts of it that are told apart by what was done.
            parts = all(":" in part.arm.id for side in study.sides for part in side.arms)
            assert series != finding.comparative or (finding.comparative and parts), study.name


def test_a_cohort_contributes_once_and_no_thumb_twice(demo_findings: Findings) -> None:
    cohort = {demo_findings.names[study.id]: study.cohort for study in demo_findings.studies}
    thumbs = {
        demo_findings.names[s.id]: sum(arm.thumbs or 0 for arm in s.arms) for s in demo_findings.studies
    }
    for finding in demo_findings.analyses:
        if finding.result is None:
            continue
        cohorts = [cohort[row.study] for row in finding.result.studies]
        assert len(cohorts) == len(set(cohorts)), finding.plan.id
        for study in finding.numbers:
            used = sum(side.numbers.get("total", 0) for side in study.sides)
            assert used <= thumbs[study.name] + 1e-9, f"{finding.plan.id}: {study.name}"
