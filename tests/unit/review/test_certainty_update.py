"""The certainty file is brought up to date without touching what people typed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from metakit.core.records import CertaintyJudgement
from metakit.decision.certainty import certainty_of
from metakit.decision.worksheet import proposal_entry
from metakit.errors import DataError
from metakit.forms.library import shipped
from metakit.review.certainty import certainty_text
from metakit.review.certainty_update import saved_judgements, update_certainty, updated_text
from tests.unit.decision.bodies import body, studies

FIRST = proposal_entry(certainty_of(body()))
SECOND = replace(proposal_entry(certainty_of(body(studies=studies("high", "low")))), analysis="second")


def read(folder: Path) -> tuple[CertaintyJudgement, ...]:
    return tuple(replace(item, place=None) for item in saved_judgements(folder, shipped()))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    update_certainty(tmp_path, (), (FIRST, SECOND))
    return tmp_path


def test_what_says_the_same_stays_to_the_letter(folder: Path) -> None:
    file = folder / "certainty.yaml"
    typed = file.read_text(encoding="utf-8").replace("judged:", "judged: 0  # so said the panel", 1)
    typed = "# our own heading\n" + typed + "# the end\n"
    file.write_text(typed, encoding="utf-8")
    old = read(folder)
    update_certainty(folder, old, old)
    assert file.read_text(encoding="utf-8") == typed


def test_comments_and_judgements_survive_another_proposal(folder: Path) -> None:
    file = folder / "certainty.yaml"
    text = file.read_text(encoding="utf-8")
    text = text.replace(" judged:", " judged: -1  # so said the panel", 1).replace(
        "  because:", "  because: ours", 1
    )
    text = text.replace("  - analysis: second", "  # about the second\n  - analysis: second")
    file.write_text(text, encoding="utf-8")
    old = read(folder)
    fresh = replace(
        old[0],
        answer="risk ratio 0.55 (0.41 to 0.70), 5 studies",
        domains=(replace(old[0].domains[0], proposed=-2), *old[0].domains[1:]),
        rests_on=(*old[0].rests_on[:-1], replace(old[0].rests_on[-1], value="another")),
    )
    update_certainty(folder, old, (fresh, old[1]))
    after = file.read_text(encoding="utf-8")
    assert read(folder) == (fresh, old[1])
    assert "judged: -1  # so said the panel" in after
    assert "# about the second" in after
    assert after[after.index("- analysis: second") :] == text[text.index("- analysis: second") :]


def test_an_entry_without_comments_is_written_spread_out_and_a_new_one_put_behind(folder: Path) -> None:
    file = folder / "certainty.yaml"
    old = read(folder)
    fresh, third = replace(old[0], answer="another"), replace(SECOND, analysis="third")
    update_certainty(folder, old, (fresh, old[1], third))
    assert read(folder) == (fresh, old[1], third)
    expected = certainty_text((fresh, old[1], third))
    assert file.read_text(encoding="utf-8") == expected


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_files_in_braces_and_with_other_line_ends_are_kept(folder: Path, line_end: str) -> None:
    file = folder / "certainty.yaml"
    text = file.read_text(encoding="utf-8").replace("\n", line_end)
    file.write_bytes(text.encode())
    old = read(folder)
    fresh = replace(old[1], answer="another")
    update_certainty(folder, old, (old[0], fresh, replace(SECOND, analysis="third")))
    assert [item.answer for item in read(folder)] == [old[0].answer, "another", SECOND.answer]
    assert (b"\r\n" in file.read_bytes()) == (line_end == "\r\n")


def test_a_list_in_braces_takes_changes_and_new_entries(tmp_path: Path) -> None:
    typed = """form: certainty
