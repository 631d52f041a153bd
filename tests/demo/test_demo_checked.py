"""The demonstration review passes its own form; only the planted defects raise questions."""

from __future__ import annotations

from pathlib import Path

import generate_demo
import pytest
import yaml

from metakit.review.check import check_paths
from tests import demonstration

FOLDER = Path(generate_demo.FOLDER)
EXPECTED = yaml.load(
    (Path(generate_demo.__file__).parent / "expected_questions.yaml").read_text(encoding="utf-8"),
    Loader=yaml.CSafeLoader,
)["questions"]
PLANTED = yaml.load((FOLDER / "true_values.yaml").read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)[
    "planted"
]


@pytest.mark.lengthy
def test_no_error_and_only_the_planted_questions() -> None:
    problems = check_paths([FOLDER]).problems
    assert [str(problem) for problem in problems if problem.severity == "error"] == []
    found = {(Path(problem.file).name.split("_")[0], problem.field) for problem in problems}
    assert found == {(entry["study"], entry["field"]) for entry in EXPECTED}
    assert len(problems) == len(EXPECTED)
    planted = {(entry["defect"], entry.get("study")) for entry in PLANTED}
    assert all((entry["planted"], entry["study"]) in planted for entry in EXPECTED)


def test_the_typed_records_hold_what_was_planted() -> None:
    studies = demonstration.studies()
    assert len(studies) == 30
    assert {study.design_group for study in studies.values()} == {"randomised", "comparative", "series"}
    assert studies["DEMO-10"].cohort == studies["DEMO-11"].cohort
    assert studies["DEMO-08"].arm("C").mixed
    assert studies["DEMO-07"].arm("B").partly_given == {"kwire_fixation": 61}
    assert set(studies["DEMO-01"].arm("B").components) == {
        "trapeziectomy_total",
        "lr_fcr_slip",
        "ti_fcr",
        "kwire_fixation",
    }
    bases = {arm.follow_up.thumb_years_basis for study in studies.values() for arm in study.arms}
    assert bases == {"reported", "derived_mean"}


@pytest.mark.parametrize(("study", "unit"), [("DEMO-05", "lb"), ("DEMO-10", "N")])
def test_strength_is_converted_to_kilograms(study: str, unit: str) -> None:
    record = demonstration.studies()[study]
    values = [value for value in record.outcomes if value.outcome == "key_pinch"]
    assert values
    for value in values:
        assert value.mean is not None and 3.5 < value.mean < 6.5
        assert unit in value.conversion
