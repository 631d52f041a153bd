"""The report's section on how the records were made."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from metakit.core.limits import Limits
from metakit.report.sections.extraction import build
from metakit.review.extraction import Extraction
from metakit.review.reconciling.reconcile_agreement import OverallAgreement


def content(**facts: Any) -> dict[str, Any]:
    nothing: dict[str, Any] = {
        "reconciled": (), "declared": (), "unreconciled": (), "single": (), "waiting": {}, "people": (), "decisions": (),
    }  # fmt: skip
    names = {f"S-{number}": f"S-{number} Unit" for number in range(1, 6)}
    findings = SimpleNamespace(studies=("a study",), names=names, extraction=Extraction(**(nothing | facts)))
    built = build(SimpleNamespace(findings=findings))  # type: ignore[arg-type]
    assert built is not None
    return dict(built)


def test_two_extractors_with_their_agreement_and_decisions() -> None:
    decision = {
        "study": "S-1", "field": "arms[A].women", "AB": "12", "CD": "21", "decision": "CD", "other_value": "",
        "decided_by": "EF", "decided_on": "2026-03-01", "reason": "table 1",
    }  # fmt: skip
    other = decision | {"decision": "other", "other_value": "22", "decided_by": "AB and CD"}
    overall = OverallAgreement(
        n=1200, same=1198, kappa=0.9, kappa_interval=Limits(0.8, 0.95), fields_in_kappa=3
    )
    built = content(
        reconciled=("S-1", "S-2"), people=("AB", "CD"), decisions=(decision, other), overall=overall
    )
    text = " ".join(built["sentences"])
    assert "2 of 2 records were typed by two extractors each" in text and "(AB and CD)" in text
    assert "1,198 of 1,200 values the same (99.8 %)" in text and "0.90 (95 % interval 0.80 to 0.95)" in text
    assert "2 disagreements were settled, each with a reason, by EF; by AB and CD." in text
    assert built["warnings"] == []
    assert [row["settled"] for row in built["decisions"]] == ["21 (CD)", "22 (other)"]
    assert built["decisions"][0]["typed"] == [("AB", "12"), ("CD", "21")]
    assert built["decisions"][0]["what"] == "arm A: women"


def test_records_that_two_people_have_not_agreed_are_all_named() -> None:
    built = content(
        declared=("S-1",), unreconciled=("S-2",), single=("S-3",), waiting={"S-9": ("AB",)}, people=("AB", "CD"),
        not_compared="no study was typed by two people",
    )  # fmt: skip
    assert built["sentences"][0].startswith("None of 3 records was reconciled here")
    assert "no study was typed by two people" in built["sentences"][1]
    single, unreconciled, declared, waiting = built["warnings"]
    assert "one person only: S-3 Unit" in single
    assert "two people who have not agreed yet: S-2 Unit" in unreconciled
    assert "without a reconciliation in the history: S-1 Unit" in declared
    assert "S-9 was typed by AB and waits" in waiting and "in no answer" in waiting
