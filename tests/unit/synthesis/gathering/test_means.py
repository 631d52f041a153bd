"""From follow-up to thumb-years, and from whatever a report gives to a mean with its spread."""

from __future__ import annotations

import pytest
from scipy import stats

from metakit.core.records import ContrastValue
from metakit.core.values import FollowUp
from metakit.errors import UsageError
from metakit.measures.registry import MEASURES
from metakit.synthesis.gathering.arms import check_plan
from tests.unit.synthesis.invented import (
    arm,
    counted,
    gathered,
    measured,
    plan,
    reason_of,
    series_plan,
    study,
)


def revisions(arm_id: str, events: int, total: int = 40, **facts):
    shape = {
        "outcome": "revision_index",
        "definition": "revision_index",
        "time_label": "last_follow_up",
        "months": None,
    }
    return counted(arm_id, events, total, **(shape | facts))


def rate_of(follow_up: FollowUp, *, thumbs: int = 40, **facts):
    arms = (
        arm("A", follow_up=follow_up, thumbs=thumbs),
        arm("B", "trapeziectomy", follow_up=follow_up, thumbs=thumbs),
    )
    record = study("1", revisions("A", 2, thumbs, **facts), revisions("B", 1, thumbs, **facts), arms=arms)
    return gathered(plan("rate_ratio", "revision_index"), record)


def test_reported_thumb_years_are_taken_as_they_are() -> None:
    found = rate_of(FollowUp(mean=30.0, thumb_years=97.5, thumb_years_basis="reported"))
    assert found.studies[0].sides[0].numbers == {"events": 2, "time": 97.5}
    assert not found.assumptions


# Common practice, no source: thumbs times mean follow-up, else median; 40 x 30 months = 100 thumb-years.
@pytest.mark.parametrize(
    ("follow_up", "years", "rule"),
    [
        (FollowUp(mean=30.0, thumb_years=100.0, thumb_years_basis="derived_mean"), 100.0, "mean follow-up"),
        (FollowUp(mean=30.0), 100.0, "mean follow-up"),
        (FollowUp(median=24.0), 80.0, "median follow-up (too low"),
    ],
)
def test_thumb_years_are_derived_and_logged(follow_up: FollowUp, years: float, rule: str) -> None:
    found = rate_of(follow_up)
    assert found.studies[0].sides[0].numbers["time"] == pytest.approx(years)
    assert rule in found.assumptions[0].rule


def test_events_up_to_a_fixed_time_are_set_against_the_time_until_then() -> None:
    found = rate_of(
        FollowUp(mean=60.0, thumb_years=200.0, thumb_years_basis="reported"),
        months=24.0,
        time_label="24 months",
    )
    assert found.studies[0].sides[0].numbers["time"] == pytest.approx(80.0)
    assert "until then" in found.assumptions[0].rule


def test_without_any_follow_up_there_is_no_rate() -> None:
    assert "no follow-up time is reported" in reason_of(rate_of(FollowUp()), "Study 1")


def test_patients_over_thumb_years_are_refused() -> None:
    arms = (arm("A", thumbs=45, patients=36), arm("B", "trapeziectomy"))
    record = study("1", revisions("A", 2, 36, unit_of_analysis="patients"), revisions("B", 1), arms=arms)
    found = gathered(plan("rate_ratio", "revision_index"), record)
    assert "counted in patients, follow-up in thumbs" in reason_of(found, "Study 1")


def dash(*values, arms=None, measure="mean_difference", **choices):
    facts = {"arms": arms} if arms else {}
    return gathered(plan(measure, "dash"), study("1", *values, **facts), **choices)


def test_mean_and_sd_enter_as_typed_and_only_the_number_is_reduced() -> None:
    arms = (arm("A", thumbs=45, patients=35), arm("B", "trapeziectomy"))
    found = dash(measured("A", 20.0, 15.0, 45), measured("B", 24.0, 16.0), arms=arms)
    side = found.studies[0].sides[0]
    assert side.numbers == {"mean": 20.0, "sd": 15.0, "total": 45.0}
    assert side.effective["sd"] == 15.0
    assert side.effective["total"] == pytest.approx(39.7, abs=0.05)


