"""Effects that reports give ready: hazard ratios, adjusted estimates, implant survival; who is arm 1."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
import yaml
from scipy import stats

from metakit.core.plans import BaselinePlan, OutcomePlan
from metakit.core.records import ContrastValue, StudyRecord
from metakit.core.values import FollowUp
from metakit.decision.analysis_body import body_of
from metakit.measures.registry import MEASURES
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool
from metakit.synthesis.analysis import analyse
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.gathering.reported_effects import READY_MEASURES, ready_effect
from metakit.synthesis.trace import analysis_step, contrast_step
from tests.unit.synthesis.invented import (
    arm,
    counted,
    gathered,
    plan,
    protocol,
    reason_of,
    series,
    series_plan,
    study,
    trial,
)

PUBLISHED = Path(__file__).resolve().parents[3] / "reference" / "published"
Z95 = float(stats.norm.ppf(0.975))


def said(measure: str = "hazard_ratio", **facts: Any) -> ContrastValue:
    shape: dict[str, Any] = {
        "arm": "A", "comparator": "B", "outcome": "revision_index", "months": None,
        "time_label": "last_follow_up", "measure": measure, "source": "page 4",
    }  # fmt: skip
    return ContrastValue(**(shape | facts))


def compared(
    id_: str, *contrasts: ContrastValue, events: tuple[int, int] | None = None, **facts: Any
) -> StudyRecord:
    """A trial that says how two arms compare; without events its arms tell nothing."""
    outcomes = []
    for arm_id, number in zip("AB", events or (), strict=False):
        outcomes.append(
            counted(arm_id, number, 500, outcome="revision_index", definition="revision_index",
                    months=None, time_label="last_follow_up")
        )  # fmt: skip
    return study(id_, *outcomes, contrasts=contrasts, **facts)


def ready(record: StudyRecord, measure: str = "hazard_ratio", **choices: Any) -> tuple[float, float]:
    found = gathered(plan(measure, "revision_index"), record, **({"adjusted": "prefer"} | choices))
    assert found.studies, found.set_aside
    effect, error = found.studies[0].ready.values()
    return effect, error


def answered(asked: Any, *studies: StudyRecord) -> AnalysisFinding:
    review = protocol(
        asked,
        outcomes=(
            *protocol(asked).outcomes,
            OutcomePlan(outcome="implant_survival", importance="critical", window="5_years"),
        ),
    )
    return analyse(asked, review, studies, display_names(studies))


# The worked trial of Tierney et al. 2007 (Trials 8:16): 229 and 256 deaths, hazard ratio 0.85 (0.71 to 1.02),
# p 0.075. Status: memory. The forms agree within their rounding, whatever a report gives.
@pytest.mark.parametrize(
    ("contrast", "events"),
    [
        (said(estimate=0.85, interval_lower=0.71, interval_upper=1.02, interval_level=0.95), None),
        (said(interval_lower=0.71, interval_upper=1.02, interval_level=0.95), None),
        (said(estimate=0.85, standard_error=0.0924), None),
        (said(estimate=0.85, p_value=0.075), None),
        (said(p_value=0.075), (229, 256)),
        (said(observed_minus_expected=-19.6, logrank_variance=229 * 256 / 485), None),
    ],
)
def test_every_form_gives_the_published_hazard_ratio(
    contrast: ContrastValue, events: tuple[int, int] | None
) -> None:
    effect, error = ready(compared("1", contrast, events=events))
    assert math.exp(effect) == pytest.approx(0.85, abs=0.006)
    assert error == pytest.approx(0.0924, abs=0.003)


def test_closed_forms_against_scipy() -> None:
    effect, error = ready(compared("1", said(estimate=1.7, p_value=0.03)))
    assert error == pytest.approx(math.log(1.7) / stats.norm.isf(0.015), rel=1e-12)
    assert effect == pytest.approx(math.log(1.7), rel=1e-12)
    effect, error = ready(compared("1", said(observed_minus_expected=4.5, logrank_variance=9.0)))
    assert (effect, error) == (pytest.approx(0.5, rel=1e-15), pytest.approx(1 / 3, rel=1e-15))
    effect, error = ready(
        compared("1", said("risk_difference", estimate=0.05, interval_lower=0.01, interval_upper=0.09,
                           interval_level=0.9, time_label="12 months", months=12.0)),
        "risk_difference",
    )  # fmt: skip
    assert (effect, error) == (0.05, pytest.approx(0.08 / (2 * stats.norm.ppf(0.95)), rel=1e-12))


@pytest.mark.parametrize("measure", READY_MEASURES)
def test_the_reversed_contrast_is_the_same_effect_with_the_other_sign(measure: str) -> None:
    """Arm 1 is the technique of interest, whichever way the report compares."""
    ratio = MEASURES[measure].scales[0].axis == "log"
    shape = {"estimate": 1.6 if ratio else 0.3, "standard_error": 0.2}
    outcome = "revision_index" if MEASURES[measure].family != "two_arm_means" else "dash"
    when = {"months": 12.0, "time_label": "12 months", "outcome": outcome}
    asked = plan(measure, outcome)
    one, other = (
        gathered(
            asked,
            study("1", contrasts=(said(measure, **shape, **when, arm=a, comparator=b),)),
            adjusted="never",
        )
        for a, b in (("A", "B"), ("B", "A"))
    )
    first, second = (tuple(found.studies[0].ready.values()) for found in (one, other))
    assert first == (-second[0], second[1])
    assert first[0] == pytest.approx(math.log(1.6) if ratio else 0.3)
    assert not any("turned" in step.rule for step in one.assumptions)
    assert any("direction turned" in step.rule for step in other.assumptions)


def test_a_p_value_takes_its_direction_from_the_events() -> None:
    for events, sign in (((229, 256), -1), ((256, 229), 1)):
        for a, b in (("A", "B"), ("B", "A")):
            effect, _ = ready(compared("1", said(p_value=0.075, arm=a, comparator=b), events=events))
            assert math.copysign(1, effect) == sign
    refused = gathered(
        plan("hazard_ratio", "revision_index"),
        compared("1", said(p_value=0.4), events=(7, 7)),
        adjusted="prefer",
    )
    assert "no sign" in reason_of(refused, "Study 1")


@pytest.mark.parametrize(
    ("contrast", "reason"),
    [
        (said(estimate=0.8), "without interval, standard error or p value"),
        (said(estimate=0.8, p_value=0.05, p_bound=">"), "from which no standard error follows"),
        (said(p_value=0.03), "a p value without the hazard ratio"),
        (said(estimate=1.0, p_value=0.9), "says nothing on the standard error"),
        (said(estimate=2.0, interval_lower=0.4, interval_upper=1.1), "outside its interval"),
        (said(estimate=0.8, standard_error=0.0), "a standard error"),
        (
            said(estimate=0.8, standard_error=0.3, outcome="implant_removal"),
            "gives no hazard ratio of these arms",
        ),
        (said("risk_ratio", estimate=0.8, standard_error=0.3), "gives no hazard ratio of these arms"),
    ],
)
def test_what_gives_no_standard_error_is_set_aside_with_its_reason(
    contrast: ContrastValue, reason: str
) -> None:
    found = gathered(plan("hazard_ratio", "revision_index"), compared("1", contrast), adjusted="prefer")
    assert not found.studies
    assert reason in reason_of(found, "Study 1")


def test_a_bound_of_p_gives_the_largest_error_and_says_so() -> None:
    found = gathered(
        plan("hazard_ratio", "revision_index"),
        compared("1", said(estimate=2.0, p_value=0.001, p_bound="<")),
        adjusted="never",
    )
    assert found.studies[0].ready["standard_error"] == pytest.approx(math.log(2) / stats.norm.isf(0.0005))
    assert "p < 0.001; taken as equal" in found.assumptions[0].inputs


CRUDE = said(estimate=1.5, standard_error=0.3)
ADJUSTED = said(estimate=1.2, standard_error=0.35, adjusted_for="age, stage")


@pytest.mark.parametrize(
    ("choice", "effects"),
    [
        ("prefer", {"Study 1": 1.2, "Study 2": 1.5, "Study 3": 1.2}),
        ("only", {"Study 1": 1.2, "Study 3": 1.2}),
        ("never", {"Study 1": 1.5, "Study 2": 1.5}),
    ],
)
def test_the_plan_says_which_effects_enter(choice: str, effects: dict[str, float]) -> None:
    records = (compared("1", CRUDE, ADJUSTED), compared("2", CRUDE), compared("3", ADJUSTED))
    found = gathered(plan("hazard_ratio", "revision_index"), *records, adjusted=choice)
    assert {item.name: math.exp(item.ready["log_hazard_ratio"]) for item in found.studies} == pytest.approx(
        effects
    )
    assert {item.study for item in found.set_aside} == {"Study 1", "Study 2", "Study 3"} - set(effects)


def test_adjusted_and_unadjusted_are_never_mixed_in_silence() -> None:
    records = (
        compared("1", ADJUSTED),
        compared("2", CRUDE),
        compared("3", CRUDE),
        compared("4", CRUDE, ADJUSTED),
    )
    found = answered(plan("hazard_ratio", "revision_index"), *records)
    note = next(text for text in found.notes if "pooled together" in text)
    assert (
        "adjusted in Study 1 (age, stage) and Study 4 (age, stage); unadjusted in Study 2 and Study 3" in note
    )
    rows = {row.name: row for row in found.sensitivity}
    for name, k in (("adjusted_only", 2), ("adjusted_never", 3)):
        result = rows[name].answer.result
        assert result is not None
        assert result.k == k
    alone = answered(plan("hazard_ratio", "revision_index", adjusted="never"), *records)
    assert not [text for text in alone.notes if "djusted" in text]


def test_a_hazard_ratio_is_told_in_words_without_an_absolute_effect() -> None:
    found = answered(plan("hazard_ratio", "revision_index"), *(compared(str(i), CRUDE) for i in range(4)))
    assert found.absolute is None
    # Four equal ratios of 1.5: the half-normal interval lies above 1 (Hartung and Knapp's held it).
    assert found.result is not None and found.result.interval.lower > 0
    assert "point to more revisions after LRTI than after trapeziectomy alone" in found.sentences[0]
    assert "hazard ratio 1.50" in found.sentences[0]
    assert any("one number for all of follow-up" in text for text in found.cautions)
    assert not any("0 events" in text for text in found.cautions)
    survived = said(estimate=0.5, standard_error=0.1, outcome="implant_survival")
    found = answered(
        plan("hazard_ratio", "implant_survival"), *(compared(str(i), survived) for i in range(4))
    )
    assert "longer implant survival after LRTI" in found.sentences[0]


@pytest.mark.parametrize(
    ("outcome", "ratio"), [("revision_index", 0.5), ("implant_survival", 0.5), ("revision_index", 1.6)]
)
def test_a_baseline_at_a_stated_time_tells_a_hazard_ratio_in_thumbs(outcome: str, ratio: float) -> None:
    """Altman & Andersen 1999 (BMJ 319:1492): the risk with the technique is 1 - (1 - risk)^HR at that time."""
    contrast = said(estimate=ratio, standard_error=0.2, outcome=outcome)
    found = answered(plan("hazard_ratio", outcome), *(compared(str(i), contrast) for i in range(4)))
    shape: dict[str, Any] = {
        "label": "register", "kind": "registry", "outcome": outcome, "events": 30.0, "thumbs": 300.0, "source": "table 2",
    }  # fmt: skip
    timeless, timed = BaselinePlan(**shape), BaselinePlan(**shape, months=60.0)
    alone = body_of(found, protocol(baselines=(timeless,)))
    assert alone is not None
    assert (alone.absolute, alone.difference) == ((), None)
    body = body_of(found, protocol(baselines=(timeless, timed)))
    assert body is not None
    (absolute,) = body.absolute
    assert absolute.baseline.label == "register, at 60 months"
    assert absolute.with_technique == pytest.approx(1 - 0.9**ratio, rel=1e-12)
    assert body.difference is not None
    assert body.difference[0] == pytest.approx(100 * (0.9 - 0.9**ratio), rel=1e-9)
    assert body.lower_is_better
    assert absolute.needed.benefit == (ratio < 1)


def test_two_pairs_of_arms_do_not_become_one_effect() -> None:
    arms = (arm("A"), arm("C"), arm("B", "trapeziectomy"))
    both = study("1", arms=arms, contrasts=(CRUDE, said(estimate=1.1, standard_error=0.3, arm="C")))
    one = study("2", arms=arms, contrasts=(CRUDE,))
    found = gathered(plan("hazard_ratio", "revision_index"), both, one, adjusted="prefer")
    assert "several pairs" in reason_of(found, "Study 1")
    assert [item.name for item in found.studies] == ["Study 2"]
    assert any("not in it: lrti C" in note for note in found.notes)


def test_the_longest_follow_up_is_taken_and_the_other_told() -> None:
    early = said(estimate=3.0, standard_error=0.4, months=24.0, time_label="24 months")
    late = said(estimate=1.5, standard_error=0.3, months=120.0, time_label="120 months")
    found = gathered(plan("hazard_ratio", "revision_index"), compared("1", early, late), adjusted="prefer")
    assert math.exp(found.studies[0].ready["log_hazard_ratio"]) == pytest.approx(1.5)
    assert any("further reported effects were not used (24 months)" in note for note in found.notes)


def test_bilateral_thumbs_inflate_the_error() -> None:
    """Handbook 23.1: 80 patients with 100 thumbs, b = (80 + 60)/100 = 1.4, design effect 1 + 0.4 x 0.3 = 1.12."""
    arms = (arm("A", thumbs=50, patients=40), arm("B", "trapeziectomy", thumbs=50, patients=40))
    record = compared("1", CRUDE, arms=arms)
    assert ready(record, icc=0.3)[1] == pytest.approx(0.3 * math.sqrt(1.12), rel=1e-12)
    assert ready(record, icc=0.0)[1] == 0.3


def test_ready_effects_equal_the_counts_that_they_come_from() -> None:
    """Fleiss 1993, seven aspirin trials (published/aspirin_fleiss.yaml): log OR -0.109, SE 0.033 either way."""
    source = yaml.load(
        (PUBLISHED / "aspirin_fleiss.yaml").read_text(encoding="utf-8"), Loader=yaml.CSafeLoader
    )
    columns = {name: [row[i] for row in source["rows"]] for i, name in enumerate(source["columns"])}
    table = effect_sizes(columns, measure="odds_ratio")
    records = []
    for i, (effect, variance) in enumerate(zip(table.effect, table.variance, strict=True)):
        reach = Z95 * math.sqrt(variance)
        ends = {"interval_lower": math.exp(effect - reach), "interval_upper": math.exp(effect + reach)}
        contrast = said("odds_ratio", estimate=math.exp(effect), **ends, interval_level=0.95,
                        outcome="any_complication", months=12.0, time_label="12 months")  # fmt: skip
        if i < 3:  # the others give their counts
            records.append(study(str(i), contrasts=(contrast,)))
        else:
            events = columns["events_1"][i], columns["events_2"][i]
            totals = columns["total_1"][i], columns["total_2"][i]
            arms = (arm("A", thumbs=totals[0]), arm("B", "trapeziectomy", thumbs=totals[1]))
            values = [counted(a, e, n) for a, e, n in zip("AB", events, totals, strict=True)]
            records.append(study(str(i), *values, arms=arms))
    found = answered(plan("odds_ratio", model="common_effect", adjusted="never"), *records)
    result, alone = found.result, pool(table, model="common_effect")
    assert result is not None
    assert result.k == 7
    assert result.estimate == pytest.approx(alone.estimate, rel=1e-12)
    assert result.estimate == pytest.approx(-0.109, abs=5e-4)
    assert result.standard_error == pytest.approx(0.033, abs=5e-4)
    assert any("effects are pooled by inverse variance" in note for note in found.notes)
    # The baseline comes from the arms that were counted; the other three trials give none.
    assert found.absolute is not None
    assert found.absolute.baseline_events == sum(columns["events_2"][3:])


def test_without_the_plans_word_ready_effects_stay_out_and_are_named() -> None:
    contrast = said("risk_ratio", estimate=1.4, standard_error=0.3, outcome="any_complication",
                    months=12.0, time_label="12 months")  # fmt: skip
    found = gathered(plan(), study("1", contrasts=(contrast,)), trial("2", 4, 6))
    assert [item.name for item in found.studies] == ["Study 2"]
    assert "'adjusted' in the plan would let in" in reason_of(found, "Study 1")


def test_wide_follow_up_and_other_windows_keep_ready_risks_out() -> None:
    late = said("risk_ratio", estimate=1.4, standard_error=0.3, outcome="any_complication",
                months=120.0, time_label="120 months")  # fmt: skip
    found = gathered(plan(), study("1", contrasts=(late,)), adjusted="prefer")
    assert "outside the window" in reason_of(found, "Study 1")
    uneven = FollowUp(mean=12.0, shortest=1.0, longest=120.0)
    last = said("risk_ratio", estimate=1.4, standard_error=0.3, outcome="any_complication")
    arms = (arm("A", follow_up=uneven), arm("B", "trapeziectomy", follow_up=uneven))
    found = gathered(plan(), study("1", contrasts=(last,), arms=arms), adjusted="prefer")
    assert "too uneven" in reason_of(found, "Study 1")


def survival(percent: float, **facts: Any) -> Any:
    shape = {
        "outcome": "implant_survival",
        "definition": "",
        "percent": percent,
        "months": 60.0,
        "time_label": "60 months",
    }
    return counted("A", None, None, **(shape | facts))


def test_survival_is_pooled_on_the_complementary_log_log_scale() -> None:
    """The reversed complementary log-log with the delta method, by hand (Kalbfleisch & Prentice, from memory)."""
    values = [
        survival(92.2, interval_lower=89.1, interval_upper=96.1, interval_level=0.95),
        survival(95.0, standard_error=1.5),
        survival(89.0, standard_error=2.0),
    ]
    wide = FollowUp(mean=70.0, shortest=3.0, longest=150.0)  # a stated time accounts for it
    records = [
        series(str(i), value, arms=(arm("A", "denervation", follow_up=wide),))
        for i, value in enumerate(values)
    ]
    asked = series_plan("survival", "implant_survival", model="common_effect")
    found = answered(asked, *records)
    result = found.result
    assert result is not None
    rows = [(0.922, (0.961 - 0.891) / (2 * Z95)), (0.95, 0.015), (0.89, 0.02)]
    effects = [-math.log(-math.log(s)) for s, _ in rows]
    variances = [(error / (s * math.log(s))) ** 2 for s, error in rows]
    weights = [1 / v for v in variances]
    mean = sum(w * y for w, y in zip(weights, effects, strict=True)) / sum(weights)
    assert result.estimate == pytest.approx(mean, rel=1e-6)
    assert "was about 9" in found.sentences[0]
    assert "in 100" in found.sentences[0]
    assert found.numbers[0].sides[0].numbers["survival"] == pytest.approx(0.922)


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        (survival(100.0, standard_error=0.0), "exactly 100 %"),
        (survival(95.0), "neither an interval nor a standard error"),
        (survival(95.0, standard_error=0.0), "standard error of 0"),
        (survival(95.0, interval_lower=96.0, interval_upper=99.0), "outside its interval"),
        (survival(95.0, standard_error=1.0, months=24.0), "outside the window"),
    ],
)
def test_survival_without_weight_is_set_aside(value: Any, reason: str) -> None:
    found = answered(series_plan("survival", "implant_survival"), series("1", value))
    assert reason in found.set_aside[0].reason


def test_survival_of_bilateral_patients_and_of_several_arms() -> None:
    value = survival(95.0, standard_error=2.0)
    one = series("1", value, arms=(arm("A", "denervation", thumbs=50, patients=40),))
    found = answered(series_plan("survival", "implant_survival"), one)
    # b = (40 + 30)/50 = 1.4, design effect 1.12
    assert found.numbers[0].sides[0].effective["standard_error"] == pytest.approx(0.02 * math.sqrt(1.12))
    from dataclasses import replace

    two = series("2", value, replace(value, arm="B"), arms=(arm("A", "denervation"), arm("B", "denervation")))
    found = answered(series_plan("survival", "implant_survival"), two)
    assert "several arms" in found.set_aside[0].reason


def test_the_middle_of_an_interval_stands_for_a_missing_estimate() -> None:
    found = ready_effect(
        said("mean_difference", interval_lower=1.0, interval_upper=5.0), MEASURES["mean_difference"]
    )
    assert found.value.effect == 3.0
    assert "middle of the interval" in found.rule


def test_the_path_of_a_ready_effect_starts_at_what_the_report_says() -> None:
    record = compared("1", ADJUSTED, file="records/one.yaml")
    found = answered(
        plan("hazard_ratio", "revision_index"), record, compared("2", CRUDE), compared("3", CRUDE)
    )
    step = contrast_step(ADJUSTED, record)
    assert step.arm_label == "lrti A against trapeziectomy B, hazard ratio, adjusted for age, stage"
    assert dict(step.numbers) == {"estimate": 1.2, "standard_error": 0.35}
    assert (step.source, step.place) == ("page 4", "records/one.yaml")
    entered = analysis_step(found, record, "Study 1")
    assert entered.used
    assert entered.effect == pytest.approx(math.log(1.2))
    assert any("adjusted for age, stage" in item.rule for item in entered.derivations)
    told = found.to_json()["numbers"][0]
    assert told["adjusted_for"] == "age, stage"
    assert told["reported_effect"] == {"log_hazard_ratio": math.log(1.2), "standard_error": 0.35}
