"""Bodies of evidence made by hand, each with just what a test is about."""

from __future__ import annotations

from typing import Any

from metakit.decision.evidence import EvidenceBody, StudyEvidence
from metakit.decision.thresholds import Thresholds

SMALLEST = Thresholds(smallest=5.0, unit="per 100 thumbs", source="invented")
SIZES = Thresholds(smallest=5.0, moderate=10.0, large=20.0, unit="per 100 thumbs", source="invented")


def studies(*levels: str, design: str = "randomised") -> tuple[StudyEvidence, ...]:
    instrument = {"randomised": "randomised_trial_domains", "comparative": "comparative_study_domains"}[
        design
    ]
    return tuple(
        StudyEvidence(
            name=f"study {number}", design_group=design, share=1 / len(levels), thumbs=50.0,
            instrument=instrument if level else "", judgement=level,
        )
        for number, level in enumerate(levels)
    )  # fmt: skip


def body(**facts: Any) -> EvidenceBody:
    defaults: dict[str, Any] = {
        "analysis": "complications",
        "answer": "risk ratio 0.50 (0.40 to 0.63), 4 studies",
        "outcome": "Any complication",
        "comparison": "LRTI against trapeziectomy alone",
        "technique": "LRTI",
        "comparator": "trapeziectomy alone",
        "importance": "critical",
        "lower_is_better": True,
        "unit": "per 100 thumbs",
        "measure": "risk_ratio",
        "level": 0.95,
        "studies": studies("low", "low", "low", "low"),
        "participants": 200.0,
        "events": 40.0,
        "ratio": (0.5, 0.4, 0.63),
        "difference": (-10.0, -12.0, -7.4),
        "spread": (-10.0, -10.0),
        "tau": 0.0,
        "tau_words": "tau 0.00",
        "thresholds": SMALLEST,
    }
    facts.setdefault("effect", facts.get("ratio") or facts.get("difference") or defaults["ratio"])
    facts.setdefault("null", 1.0 if (defaults | facts)["ratio"] is not None else 0.0)
    return EvidenceBody(**(defaults | facts))