# Cochrane Handbook 6.5.2.2: SD = SE x root n; from a 95 % interval by the t quantile (here 2.0227 for 39 df).
def test_spread_comes_from_the_first_form_that_is_reported() -> None:
    found = dash(measured("A", 20.0, standard_error=2.5), measured("B", 24.0, 16.0))
    assert found.studies[0].sides[0].numbers["sd"] == pytest.approx(15.8114, abs=1e-4)
    limits = measured("A", 20.0, interval_lower=15.0, interval_upper=25.0)
    found = dash(limits, measured("B", 24.0, 16.0))
    assert found.studies[0].sides[0].numbers["sd"] == pytest.approx(10 / (2 * 2.02269) * 40**0.5, rel=1e-5)
    assert found.assumptions[0].reference == "handbook"


# Luo 2018 and Wan 2014 for a median with quartiles; checked here through their own functions' published example shape.
def test_medians_are_derived_unless_they_are_skewed_or_not_wanted() -> None:
    symmetric = measured("A", n=60, median=20.0, first_quartile=10.0, third_quartile=30.5)
    found = dash(symmetric, measured("B", 24.0, 16.0))
    assert found.studies[0].sides[0].numbers["mean"] == pytest.approx(20.18, abs=0.02)
    assert {step.reference for step in found.assumptions} >= {"luo_2018", "wan_2014"}
    refused = dash(symmetric, measured("B", 24.0, 16.0), derive_from_median=False)
    assert "only a median" in reason_of(refused, "Study 1")
    skewed = measured("A", n=60, median=11.0, first_quartile=10.0, third_quartile=45.0)
    assert "look skewed" in reason_of(dash(skewed, measured("B", 24.0, 16.0)), "Study 1")


def test_a_mean_without_spread_is_set_aside_and_borrows_only_when_asked() -> None:
    values = (measured("A", 20.0), measured("B", 24.0, 16.0))
    assert "without any spread" in reason_of(dash(*values), "Study 1")
    found = dash(*values, borrowed_sd=14.0)
    assert found.studies[0].sides[0].numbers["sd"] == 14.0
    assert any("borrowed" in step.rule for step in found.assumptions)


def told(**facts) -> ContrastValue:
    return ContrastValue(
        arm="A", comparator="B", outcome="dash", months=12.0, time_label="12 months", **facts
    )


def compared(*values, **facts):
    return gathered(plan("mean_difference", "dash"), study("1", *values, contrasts=(told(**facts),)))


# Cochrane Handbook 6.5.2.3, its worked example: difference 3.8, p 0.008, 25 and 22 people give an SD of 4.68
# (t 2.78; from memory). scipy's t test of the two means with that SD gives the p value back.
def test_a_p_value_alone_gives_the_spread_of_both_arms_and_says_so() -> None:
    found = compared(measured("A", 23.8, n=25), measured("B", 20.0, n=22), p_value=0.008)
    for side in found.studies[0].sides:
        assert side.numbers["sd"] == pytest.approx(4.68, abs=0.01)
    sd = found.studies[0].sides[0].numbers["sd"]
    assert stats.ttest_ind_from_stats(23.8, sd, 25, 20.0, sd, 22).pvalue == pytest.approx(0.008, rel=1e-6)
    steps = [step for step in found.assumptions if "from the p value" in step.rule]
    assert len(steps) == 2
    assert all(step.reference == "handbook" and "p 0.008" in step.inputs for step in steps)
    bounded = compared(measured("A", 23.8, n=25), measured("B", 20.0, n=22), p_value=0.008, p_bound="<")
    assert any("upper bound" in step.inputs for step in bounded.assumptions)


def test_an_interval_of_the_difference_alone_gives_the_spread() -> None:
    # SE = width / (2 t), t(0.975, 45) = 2.01410; SD = SE / sqrt(1/25 + 1/22)
    found = compared(
        measured("A", 23.8, n=25), measured("B", 20.0, n=22), measure="mean_difference",
        interval_lower=1.0, interval_upper=6.6, interval_level=0.95,
    )  # fmt: skip
    expected = 5.6 / (2 * 2.014103) / (1 / 25 + 1 / 22) ** 0.5
    assert found.studies[0].sides[0].numbers["sd"] == pytest.approx(expected, rel=1e-5)
    assert any("interval of their difference" in step.rule for step in found.assumptions)


def test_a_typed_spread_is_never_replaced_by_what_is_said_about_both_arms() -> None:
    found = compared(measured("A", 23.8, 9.0, n=25), measured("B", 20.0, n=22), p_value=0.008)
    assert [side.numbers["sd"] for side in found.studies[0].sides] == [9.0, pytest.approx(4.68, abs=0.01)]


