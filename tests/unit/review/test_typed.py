"""The typed view: composites expanded, units and signs converted exactly, nothing filled in from silence."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from metakit.core.values import OutcomeValue, Place
from metakit.review.folder import open_folder

SOUND = Path(__file__).parents[2] / "reference" / "forms" / "review"
REVIEW = open_folder(SOUND)
FIRST, SECOND = REVIEW.studies


def value(outcome: str, arm: str = "A", kind: str = "final") -> OutcomeValue:
    (found,) = [o for o in FIRST.outcomes if (o.outcome, o.arm, o.kind) == (outcome, arm, kind)]
    return found


def test_study() -> None:
    assert (FIRST.id, FIRST.label, FIRST.year, FIRST.cohort) == (
        "TEST-01",
        "TEST-01 Sandmere",
        2016,
        "sandmere_a",
    )
    assert (FIRST.design, FIRST.design_group, SECOND.design_group) == ("randomised", "randomised", "series")
    assert (FIRST.extractor, FIRST.status, SECOND.status) == ("AB", "agreed", "single")
    assert FIRST.fields["funding"]["implant_company_tie"] == "no"
    assert FIRST.fields["design"]["registration"] == "not_reported"
    assert FIRST.fields["extraction"]["date"] == "2026-05-04"
    assert SECOND.fields["funding"] == "not_reported"


def test_components_are_expanded() -> None:
    assert [arm.components for arm in FIRST.arms] == [
        ("trapeziectomy_total",),
        ("trapeziectomy_total", "lr_fcr_slip", "ti_fcr"),
        ("trapezium_preserved", "prosth_total_ballsocket"),
    ]
    assert FIRST.arms[0].partly_given == {"kwire_fixation": 7}


def test_numbers_of_arms_are_those_analysed_or_else_operated() -> None:
    assert [(arm.patients, arm.thumbs, arm.bilateral) for arm in FIRST.arms] == [
        (29, 30, 1),
        (30, 30, 0),
        (30, 33, 3),
    ]
    assert (SECOND.arms[0].patients, SECOND.arms[0].thumbs) == (40, 44)
    assert FIRST.arms[2].women is None
    assert FIRST.arms[1].age_mean is None


def test_follow_up_is_in_months_and_thumb_years_say_where_they_come_from() -> None:
    reported, mean, median = (arm.follow_up for arm in FIRST.arms)
    assert (reported.mean, reported.shortest, reported.longest, reported.lost) == (12.4, 11, 15, 2)
    assert (reported.thumb_years, reported.thumb_years_basis) == (31.1, "reported")
    assert mean.mean == pytest.approx(12.6)
    assert mean.thumb_years == pytest.approx(30 * 1.05)
    assert mean.thumb_years_basis == "derived_mean"
    # 52 weeks of 7 days in months of 365.25 / 12 days
    assert median.median == pytest.approx(52 * 7 / (365.25 / 12))
    assert median.thumb_years == pytest.approx(33 * 52 * 7 / 365.25)
    assert (median.mean, median.thumb_years_basis) == (None, "derived_median")


def test_sign_of_the_mp_angle() -> None:
    assert [arm.mp_preoperative_mean for arm in FIRST.arms] == [14, None, 12]
    angle = value("mp_hyperextension", "C")
    assert (angle.mean, angle.standard_deviation, angle.minimum, angle.maximum) == (9, 6, -2, 25)
    assert "sign turned" in angle.conversion


def test_counts_stay_as_typed() -> None:
    counted = value("any_complication")
    assert (counted.events, counted.total, counted.event_count, counted.percent) == (4, 30, 5, 13.3)
    assert (counted.counted, counted.definition, counted.reporting) == (
        "per_thumb",
        "any_complication_author",
        "reported",
    )
    assert counted.source == "page 5, table 3"
    zero = value("any_complication", "B")
    assert (zero.events, zero.reporting) == (0, "reported_zero")
    silent = value("crps")
    assert (silent.events, silent.total, silent.reporting, silent.months, silent.time_label) == (
        None,
        None,
        "not_reported",
        None,
        "last_follow_up",
    )
    per_event = SECOND.outcomes[0]
    assert (per_event.events, per_event.event_count, per_event.counted) == (None, 9, "per_event")


def test_units_are_converted_exactly_and_said() -> None:
    pounds, newtons = value("key_pinch"), value("tripod_pinch")
    assert pounds.mean == pytest.approx(9.9 * 0.45359237, rel=1e-15)
    assert pounds.standard_deviation == pytest.approx(3.1 * 0.45359237, rel=1e-15)
    assert pounds.conversion == "lb x 0.45359237 = kg, mean 9.9 lb = 4.49056 kg"
    assert newtons.mean == pytest.approx(50 / 9.80665, rel=1e-15)
    assert value("dash").conversion == ""


def test_intervals_quartiles_and_times() -> None:
    dash = value("dash")
    assert (dash.interval_lower, dash.interval_upper, dash.interval_level) == (15.1, 25.9, 0.95)
    other = value("dash", "B")
    assert (other.median, other.first_quartile, other.third_quartile, other.mean) == (19, 10, 31, None)
    baseline = value("dash", kind="baseline")
    assert (baseline.months, baseline.time_label) == (0, "before_surgery")
    assert value("key_pinch").months == pytest.approx(52 * 7 / (365.25 / 12))
    survival = value("implant_survival", "C")
    assert (survival.percent, survival.interval_lower) == (93.9, 80.2)


def test_a_number_of_unclear_unit_is_kept_in_the_record_and_not_used() -> None:
    unclear = SECOND.outcomes[1]
    assert unclear.mean is None
    assert "unit" in unclear.unusable
    assert SECOND.fields["outcomes"][1]["mean"] == 5.1


@pytest.mark.parametrize(
    ("old", "new", "outcome", "words"),
    [
        (
            "minimum: -25, maximum: 2, sign: positive_is_flexion",
            "minimum: -25, maximum: 2, sign: unclear",
            "mp_hyperextension",
            "which direction",
        ),
        ("measured_in: lb", "measured_in: not_reported", "key_pinch", "does not state the unit"),
    ],
)
def test_numbers_that_cannot_be_used_say_why(
    tmp_path: Path, old: str, new: str, outcome: str, words: str
) -> None:
    folder = Path(shutil.copytree(SOUND, tmp_path / "review"))
    record = folder / "records" / "test_01.yaml"
    text = record.read_text(encoding="utf-8")
    assert old in text
    record.write_text(text.replace(old, new, 1), encoding="utf-8")
    (found,) = [o for o in open_folder(folder).studies[0].outcomes if o.outcome == outcome]
    assert words in found.unusable
    assert found.mean is found.standard_deviation is found.minimum is None


def test_where_a_number_was_read(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(SOUND, tmp_path / "review"))
    record = folder / "records" / "test_01.yaml"
    text = record.read_text(encoding="utf-8").replace(
        "source: {page: 5, table: 3}", "source: {page: 5-6, figure: 2, digitised: yes}"
    )
    record.write_text(text, encoding="utf-8")
    assert open_folder(folder).studies[0].outcomes[0].source == "page 5-6, figure 2, read off the figure"


def test_places_lead_to_the_line() -> None:
    lines = (SOUND / "records" / "test_01.yaml").read_text(encoding="utf-8").splitlines()
    for outcome in FIRST.outcomes:
        assert isinstance(outcome.place, Place)
        assert outcome.place.file == "records/test_01.yaml"
        assert f"outcome: {outcome.outcome}," in lines[outcome.place.line - 1]
        assert lines[outcome.place.line - 1][outcome.place.column - 1] == "{"


def test_protocol() -> None:
    plan = REVIEW.protocol
    assert (plan.unit_of_analysis, plan.icc, plan.invented) == ("thumbs", 0.3, True)
    assert plan.outcomes[0].smallest_important_difference == 5
    assert plan.comparisons[0].technique == ("lrti",)
    assert [a.level for a in plan.analyses] == [0.95, 0.9, 0.95]
    assert plan.analyses[2].techniques == ("prosthesis_ball_socket",)
    assert plan.analyses[0].model is None
