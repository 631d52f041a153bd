"""A plan carried out on hand-built records: answers, sub-totals, other choices, and answers that do not exist."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from statsmodels.stats.contingency_tables import StratifiedTable

from metakit.core.plans import OutcomePlan
from metakit.core.values import FollowUp
from metakit.errors import Problem, UnknownNameError, UsageError
from metakit.synthesis.estimate import ROUNDED
from metakit.synthesis.findings import AnalysisFinding, Findings
from metakit.synthesis.run import result_matrix, synthesise
from tests.unit.synthesis.invented import (
    Folder,
    arm,
    counted,
    measured,
    plan,
    protocol,
    series,
    series_plan,
    study,
    trial,
)


def found(asked, *studies, **facts) -> AnalysisFinding:
    return carried_out(asked, *studies, **facts).analyses[0]


def carried_out(asked, *studies, **facts) -> Findings:
    return synthesise(Folder(protocol=protocol(asked, **facts), studies=studies))


def cohort(id_: str, events_1: int, events_2: int, total: int = 60, **facts):
    return trial(
        id_, events_1, events_2, total, design="prospective_cohort", design_group="comparative", **facts
    )


FOUR = (trial("1", 6, 9), trial("2", 4, 8), cohort("3", 7, 9), cohort("4", 5, 12))


# Independent route: statsmodels StratifiedTable pools the same four tables by Mantel-Haenszel.
def test_mantel_haenszel_of_the_plan_equals_statsmodels() -> None:
    answer = found(plan("odds_ratio", model="mantel_haenszel", zero_cells="none"), *FOUR)
    tables = [
        np.array([[a, n - a], [c, n - c]], dtype=float)
        for a, c, n in ((6, 9, 40), (4, 8, 40), (7, 9, 60), (5, 12, 60))
    ]
    reference = StratifiedTable(tables)
    assert answer.result is not None
    assert answer.result.estimate == pytest.approx(reference.logodds_pooled, rel=1e-12)
    assert answer.result.standard_error == pytest.approx(reference.logodds_pooled_se, rel=1e-10)


@pytest.mark.walk
def test_designs_get_sub_totals_and_the_whole_is_labelled() -> None:
    answer = found(plan(), *FOUR)
    assert [(part.name, part.studies) for part in answer.by_design] == [
        ("randomised", ("Study 1", "Study 2")),
        ("comparative", ("Study 3", "Study 4")),
    ]
    assert any(
        "By design, randomised trials (2)" in text and "all designs together" in text
        for text in answer.sentences
    )
    assert any("without randomisation are included" in text for text in answer.cautions)
    pure = found(plan(), *FOUR[:2])
    assert not any("without randomisation" in text for text in (*pure.cautions, *pure.sentences))


def test_absolute_effect_and_directions_stand_in_the_finding() -> None:
    answer = found(plan(), *FOUR)
    assert answer.absolute is not None
    assert (answer.absolute.baseline_events, answer.absolute.baseline_total) == (38, 200)
    assert answer.absolute.baseline == pytest.approx(100 * 38 / 200, rel=0.05)  # pooled, not merely added up
    assert (answer.left_words, answer.right_words) == (
        "fewer complications after LRTI",
        "more complications after LRTI",
    )


def test_other_models_stand_beside_the_planned_one() -> None:
    answer = found(plan(), *FOUR)
    names = [row.name for row in answer.sensitivity]
    assert {"random_effects", "common_effect", "mantel_haenszel"} <= set(names)
    assert answer.result is not None and answer.result.model not in names  # it is the headline
    assert "bayesian" not in names  # the headline integrates the spread already
    assert not any(
        name.startswith(("icc", "definition", "per_event")) for name in names
    )  # nothing to vary there


def test_other_correlations_are_tried_where_patients_have_two_thumbs() -> None:
    both = (arm("A", thumbs=40, patients=30), arm("B", "trapeziectomy", thumbs=40, patients=32))
    answer = found(plan(), *(trial(str(n), 6 + n, 9, arms=both) for n in range(3)))
    rows = {row.name: row.answer.result for row in answer.sensitivity}
    assert {"icc_0", "icc_0.5"} <= set(rows)
    none, half = rows["icc_0"], rows["icc_0.5"]
    assert none is not None and half is not None and answer.result is not None
    variances = [result.studies[0].variance for result in (none, answer.result, half)]
    assert variances == sorted(variances)
    assert variances[0] < variances[2]


def test_each_definition_is_also_answered_alone() -> None:
    listed = "any_complication_listed"
    other = study("5", counted("A", 6, definition=listed), counted("B", 7, definition=listed))
    answer = found(plan(), *FOUR, other)
    rows = {row.name: row.answer.result for row in answer.sensitivity}
    assert rows["definition_any_complication_author"].k == 4
    assert rows["definition_any_complication_listed"].k == 1
    assert any("do not define this outcome alike" in note for note in answer.notes)
    assert any("do not count this outcome alike" in text for text in answer.cautions)
    assert {item.definition: item.fits for item in answer.definitions} == {
        "any_complication_author": True,
        listed: True,
    }


def test_bounds_of_event_totals_are_a_sensitivity_analysis() -> None:
    counts_events = study("5", counted("A", None, event_count=9, counted="per_event"), counted("B", 7))
    answer = found(plan(), *FOUR, counts_events)
    rows = {row.name: row.answer.result for row in answer.sensitivity}
    assert rows["per_event_fewest"].k == rows["per_event_most"].k == 5
    assert answer.result.k == 4


def test_means_are_also_answered_without_medians_and_with_borrowed_spread() -> None:
    typed = [study(str(n), measured("A", 20.0 + n, 15.0), measured("B", 24.0, 16.0)) for n in range(3)]
    median = study(
        "7", measured("A", median=20.0, first_quartile=10.0, third_quartile=30.5), measured("B", 24.0, 16.0)
    )
    bare = study("8", measured("A", 21.0), measured("B", 24.0, 16.0))
    answer = found(plan("mean_difference", "dash"), *typed, median, bare)
    rows = {row.name: row.answer.result for row in answer.sensitivity}
    assert answer.result.k == 4
    assert rows["without_medians"].k == 3
    assert rows["borrowed_spread"].k == 5
    assert any("change of one patient" in text for text in answer.cautions)


# A model of whole numbers only gets effective numbers rounded, and says so.
@pytest.mark.walk
def test_effective_numbers_are_rounded_for_a_model_of_whole_numbers_and_it_is_said() -> None:
    both = (arm("A", thumbs=40, patients=36), arm("B", "trapeziectomy", thumbs=40, patients=37))
    events = ((0, 2), (1, 3), (2, 2), (1, 1), (0, 4), (3, 5))
    answer = found(
        plan(model="one_stage"), *(trial(str(n), a, c, arms=both) for n, (a, c) in enumerate(events))
    )
    assert answer.result is not None, answer.answer.reason
    assert answer.result.model == "one_stage"
    assert ROUNDED in answer.notes


def test_an_answer_that_does_not_exist_is_a_finding_with_a_sentence() -> None:
    nothing = found(plan(), series("1", counted("A", 3)))
    assert nothing.result is None
    assert nothing.sentences == ("No answer: no study of this review has a usable result for it.",)
    assert nothing.cautions == ()
    zeros = found(plan(), trial("1", 0, 0), trial("2", 0, 0))
    assert zeros.result is None
    assert "Study 1" in zeros.sentences[0] or "events" in zeros.sentences[0]
    assert {item.study for item in zeros.set_aside} == {"Study 1", "Study 2"}
    assert json.dumps(zeros.to_json(), allow_nan=False)


def test_one_study_is_shown_as_it_is() -> None:
    answer = found(plan(), FOUR[0])
    assert answer.result.model == "single_study"
    assert answer.result.estimate == pytest.approx(math.log(6 / 9), rel=1e-12)
    assert answer.sentences[0].startswith("One study leaves open which it is, fewer complications")
    assert answer.cautions[0].startswith("The interval is unreliable: only 1 study")


def test_series_are_described_and_never_compared() -> None:
    records = [series(str(n), counted("A", 3 + n)) for n in range(4)]
    answer = found(series_plan(), *records)
    assert answer.by_design == ()
    assert answer.absolute is None
    assert answer.left_words == ""
    assert "about 11 in 100 had any complication after denervation" in answer.sentences[0]
    assert any("cannot show that one technique is better" in text for text in answer.cautions)


def test_rates_of_revision_carry_their_cautions() -> None:
    follow_up = FollowUp(mean=18.0)
    arms = (arm("A", "prosthesis_ball_socket", follow_up=follow_up),)
    values = {
        "outcome": "revision_index",
        "definition": "revision_index",
        "time_label": "last_follow_up",
        "months": None,
    }
    records = [series(str(n), counted("A", 1 + n, **values), arms=arms) for n in range(3)]
    asked = plan(
        "rate", "revision_index", techniques=("prosthesis_ball_socket",), techniques_label="total prosthesis"
    )
    text = " ".join(found(asked, *records).cautions)
    assert "only 3 studies and only 6 events" in text
    assert "treats all years alike" in text
    assert "reluctance to revise" in text
    assert "under two years says nothing about the wear" in text


def test_names_that_the_protocol_lacks_are_errors_with_the_nearest() -> None:
    with pytest.raises(UnknownNameError, match="lrti_vs_t"):
        found(plan(comparison="lrti_vs_tt"), *FOUR)
    with pytest.raises(UnknownNameError, match="dash"):
        found(
            plan("mean_difference", "dash"),
            *FOUR,
            outcomes=(OutcomePlan(outcome="quickdash", importance="critical", window="12_months"),),
        )
    with pytest.raises(UnknownNameError, match="risk_ratio"):
        found(plan("risk_ratioo"), *FOUR)
    with pytest.raises(UsageError, match="DASH needs a measure of means"):
        found(plan("risk_ratio", "dash"), *FOUR)


def test_the_matrix_tells_silence_from_zero() -> None:
    records = (
        trial("1", 3, 5),
        study(
            "2", counted("A", None, reporting="reported_zero"), counted("B", None, reporting="reported_zero")
        ),
        study("3", counted("A", None, None, reporting="measured_not_reported")),
        study("4", measured("A", 50.0, 15.0, kind="baseline")),
    )
    matrix = result_matrix(protocol(), records)
    assert [matrix[str(n)]["any_complication"] for n in range(1, 5)] == [
        "reported",
        "reported_zero",
        "measured_not_reported",
        "not_reported",
    ]
    assert matrix["4"]["dash"] == "not_reported"  # a value before surgery is no result


def test_findings_carry_what_it_takes_to_get_them_again() -> None:
    question = Problem(file="records/1.yaml", what="mean age 84?", line=3, severity="question")
    folder = Folder(
        protocol=protocol(plan()), studies=FOUR, questions=(question,), inputs=(("protocol.yaml", "ab12"),)
    )
    steps: list[str] = []
    whole = synthesise(folder, progress=steps.append)
    text = json.dumps(whole.to_json(), allow_nan=False)
    assert steps == ["analysis 1 of 1: main"]
    assert whole.inputs == {"protocol.yaml": "ab12"}
    assert {"Python", "metakit", "numpy", "scipy"} <= set(whole.versions)
    for part in ("mean age 84?", "ab12", "records/x.yaml:7:3", "page 3, table 1"):
        assert part in text
    assert json.dumps(synthesise(folder).to_json()) == text


def test_the_order_of_studies_does_not_change_an_answer() -> None:
    one, other = found(plan(), *FOUR), found(plan(), *reversed(FOUR))
    assert one.result.estimate == pytest.approx(other.result.estimate, rel=1e-12)
    assert one.sentences[0] == other.sentences[0]


@pytest.mark.lengthy
def test_swapping_the_sides_turns_a_ratio_round() -> None:
    swapped = [trial(str(n), c, a) for n, (a, c) in enumerate(((6, 9), (4, 8), (7, 9)))]
    straight = [trial(str(n), a, c) for n, (a, c) in enumerate(((6, 9), (4, 8), (7, 9)))]
    one, other = found(plan("odds_ratio"), *straight).result, found(plan("odds_ratio"), *swapped).result
    assert one.estimate == pytest.approx(-other.estimate, rel=1e-9)
    assert one.interval.lower == pytest.approx(-other.interval.upper, rel=1e-9)
