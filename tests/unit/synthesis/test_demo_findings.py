"""The invented demo review carried out: what each answer rests on, and what was set aside."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from metakit.models.batch import random_effects_batch
from metakit.review.folder import open_folder
from metakit.synthesis.findings import Findings
from metakit.synthesis.robustness import FEWEST_STUDIES, robustness
from metakit.synthesis.run import synthesise

ROOT = Path(__file__).parents[3]


@cache
def findings() -> Findings:
    return synthesise(open_folder(ROOT / "demo_studies"))


def test_only_comparative_answers_with_enough_studies_are_looked_at() -> None:
    for finding in findings().analyses:
        found = robustness(finding)
        if found is not None:
            assert finding.comparative
            assert len(found.without) >= FEWEST_STUDIES
            assert len(found.sentences) >= 3
    assert any(robustness(finding) for finding in findings().analyses)


def test_leaving_out_equals_pooling_the_others() -> None:
    finding = next(item for item in findings().analyses if item.plan.id == "complications_lrti")
    found = robustness(finding)
    assert found is not None
    table = finding.table
    assert table is not None
    for place, row in enumerate(found.without):
        keep = [n for n in range(len(table)) if n != place]
        alone = random_effects_batch(table.effect[keep], table.variance[keep])
        assert row.study == table.study[place]
        assert row.estimate == pytest.approx(float(alone.mean.estimate), rel=1e-10)
    assert "at least 10 are needed" in found.sentences[-1]


def test_a_study_is_set_aside_only_if_the_model_did_not_use_it_and_once() -> None:
    for finding in findings().analyses:
        if finding.result is None:
            continue
        aside = [item.study for item in finding.set_aside]
        assert len(aside) == len(set(aside)), finding.plan.id
        assert not set(aside) & {row.study for row in finding.result.studies}, finding.plan.id
    zeros = next(item for item in findings().analyses if item.plan.id == "revision_lrti_risk")
    assert zeros.result is not None
    assert {"DEMO-01 Quillmere", "DEMO-02 Brackenhythe"} <= {row.study for row in zeros.result.studies}
