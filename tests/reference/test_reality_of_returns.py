"""Published aggregate figures of thumb-base surgery, held against what the code makes of their own counts.

Each number is from an abstract (status: published; read as an abstract). They say nothing of causes; they hold
the rates that causes are parts of: per 100 procedure-years and per 100 operated thumbs.
"""

from __future__ import annotations

import pytest

import metakit
from metakit.core.causes import StudyReturns
from metakit.models.causes_of_return.causes import pool_causes

# Lane JCE et al. 2021, BMJ Open 11:e045614: further thumb-base procedures after 43,076 operations in England.
FURTHER = {"any surgery": 1.39, "simple trapeziectomy": 1.12, "arthroplasty": 3.84, "arthrodesis": 3.5}
OPERATIONS = 43_076

# Ganhewa AD et al. 2019, J Hand Surg Am 44:728-741: failures per 100 procedure-years.
FAILURES = {
    "total joint replacement": 2.4,
    "hemiarthroplasty": 2.5,
    "trapeziectomy": 0.49,
    "fusion": 0.52,
    "trapeziectomy with ligament reconstruction": 0.23,
}


@pytest.mark.parametrize(("what", "percent"), FURTHER.items())
def test_further_procedures_per_100_thumbs(what: str, percent: float) -> None:
    again = round(OPERATIONS * percent / 100)
    found = metakit.causes(
        {
            "study": ["England 1998 to 2017"] * 2,
            "cause": ["residual_bone", "other"],
            "thumbs": [again // 3, again - again // 3],
            "total": [OPERATIONS] * 2,
        }
    ).overall
    assert found.all_per_thumb is not None
    assert 100 * found.all_per_thumb.median == pytest.approx(percent, abs=0.005)
    parts = sum(answer.per_thumb.mean for answer in found.causes)
    assert parts == pytest.approx(found.all_per_thumb.mean, rel=1e-12)


@pytest.mark.parametrize(("what", "rate"), FAILURES.items())
def test_failures_per_100_procedure_years(what: str, rate: float) -> None:
    """Five like studies at the published rate: the pooled rate is that rate, whatever the causes are."""
    studies = [
        StudyReturns(
            study=f"{what} {number}",
            counts={"implant_loosening": round(10 * rate), "infection": round(40 * rate) - round(10 * rate)},
            returned=round(40 * rate),
            time=4000.0,
        )
        for number in range(5)
    ]
    found = pool_causes(studies)
    assert found.all_per_thumb_year is not None
    assert 100 * found.all_per_thumb_year.median == pytest.approx(rate, rel=0.03)
    parts = sum(answer.per_thumb_year.mean for answer in found.causes)
    assert parts == pytest.approx(found.all_per_thumb_year.mean, rel=1e-12)


def test_the_invented_review_is_of_the_order_of_the_published_rates(demo_findings) -> None:
    """Trapeziectomy with ligament reconstruction fails less than total replacement does, as published."""
    causes = demo_findings.trouble.returns.causes
    rates = {item.technique: item.all_per_thumb_year.median for item in causes.by_technique}
    prostheses = [rate for name, rate in rates.items() if name.startswith("Total prosthesis")]
    assert rates["LRTI"] < 2 * min(prostheses)
    assert 0.001 < rates["LRTI"] < 0.05
