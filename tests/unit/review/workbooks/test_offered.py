"""The lists of study workbooks: a review's own outcomes and techniques, other terms still possible."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest

from metakit.forms.library import shipped
from metakit.review.folder import read_protocol
from metakit.review.sheets import write_sheets
from metakit.review.workbooks.offered import offering

DEMO = Path(__file__).resolve().parents[4] / "demo_studies"


def protocol():
    return replace(read_protocol(DEMO), networks=())


def test_only_the_reviews_own_terms_are_offered() -> None:
    plan = protocol()
    form = offering(shipped().form("study"), plan)
    outcome, technique = form.find("outcomes.outcome"), form.find("arms.technique")
    assert outcome is not None and technique is not None
    assert set(outcome.terms) == {item.outcome for item in plan.outcomes}
    assert set(technique.terms) == {
        name
        for item in plan.comparisons
        for name in (*item.technique, *item.comparator)
    } | {name for item in plan.analyses for name in item.techniques}  # fmt: skip
    assert outcome.open_list and technique.open_list
    design = form.find("design.type")
    assert design is not None and not design.open_list
    assert design.terms == shipped().form("study").find("design.type").terms  # type: ignore[union-attr]


def test_a_network_of_all_techniques_offers_all() -> None:
    plan = read_protocol(DEMO)
    assert any(not network.techniques for network in plan.networks)
    technique = offering(shipped().form("study"), plan).find("arms.technique")
    assert technique is not None and not technique.open_list


@pytest.mark.lengthy
def test_the_drop_down_warns_and_does_not_stop(tmp_path: Path) -> None:
    (path,) = write_sheets(tmp_path / "study.xlsx", review=DEMO)
    sheet = openpyxl.load_workbook(path)["outcomes"]
    lists = [rule for rule in sheet.data_validations.dataValidation if rule.type == "list"]
    outcome = next(rule for rule in lists if rule.promptTitle == "outcome")
    assert outcome.errorStyle == "warning"
    assert all(rule.errorStyle != "warning" for rule in lists if rule.promptTitle == "reporting")
