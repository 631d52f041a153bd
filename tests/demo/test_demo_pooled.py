"""The whole path on the demonstration review: the pooled answers are judged against the truth they were drawn from.

The truth is ours (the generator's), so this is no published check; it shows that nothing is lost or turned round
between the record and the answer.
"""

from __future__ import annotations

import math
from pathlib import Path

import generate_demo
import pytest
import yaml
from scipy import stats

from metakit.synthesis.findings import AnalysisFinding, Findings

FOLDER = Path(generate_demo.FOLDER)
TRUTHS = yaml.load((FOLDER / "true_values.yaml").read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)[
    "analyses"
]
# Studies that carry each answer, by hand from the specifications in tests/demo/invented.
STUDIES = {
    "complications_lrti": 5,
    "nerve_lrti": 4,
    "revision_lrti_risk": 4,
    "reoperation_lrti": 4,  # DEMO-01 has no reoperation at all
    "dash_lrti": 3,
    "pinch_lrti": 4,  # DEMO-07 gives no spread
    "pain_lrti": 3,  # DEMO-02 measured it and does not say
    "complications_prosthesis": 3,  # one cohort, two reports: counted once
    "revision_prosthesis": 3,
    "dash_prosthesis": 2,
    "pinch_prosthesis": 3,
    "pain_prosthesis": 3,
    "complications_button": 2,
    "pinch_button": 3,
    "complications_ball": 1,
    "complications_arthrodesis": 1,
    "complications_pyrocarbon": 1,
    "secondary_mp_capsulodesis": 2,
    "secondary_mp_fusion": 1,
    "secondary_mp_pinning_over_30": 1,
    "angle_capsulodesis": 2,
    "return_bone": 2,  # parts of an arm tell revisions, not returns for bone
    "pain_bone": 4,  # two of them parts of one arm
    "secondary_st": 4,
    "pain_st": 4,
    "complications_denervation": 3,
    "revision_denervation": 3,
    "complications_prosthesis_series": 2,  # DEMO-20 has no honest time point
    "revision_prosthesis_series": 3,
}


@pytest.fixture
def findings(demo_findings: Findings) -> dict[str, AnalysisFinding]:
    return {entry.plan.id: entry for entry in demo_findings.analyses}


@pytest.mark.parametrize("analysis", sorted(TRUTHS))
def test_the_interval_reaches_the_truth(findings: dict[str, AnalysisFinding], analysis: str) -> None:
    found = findings[analysis]
    assert found.result is not None, analysis
    answer = found.result.to_json()["back_transformed"]
    factor = 100 if found.plan.measure == "rate" else 1  # rates are told per 100 thumb-years
    low, high = (factor * limit for limit in answer["interval"])
    truth = TRUTHS[analysis] if isinstance(TRUTHS[analysis], list) else [TRUTHS[analysis]]
    # The zero planted in DEMO-13 puts secondary_mp_fusion near the edge: the score interval that one study's risk
    # difference gets just reaches its truth, where Wald's missed it.
    reaches = low <= max(truth) and high >= min(truth)
    assert reaches, (low, high, truth)


def test_the_truths_lie_in_the_intervals_as_often_as_they_should(
    findings: dict[str, AnalysisFinding],
) -> None:
    """Of all truths about 95 % in the 95 % intervals, and about two thirds in their inner halves.

    Limits are the 0.5 % points of binomial distributions with 0.95 and 0.67 (the normal probability of half the
    distance; common practice, no source). Analyses share studies, so that this is a coarse net: it catches intervals
    that are too narrow or that lie beside the truth, not a coverage of 93 %.
    """
    inside = inner = count = 0
    for analysis, truth in TRUTHS.items():
        result = findings[analysis].result
        if result is None:
            continue
        answer = result.to_json()["back_transformed"]
        factor = 100 if findings[analysis].plan.measure == "rate" else 1
        low, middle, high = (
            factor * x for x in (*answer["interval"][:1], answer["estimate"], answer["interval"][1])
        )
        if min(low, middle, min(truth) if isinstance(truth, list) else truth) > 0:  # ratios, rates and risks
            low, middle, high = (math.log(x) for x in (low, middle, high))
            ends = [math.log(x) for x in (truth if isinstance(truth, list) else [truth])]
        else:
            ends = truth if isinstance(truth, list) else [truth]
        nearest = min(max(middle, min(ends)), max(ends))
        reach = high - middle if nearest > middle else middle - low
        away = abs(nearest - middle) / reach
        count, inside, inner = count + 1, inside + (away <= 1), inner + (away <= 0.5)
    assert count >= 20
    assert inside >= stats.binom.ppf(0.005, count, 0.95), (inside, count)
    assert inner >= stats.binom.ppf(0.005, count, 0.67), (inner, count)


@pytest.mark.parametrize("analysis", sorted(STUDIES))
def test_the_number_of_studies(findings: dict[str, AnalysisFinding], analysis: str) -> None:
    result = findings[analysis].result
    assert result is not None
    assert result.to_json()["k"] == STUDIES[analysis]


def test_planted_defects_are_told_and_not_lost(findings: dict[str, AnalysisFinding]) -> None:
    found = findings

    def aside(analysis: str) -> str:
        return " | ".join(f"{entry.study}: {entry.reason}" for entry in found[analysis].set_aside)

    assert "DEMO-07" in aside("pinch_lrti")
    assert "measured, not reported" in aside("pain_lrti")
    assert "DEMO-10" in aside("revision_prosthesis")
    assert "DEMO-20" in aside("complications_prosthesis_series")
    assert "DEMO-01" in aside("revision_lrti")
    steps = " | ".join(str(entry) for entry in found["pinch_prosthesis"].assumptions)
    assert "DEMO-09" in steps and "DEMO-10" in steps
    assert any("mixes techniques" in note for note in found["complications_lrti"].notes)
    labels = [part.name for part in found["complications_lrti"].by_design]
    assert labels == ["randomised", "comparative"]
