"""The certainty file of a review: read with its places, kept when signed, outdated when the answer changes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from metakit.core.records import CertaintyJudgement, DomainJudgement
from metakit.decision.certainty import all_certainties, certainty_of, leftover
from metakit.decision.worksheet import proposal_entry, worksheet
from metakit.errors import UnknownNameError
from metakit.forms.library import shipped
from metakit.forms.reading import read_fields
from metakit.forms.yaml_nodes import read_bytes
from metakit.review.certainty import certainty_text, read_certainty
from metakit.review.typed_certainty import certainty_judgements, seal_of
from metakit.synthesis.run import synthesise
from tests.unit.decision.bodies import body, studies
from tests.unit.synthesis.invented import Folder, plan, protocol, trial

REFERENCE = Path(__file__).parents[2] / "reference" / "forms"
WEAK = body(
    studies=studies("high", "high"), ratio=(0.5, 0.4, 0.63), difference=(-10.0, -19.0, -1.0),
    answer="risk ratio 0.50 (0.40 to 0.63), 2 studies",
)  # fmt: skip


def signed(
    judged: int | None = -1, *, answer: str = WEAK.answer, because: str = "blind assessors"
) -> CertaintyJudgement:
    entry = proposal_entry(certainty_of(WEAK))
    domains = tuple(
        replace(line, judged=judged, because=because)
        if line.domain == "risk_of_bias"
        else replace(line, judged=line.proposed)
        for line in entry.domains
    )
    return replace(entry, domains=domains, answer=answer, signed_by="Ada Example", signed_on="2026-03-02")


def test_a_signature_keeps_both_the_proposal_and_the_judgement() -> None:
    found = certainty_of(WEAK, signed())
    assert (found.proposed, found.level, found.status) == ("very_low", "low", "signed")
    line = next(line for line in found.lines if line.proposal.domain == "risk_of_bias")
    assert (line.proposal.levels, line.levels, line.changed, line.because) == (
        -2,
        -1,
        True,
        "blind assessors",
    )


def test_another_answer_makes_the_signature_one_for_something_else() -> None:
    other = replace(signed(answer="risk ratio 0.70 (0.40 to 1.20), 3 studies"), rests_on=(), covers=None)
    found = certainty_of(WEAK, other)
    assert found.status == "outdated"
    assert not found.final
    assert found.status_words == "signed for something else, does not count"
    assert "risk ratio 0.70 (0.40 to 1.20), 3 studies when it was signed" in found.why_not
    assert found.level == found.proposed == "very_low"  # back to the proposal, not to what was judged


def test_a_draft_counts_but_is_never_final() -> None:
    draft = replace(signed(), signed_by="", signed_on="")
    found = certainty_of(WEAK, draft)
    assert (found.level, found.status, found.final) == ("low", "unsigned", False)


def test_a_signature_does_not_follow_when_the_appraisal_and_the_proposal_move() -> None:
    stronger = replace(WEAK, studies=studies("low", "low"))
    found = certainty_of(stronger, signed())
    assert (found.status, found.level) == ("outdated", "moderate")
    whats = [item.what for item in found.changes]
    assert whats == ["the appraisal of the studies", "proposal on risk of bias"]
    assert (found.changes[1].old, found.changes[1].new) == ("−2", "0")


def test_domains_beyond_todays_stay_part_of_what_was_signed() -> None:
    entry = signed()
    more = (*entry.domains, DomainJudgement(domain="incoherence", proposed=-1))
    assert certainty_of(WEAK, replace(entry, domains=more)).level == "very_low"


def test_text_reads_back_as_the_same_judgements(tmp_path: Path) -> None:
    group, _ = _read((REFERENCE / "certainty.yaml").read_bytes())
    first = certainty_judgements(group)
    assert [item.signed_by for item in first] == ["Ada Example", ""]
    sealed = replace(first[0], older=seal_of(first[0]))  # from before what it rests on was kept
    entries = (sealed, *first[1:], replace(signed(), note='says "no": and # more', analysis="third"))
    again, problems = _read(certainty_text(entries, invented=True).encode())
    assert problems == []
    assert [replace(item, place=None) for item in certainty_judgements(again)] == [
        replace(item, place=None) for item in entries
    ]
    assert "INVENTED" in certainty_text(entries, invented=True).splitlines()[0]


def _read(content: bytes):  # type: ignore[no-untyped-def]
    document = read_bytes(content, "certainty.yaml")
    assert document.root is not None
    return read_fields(document.root, shipped().form("certainty"))


def test_problems_have_their_places_and_unknown_analyses_their_nearest(tmp_path: Path) -> None:
    text = (REFERENCE / "certainty.yaml").read_text(encoding="utf-8")
    (tmp_path / "certainty.yaml").write_text(
        text.replace("judged: 0", "judged: none").replace("analysis: dash_lrti", "analysis: dash_lrto"),
        encoding="utf-8",
    )
    plan_text = (REFERENCE / "review" / "protocol.yaml").read_bytes()
    document = read_bytes(plan_text, "protocol.yaml")
    assert document.root is not None
    plan_group, _ = read_fields(document.root, shipped().form("protocol"))
    found = read_certainty(tmp_path, shipped(), plan_group)
    assert found is not None
    assert found.judgements == ()
    messages = [str(problem) for problem in found.problems]
    assert any("certainty.yaml:9:" in text and "judgements[1].domains[1].judged" in text for text in messages)
    assert any("has no such analysis" in text and "certainty.yaml:13:" in text for text in messages)
    assert read_certainty(tmp_path / "elsewhere", shipped(), plan_group) is None


def test_worksheet_keeps_what_was_signed_and_refreshes_what_was_not() -> None:
    now = certainty_of(WEAK)
    fresh = worksheet([now], {})
    assert fresh.added == ("complications",)
    assert fresh.judgements[0].domains[0].proposed == -2
    assert "Open:" in fresh.judgements[0].domains[2].proposed_because
    kept = worksheet([certainty_of(WEAK, signed())], {"complications": signed()})
    assert kept.judgements == (signed(),)
    assert kept.signed == ("complications",)
    draft = replace(signed(-1), signed_by="", signed_on="", answer="an older answer")
    again = worksheet([certainty_of(WEAK, draft)], {"complications": draft})
    assert again.unsigned == ("complications",)
    assert again.judgements[0].answer == WEAK.answer
    assert (again.judgements[0].domains[0].judged, again.judgements[0].domains[0].because) == (
        -1,
        "blind assessors",
    )


def test_renewing_moves_the_signature_into_the_history() -> None:
    old = replace(signed(answer="an older answer"), rests_on=(), covers=None)
    current = certainty_of(WEAK, old)
    assert worksheet([current], {"complications": old}).outdated == ("complications",)
    found = worksheet([current], {"complications": old}, renew=["complications"])
    entry = found.judgements[0]
    assert (entry.signed_by, entry.answer) == ("", WEAK.answer)
    assert entry.earlier[0].certainty == "low"
    assert (entry.earlier[0].signed_by, entry.earlier[0].answer) == ("Ada Example", "an older answer")
    assert entry.domains[0].judged == -1
    with pytest.raises(UnknownNameError, match="complications"):
        worksheet([current], {"complications": old}, renew=["complication"])


def test_judgements_of_a_review_without_an_answer_are_named() -> None:
    judgement = replace(signed(), analysis="gone")
    folder = replace(
        Folder(protocol=protocol(plan()), studies=(trial("1", 6, 10), trial("2", 5, 9))),
        judgements=(judgement,),
    )
    findings = synthesise(folder)  # type: ignore[arg-type]
    certainties = all_certainties(findings)
    assert [item.body.analysis for item in certainties] == ["main"]
    assert leftover(findings, certainties) == (judgement,)
    assert worksheet(certainties, {"gone": judgement}).judgements[-1] == judgement