form_version: 1
judgements: [{analysis: complications, answer: "an older one", start: high, domains: [{domain: imprecision, proposed: 0, judged: 0}]}]
"""
    (tmp_path / "certainty.yaml").write_text(typed, encoding="utf-8")
    old = read(tmp_path)
    update_certainty(tmp_path, old, (replace(old[0], answer="another"), SECOND))
    assert [item.answer for item in read(tmp_path)] == ["another", SECOND.answer]
    assert read(tmp_path)[0].domains[0].judged == 0


def test_nothing_is_written_over_a_file_with_errors(folder: Path) -> None:
    file = folder / "certainty.yaml"
    broken = file.read_text(encoding="utf-8").replace("start: high", "start: middle", 1)
    file.write_text(broken, encoding="utf-8")
    with pytest.raises(DataError, match="middle"):
        saved_judgements(folder, shipped())
    assert file.read_text(encoding="utf-8") == broken


def test_updating_with_nothing_new_is_no_change() -> None:
    text = certainty_text((FIRST,))
    assert updated_text(text, (FIRST,), (FIRST,)) == text


SIGNED = replace(
    FIRST,
    domains=tuple(replace(line, judged=line.proposed, because="invented") for line in FIRST.domains),
    signed_by="Ada Example (invented)",
    signed_on="2026-03-02",
)
OLDER = replace(SIGNED, rests_on=(), covers=None)
BETWEEN = replace(SIGNED, analysis="second", covers=None)


def without(text: str, *starts: str) -> str:
    """Take out whole blocks, or lines, as somebody would in an editor."""
    kept, skipping = [], -1
    for line in text.splitlines():
        indent = len(line) - len(line.lstrip())
        if skipping >= 0 and (indent > skipping or not line.strip()):
            continue
        skipping = indent if line.strip().startswith(starts) else -1
        if skipping < 0:
            kept.append(line)
    return "\n".join(kept) + "\n"


def statuses(folder: Path) -> list[str]:
    return [certainty_of(body(), item).status for item in saved_judgements(folder, shipped())]


@pytest.mark.parametrize("out", [("rests_on:", "covers:"), ("covers:",), ("rests_on:",)])
def test_what_a_signature_rests_on_cannot_be_taken_out(tmp_path: Path, out: tuple[str, ...]) -> None:
    update_certainty(tmp_path, (), (SIGNED,))
    assert statuses(tmp_path) == ["signed"]
    file = tmp_path / "certainty.yaml"
    file.write_text(without(file.read_text(encoding="utf-8"), *out), encoding="utf-8")
    assert statuses(tmp_path) == ["outdated"]


def test_it_cannot_be_taken_out_of_one_of_several_in_a_file_from_last_year(tmp_path: Path) -> None:
    """The file does not yet say that it keeps facts, but another entry says how many it covers."""
    file = tmp_path / "certainty.yaml"
    text = certainty_text((OLDER, replace(SIGNED, analysis="second")))
    file.write_text(without(text, "keeps_facts:"), encoding="utf-8")
    assert statuses(tmp_path) == ["outdated", "signed"]


def test_signatures_from_before_facts_were_kept_stay_and_are_sealed_when_the_file_is_written(
    tmp_path: Path,
) -> None:
    file = tmp_path / "certainty.yaml"
    file.write_text(without(certainty_text((OLDER, BETWEEN)), "keeps_facts:"), encoding="utf-8")
    assert statuses(tmp_path) == ["signed", "signed"]
    old = read(tmp_path)
    update_certainty(tmp_path, old, (*old, replace(SIGNED, analysis="third")))
    text = file.read_text(encoding="utf-8")
    assert "keeps_facts: yes" in text and text.count("older: ") == 2
    assert statuses(tmp_path) == ["signed", "signed", "signed"]
    update_certainty(tmp_path, now := read(tmp_path), now)
    assert file.read_text(encoding="utf-8") == text
    # A seal fits its own entry alone, and only as it was.
    for changed in (without(text, "older:"), text.replace("judged: 0", "judged: -1", 1)):
        file.write_text(changed, encoding="utf-8")
        assert statuses(tmp_path)[0] == "outdated"
    seals = [line.split()[-1] for line in text.splitlines() if "older: " in line]
    file.write_text(
        text.replace(seals[0], "x").replace(seals[1], seals[0]).replace("x", seals[1]), encoding="utf-8"
    )
    assert statuses(tmp_path) == ["outdated", "outdated", "signed"]
