"""A signature counts whole or not at all, and only for what it was given on."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from metakit.core.limits import Limits
from metakit.core.plans import ComparisonPlan
from metakit.core.records import CertaintyJudgement
from metakit.core.values import Band
from metakit.decision.certainty import Certainty, all_certainties, certainty_json, certainty_of
from metakit.decision.evidence import EvidenceBody
from metakit.decision.signatures import facts_of, same
from metakit.decision.thresholds import Thresholds
from metakit.decision.worksheet import proposal_entry
from metakit.synthesis.run import synthesise
from tests.unit.decision.bodies import SIZES, body, studies
from tests.unit.decision.test_signed_text import LITERAL
from tests.unit.synthesis.invented import COMPARISON, Folder, plan, protocol, trial
from tests.unit.synthesis.test_words import result

BODY = body(
    studies=studies("high", "some_concerns"), answer="risk ratio 0.50 (0.40 to 0.63), 2 studies",
    ratio=(0.5, 0.4, 0.63), difference=(-10.0, -19.0, -1.0), prediction=Limits(-25.0, 4.0),
    question="Which technique?", population="Adults", techniques="lrti against trapeziectomy",
    when="12 months", eligibility="counted: thumbs",
)  # fmt: skip
COHORTS = body(
    studies=studies("", "", design="comparative"), answer="risk ratio 1.29 (0.49 to 3.35), 2 studies",
    ratio=(1.29, 0.49, 3.35), difference=(2.0, -4.0, 18.0),
)  # fmt: skip


def whole(of: EvidenceBody, **facts: Any) -> CertaintyJudgement:
    """Return a whole signature over every proposal of today."""
    entry = proposal_entry(certainty_of(of))
    lines = tuple(replace(line, judged=line.proposed, because="invented reason") for line in entry.domains)
    return replace(entry, domains=lines, signed_by="Ada Example (invented)", signed_on="2026-03-02", **facts)


def judged(entry: CertaintyJudgement, domain: str, levels: int | None) -> CertaintyJudgement:
    lines = tuple(replace(line, judged=levels) if line.domain == domain else line for line in entry.domains)
    return replace(entry, domains=lines)


def test_a_whole_signature_counts() -> None:
    found = certainty_of(BODY, whole(BODY))
    assert (found.status, found.final, found.why_not, found.unanswered) == ("signed", True, "", ())


@pytest.mark.parametrize(
    ("changed", "what", "old", "new"),
    [
        ({"effect": (0.5, 0.4, 0.65)}, "the answer", "0.63", "0.65"),
        ({"difference": (-10.0, -19.0, -2.0)}, "the absolute difference", "−1", "−2"),
        ({"prediction": Limits(-25.0, 4.5)}, "the prediction interval", "4 ", "4.5"),
        ({"thresholds": SIZES}, "the thresholds", "5 per", "5, 10, 20 per"),
        ({"studies": studies("high", "high")}, "the appraisal of the studies", "some_concerns", "high"),
        ({"surrogate": True}, "the marks of indirectness", "nothing", "do not feel"),
        ({"unfit_definitions": (("any reoperation", ("study 0",)),)}, "the marks of indirectness", "", "study 0"),
        ({"not_reported": ("DEMO-02",)}, "results measured and not reported", "", "DEMO-02"),
        ({"question": "Which technique lasts?"}, "the question", "Which technique?", "Which technique lasts?"),
        ({"population": "Adults under 50"}, "the population", "Adults", "Adults under 50"),
        ({"technique": "suture button"}, "the comparison", "LRTI against", "(suture button against"),
        ({"comparison": "LRTI against nothing"}, "the comparison", "trapeziectomy alone", "LRTI against nothing"),
        ({"outcome": "Any reoperation"}, "the outcome", "complication", "Any reoperation, 12 months"),
        ({"when": "24 months"}, "the outcome", "12 months", "24 months"),
        ({"eligibility": "counted: patients"}, "who and what was eligible", "thumbs", "patients"),
        ({"studies": tuple(replace(item, months="12 to 60") for item in BODY.studies)},
         "the months of the studies' results", "nothing", "study 0: 12 to 60"),
        ({"techniques": "lrti against lr"}, "the techniques compared", "trapeziectomy", "against lr"),
    ],
)  # fmt: skip
def test_whatever_it_rests_on_takes_the_signature_away_with_old_and_new(
    changed: dict[str, Any], what: str, old: str, new: str
) -> None:
    entry = judged(whole(BODY), "imprecision", 0)  # a judgement that would show if it still counted
    now = replace(BODY, **changed)
    found = certainty_of(now, entry)
    assert (found.status, found.final) == ("outdated", False)
    change = next(item for item in found.changes if item.what == what)
    assert (old in (change.old or "nothing"), new in change.new) == (True, True)
    assert found.level == certainty_of(now).level
    (answer,) = certainty_json([found])["certainty"]
    assert {"what": what, "signed": change.old, "now": change.new} in answer["signature"]["changed_since"]


QUESTION = {"question", "population", "comparison", "techniques"}
WHO_AND_WHEN = {"outcome", "eligibility", "follow_up"}


def test_a_signature_from_before_outcome_and_eligibility_were_kept_stays_valid() -> None:
    facts = tuple(fact for fact in facts_of(BODY) if fact.what not in WHO_AND_WHEN)
    old = whole(BODY, rests_on=facts, covers=len(facts))
    assert certainty_of(BODY, old).final
    assert certainty_of(replace(BODY, when="24 months", eligibility="another"), old).final
    assert not certainty_of(replace(BODY, question="another"), old).final


def test_a_signature_from_before_the_question_was_kept_stays_valid() -> None:
    facts = tuple(fact for fact in facts_of(BODY) if fact.what not in QUESTION)
    old = whole(BODY, rests_on=facts, covers=None)
    assert certainty_of(BODY, old).final
    assert certainty_of(replace(BODY, question="another"), old).final
    assert not certainty_of(replace(BODY, thresholds=SIZES), old).final


@pytest.mark.parametrize("out", [{"question"}, QUESTION, {fact.what for fact in facts_of(BODY)}])
@pytest.mark.parametrize("now", [BODY, replace(BODY, thresholds=SIZES, question="another")])
def test_taking_out_what_it_rests_on_takes_the_signature_away(out: set[str], now: EvidenceBody) -> None:
    facts = tuple(fact for fact in facts_of(BODY) if fact.what not in out)
    found = certainty_of(now, whole(BODY, rests_on=facts))
    assert (found.status, found.level) == ("outdated", certainty_of(now).level)
    total = len(facts_of(BODY))
    kept = "1 entry" if len(facts) == 1 else f"{len(facts)} entries"
    assert f"the list of what it rests on: {total} entries when it was signed, {kept} now" in found.why_not


def test_the_entry_of_a_list_cannot_be_left_out_in_a_file_without_their_number() -> None:
    for out in (fact.what for fact in facts_of(BODY)):
        facts = tuple(fact for fact in facts_of(BODY) if fact.what != out)
        assert certainty_of(BODY, whole(BODY, rests_on=facts, covers=None)).status == "outdated", out


def test_the_way_a_question_is_broken_into_lines_is_no_change() -> None:
    assert certainty_of(replace(BODY, question="Which\n  technique?"), whole(BODY)).final


@pytest.mark.lengthy
def test_the_plan_is_part_of_what_a_pairwise_signature_rests_on() -> None:
    studies_ = (trial("1", 6, 10), trial("2", 5, 9))

    def judged_under(comparison: ComparisonPlan, **facts: Any) -> Certainty:
        plan_ = protocol(plan(), comparisons=(comparison,), **facts)
        return all_certainties(synthesise(Folder(protocol=plan_, studies=studies_)))[0]  # type: ignore[arg-type]

    first = judged_under(COMPARISON)
    entry = whole(first.body)
    assert certainty_of(judged_under(COMPARISON).body, entry).final
    wider = replace(COMPARISON, technique=(*COMPARISON.technique, "lr"))
    for now, what in (
        (judged_under(COMPARISON, question="Which lasts?"), "the question"),
        (judged_under(COMPARISON, population="Adults under 50"), "the population"),
        (judged_under(replace(COMPARISON, label="Something else")), "the comparison"),
        (judged_under(wider), "the techniques compared"),
        (judged_under(replace(COMPARISON, comparator_label="arthrodesis")), "the comparison"),
    ):
        found = certainty_of(now.body, entry)
        assert (found.status, what in [item.what for item in found.changes]) == ("outdated", True), what


def test_arms_are_told_by_all_that_restricts_them() -> None:
    wide = replace(COMPARISON, technique=("lrti", "lr"), comparator=("trapeziectomy",))
    assert wide.arms == replace(wide, technique=("lr", "lrti")).arms == "lr or lrti against trapeziectomy"
    narrow = replace(wide, mp_option_1=("none",), mp_before=Band(lower=20.0, lower_inside=True))
    assert narrow.arms == "lr or lrti, mp_option none against trapeziectomy; MP angle before surgery [20, )"


def test_another_proposal_takes_the_signature_away() -> None:
    entry = whole(BODY)
    lines = tuple(
        replace(line, proposed=0) if line.domain == "imprecision" else line for line in entry.domains
    )
    found = certainty_of(BODY, replace(entry, domains=lines))
    assert [item.what for item in found.changes] == ["proposal on imprecision"]


def test_a_part_is_named_and_does_not_count() -> None:
    found = certainty_of(BODY, judged(judged(whole(BODY), "imprecision", None), "publication_bias", None))
    assert (found.status, found.final) == ("partial", False)
    assert found.not_judged == ("imprecision", "publication_bias")
    assert found.why_not == "Signed in part: imprecision and publication bias not judged."
    # raising domains of trials cannot be judged and need not be
    assert certainty_of(BODY, judged(whole(BODY), "large_effect", None)).final


def test_raising_for_a_large_effect_needs_one() -> None:
    # Guyatt 2011 (GRADE 9, from memory): 2 or more, or its inverse, and an interval that leaves out no difference.
    entry = judged(whole(COHORTS), "large_effect", 1)
    found = certainty_of(COHORTS, entry)
    assert (found.status, found.final) == ("contradicted", False)
    assert "the interval of 1.29 (0.49 to 3.35) holds no difference" in found.why_not
    small = replace(COHORTS, ratio=(1.6, 1.2, 2.2), effect=(1.6, 1.2, 2.2))
    assert "not 2 or more" in certainty_of(small, judged(whole(small), "large_effect", 1)).why_not
    large = replace(COHORTS, ratio=(2.6, 1.4, 4.8), effect=(2.6, 1.4, 4.8))
    assert certainty_of(large, judged(whole(large), "large_effect", 1)).final


def test_trials_cannot_be_raised() -> None:
    found = certainty_of(BODY, judged(whole(BODY), "dose_response", 1))
    assert found.status == "contradicted"
    assert "without any randomised trial" in found.why_not


def test_a_start_is_not_changed_without_a_reason() -> None:
    entry = whole(BODY)
    assert certainty_of(BODY, replace(entry, start="low")).status == "contradicted"
    assert certainty_of(BODY, replace(entry, start="low", start_because="")).status == "contradicted"
    reasoned = replace(entry, start="low", start_because="allocation was by birth date in both")
    assert certainty_of(BODY, reasoned).final


def test_open_questions_without_an_answer_are_named() -> None:
    entry = whole(BODY)
    bare = replace(entry, domains=tuple(replace(line, because="") for line in entry.domains))
    found = certainty_of(BODY, bare)
    assert found.final
    assert set(found.unanswered) == {"inconsistency", "indirectness", "publication_bias"}


def test_a_signature_binds_numbers_and_not_their_spelling() -> None:
    old = replace(whole(BODY), rests_on=(), covers=None)
    for answer in (
        "risk ratio 0.50 (0.40 to 0.63), 2 studies",
        "risk ratio 0.5 (0.4 to 0.63), 2 studies",
        "risk ratio 0.500 (0.400 to 0.630), 2 studies",
    ):
        assert certainty_of(BODY, replace(old, answer=answer)).final, answer
    for answer in (
        "risk ratio 0.52 (0.40 to 0.63), 2 studies",
        "risk ratio 0.50 (0.40 to 0.63), 3 studies",
        "odds ratio 0.50 (0.40 to 0.63), 2 studies",
    ):
        assert certainty_of(BODY, replace(old, answer=answer)).status == "outdated", answer
    facts = tuple(replace(fact, value=fact.value.replace("0.63", "0.6300001")) for fact in facts_of(BODY))
    assert certainty_of(BODY, replace(whole(BODY), rests_on=facts)).final


def test_names_with_numbers_are_compared_letter_by_letter() -> None:
    assert same("5 per 100", "5.0 per 100")
    one = replace(BODY, studies=tuple(replace(s, name=f"TRIAL-10000{n}") for n, s in enumerate(BODY.studies)))
    two = replace(
        BODY, studies=tuple(replace(s, name=f"TRIAL-10000{n + 1}") for n, s in enumerate(BODY.studies))
    )
    assert "the studies" in [item.what for item in certainty_of(two, whole(one)).changes]


def test_unbounded_limits_are_kept_and_compared() -> None:
    wide = replace(BODY, effect=(0.5, 0.0, float("inf")), thresholds=Thresholds(smallest=5.0))
    assert certainty_of(wide, whole(wide)).final
    assert certainty_of(replace(wide, effect=(0.5, 0.0, 9.0)), whole(wide)).status == "outdated"


@pytest.mark.parametrize(("measure", "values", "k", "text"), LITERAL, ids=[text for *_, text in LITERAL])
def test_every_spelling_that_signatures_stand_under_is_read_as_its_numbers(
    measure: str, values: tuple[float, float, float], k: int, text: str
) -> None:
    from metakit.measures.natural import natural_values
    from metakit.measures.registry import MEASURES

    shown = natural_values(result(measure, *values, k=k), MEASURES[measure], None)
    effect = (shown.estimate, shown.lower, shown.upper)
    one = body(measure=measure, effect=effect, studies=studies(*["low"] * k), answer=text, informative=k)
    old = replace(whole(one), rests_on=(), covers=None, answer=text)
    assert certainty_of(one, old).final
    # a study more that the model cannot take is another count on the page, and the same numbers
    more = replace(one, studies=studies(*["low"] * (k + 1)), answer=text.replace(str(k), str(k + 1)))
    assert "the answer" not in [item.what for item in certainty_of(more, old).changes] or k == 1
    moved = replace(one, effect=(effect[0] * 1.5 + 1, *effect[1:]))
    assert certainty_of(moved, old).status == "outdated"