def test_what_says_nothing_about_the_spread_leaves_the_mean_aside() -> None:
    values = measured("A", 23.8, n=25), measured("B", 20.0, n=22)
    for facts in (
        {"p_value": 0.05, "p_bound": ">"},
        {"p_value": 0.008, "adjusted_for": "age"},
        {"p_value": 0.008, "measure": "standardized_mean_difference"},
    ):
        assert "without any spread" in reason_of(compared(*values, **facts), "Study 1")
    same = compared(measured("A", 20.0, n=25), measured("B", 20.0, n=22), p_value=0.5)
    assert reason_of(same, "Study 1")


# As seen in a published abstract: a sign is lost between the estimate and its interval.
def test_a_mean_outside_its_own_interval_is_set_aside() -> None:
    lost = measured("A", 4.0, interval_lower=-6.0, interval_upper=-2.0)
    assert "outside its own interval" in reason_of(dash(lost, measured("B", 24.0, 16.0)), "Study 1")


def test_baseline_values_never_enter_and_kinds_do_not_mix_within_a_study() -> None:
    before = measured("A", 50.0, 15.0, kind="baseline", months=0.0, time_label="before_surgery")
    found = dash(before, measured("A", 20.0, 15.0), measured("B", 24.0, 16.0))
    assert found.studies[0].sides[0].numbers["mean"] == 20.0
    found = dash(measured("A", -30.0, 15.0, kind="change"), measured("B", 24.0, 16.0))
    assert "one arm gives final values, the other changes" in reason_of(found, "Study 1")


# Cochrane Handbook 10.5.2: mean differences may mix final values and changes, standardised ones may not.
def test_kinds_mix_across_studies_only_for_mean_differences() -> None:
    finals = [study(str(n), measured("A", 20.0, 15.0), measured("B", 24.0, 16.0)) for n in (1, 2)]
    change = study("3", measured("A", -30.0, 15.0, kind="change"), measured("B", -26.0, 16.0, kind="change"))
    found = gathered(plan("mean_difference", "dash"), *finals, change)
    assert len(found.studies) == 3
    assert any("pooled together; changes: Study 3" in note for note in found.notes)
    found = gathered(plan("standardized_mean_difference", "dash"), *finals, change)
    assert [item.name for item in found.studies] == ["Study 1", "Study 2"]
    assert "gives changes from baseline" in reason_of(found, "Study 3")
    both_changes = [
        study(str(n), measured("A", -9.0, 5.0, kind="change"), measured("B", -8.0, 5.0, kind="change"))
        for n in (4, 5)
    ]
    assert (
        len(gathered(plan("standardized_mean_difference", "dash"), finals[0], change, *both_changes).studies)
        == 3
    )
    assert len(gathered(plan("ratio_of_means", "dash"), finals[0], change, *both_changes).studies) == 1


# Cochrane Handbook table 6.5.a: means 12.5 (SD 4.1, n 30) and 15.2 (5.3, 45) combine to 14.12 (5.0063, 75).
def test_arms_with_means_are_combined_with_the_spread_between_them() -> None:
    arms = (arm("A", thumbs=30), arm("C", thumbs=45), arm("B", "trapeziectomy"))
    found = dash(
        measured("A", 12.5, 4.1, 30), measured("C", 15.2, 5.3, 45), measured("B", 24.0, 16.0), arms=arms
    )
    numbers = found.studies[0].sides[0].numbers
    assert numbers["mean"] == pytest.approx(14.12)
    assert numbers["sd"] == pytest.approx(5.0063, abs=1e-4)
    assert numbers["total"] == 75


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (series_plan("risk_ratio"), "series never enter a comparative pool"),
        (plan("proportion"), "arms of comparative studies never enter"),
        (plan("generic"), "cannot be computed from study records"),
        (plan("survival", "implant_survival"), "arms of comparative studies never enter"),
        (plan("peto_odds_ratio", adjusted="only"), "what reports give ready"),
        (plan("odds_ratio", adjusted="prefer", model="peto"), "needs the counts of both arms"),
        (plan("mean_change"), "cannot be computed from study records"),
        (plan("risk_ratio", comparison="", techniques=()), "either a comparison or techniques"),
    ],
)
def test_an_impossible_plan_is_an_error_that_names_it(asked, words: str) -> None:
    with pytest.raises(UsageError, match="'main'") as error:
        check_plan(asked, MEASURES[asked.measure])
    assert words in str(error.value)
