"""The appraisal in a record, outcome by outcome, with the proposal of the rule beside the person's level."""

from __future__ import annotations

from typing import Any

from metakit.review.appraisal import ALL, appraisal_of, overall_of
from tests.unit.synthesis.appraised import TRIAL, judged, trial_appraisal
from tests.unit.synthesis.invented import trial


def test_one_outcome_judged_apart_takes_the_rest_from_the_general_judgements() -> None:
    rows = trial_appraisal("LLLSL", overall="some_concerns")
    rows.append(judged("measurement", "low", outcome="revision_index"))
    study = trial("1", 3, 4, fields={"appraisal": {"instrument": TRIAL, "judgements": rows}})
    appraisal = appraisal_of(study)
    assert appraisal is not None
    assert appraisal.outcomes == ("revision_index",)
    levels = {row.domain: row.level for row in appraisal.for_outcome("revision_index")}
    assert levels == dict.fromkeys(appraisal.domains, "low")
    assert [row.domain for row in appraisal.for_outcome("dash")] == list(appraisal.domains)
    # The person's general level does not cover an outcome whose domains were judged apart.
    general, apart = appraisal.overall("dash"), appraisal.overall("revision_index")
    assert (general.level, general.confirmed, general.changed) == ("some_concerns", True, False)
    assert (apart.level, apart.confirmed, apart.concern) == ("low", False, "low")


def test_a_changed_level_keeps_the_proposal_and_the_reason() -> None:
    rows = trial_appraisal("LLHLL", overall="some_concerns", changed_because="losses were few and alike")
    found = overall_of(trial("1", 3, 4, fields={"appraisal": {"instrument": TRIAL, "judgements": rows}}), ALL)
    assert found is not None and found.changed
    assert (found.level, found.proposed, found.concern) == ("some_concerns", "high", "some")
    said = found.to_json()
    assert said["proposed"] == "high" and said["level"] == "some_concerns"
    assert said["basis"] == "high in missing results"
    assert said["changed_because"] == "losses were few and alike"
    assert said["page"] == "2" and said["reason"]


def test_domains_without_a_judgement_are_named_and_nothing_is_proposed() -> None:
    rows: list[dict[str, Any]] = trial_appraisal("LLLLL")[:3]
    found = overall_of(trial("1", 3, 4, fields={"appraisal": {"instrument": TRIAL, "judgements": rows}}), ALL)
    assert found is not None and found.incomplete
    assert (found.level, found.concern) == ("", "")
    assert found.basis == "not judged: How the outcome was measured, Choice of the reported result"


def test_a_study_without_an_appraisal_has_none() -> None:
    for fields in ({}, {"appraisal": {"instrument": TRIAL, "judgements": []}}, {"appraisal": "not_reported"}):
        assert appraisal_of(trial("1", 3, 4, fields=fields)) is None
        assert overall_of(trial("1", 3, 4, fields=fields), ALL) is None


def test_json_holds_every_judgement_with_reason_and_page() -> None:
    rows = trial_appraisal("LLLSL", overall="some_concerns")
    study = trial(
        "1", 3, 4, fields={"appraisal": {"instrument": TRIAL, "assessor": "AB", "judgements": rows}}
    )
    appraisal = appraisal_of(study)
    assert appraisal is not None
    said = appraisal.to_json()
    assert [row["domain"] for row in said["judgements"]] == list(appraisal.domains)
    assert all(row["reason"] and row["page"] for row in said["judgements"])
    assert said["overall"][0]["proposed"] == said["overall"][0]["level"] == "some_concerns"
    assert (said["assessor"], said["source"]) == ("AB", "Sterne 2019, BMJ 366:l4898")
