"""`metakit certainty` on the demonstration review: proposals, signatures, and what the report shows of them."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from metakit.forms.bundled import demo_studies
from metakit.workbench import open_review
from tests.short_plan import with_only

KEPT = (
    "complications_lrti",
    "nerve_lrti",
    "dash_lrti",
    "complications_ball",
    "complications_button",
    "pain_prosthesis",
)


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("certainty") / "review"
    shutil.copytree(demo_studies(), folder)
    # A short plan: the judged analyses and one more, so that the test is quick.
    plan = folder / "protocol.yaml"
    plan.write_text(with_only(plan.read_text(encoding="utf-8"), KEPT), encoding="utf-8")
    return folder


@pytest.mark.walk
def test_json_says_status_reasons_and_absolute_effects(metakit_command, review: Path) -> None:
    before = (review / "certainty.yaml").read_bytes()
    said = metakit_command("certainty", review, "--json")
    assert said.status == 0, said.err
    assert (review / "certainty.yaml").read_bytes() == before
    found = {item["analysis"]: item for item in said.answer["certainty"]}
    status = {name: item["status"] for name, item in found.items() if item["status"] != "unsigned"}
    # What the demonstration plants (tests/demo/invented/judgements.py).
    assert status == {
        "complications_lrti": "signed",
        "dash_lrti": "signed",
        "complications_ball": "signed",
        "complications_button": "outdated",
    }
    dash = found["dash_lrti"]
    assert (dash["proposed"], dash["certainty"], dash["signed_by"]) == (
        "low",
        "moderate",
        "Bram Overlook (invented)",
    )
    assert found["pain_prosthesis"]["certainty"] == "very_low"  # a draft counts and stays unsigned
    assert all(line["reason"] for item in found.values() for line in item["domains"])
    baselines = found["complications_lrti"]["baselines"]
    assert baselines[0]["kind"] == "comparator_arms"
    assert all(item["interval_with_its_uncertainty"] for item in baselines)


@pytest.mark.walk
def test_the_file_is_written_checked_and_renewed(metakit_command, review: Path) -> None:
    said = metakit_command("certainty", review)
    assert said.status == 0, said.err
    assert "1 signed for something else" in said.err
    text = (review / "certainty.yaml").read_text(encoding="utf-8")
    assert "INVENTED DEMONSTRATION DATA" in text.splitlines()[0]
    assert text.count("- analysis: ") == len(KEPT)
    asked = metakit_command("check", review)
    assert [line for line in asked.err.splitlines() if "certainty.yaml" in line and "error" in line] == []
    again = metakit_command("certainty", review, "--renew", "complications_button")
    assert again.status == 0
    judged = {item.analysis: item for item in open_review(review).folder.judgements}
    renewed = judged["complications_button"]
    assert (renewed.signed_by, renewed.earlier[0].signed_by) == ("", "Ada Quillfeather (invented)")
    assert judged["dash_lrti"].signed_by == "Bram Overlook (invented)"
    wrong = metakit_command("certainty", review, "--renew", "complications_buttons")
    assert wrong.status == 2
    assert "complications_button" in wrong.err


@pytest.mark.lengthy
def test_damage_is_told_with_its_place(metakit_command, review: Path) -> None:
    path = review / "certainty.yaml"
    sound = path.read_text(encoding="utf-8")
    path.write_text(sound.replace("domain: imprecision", "domain: impreciseness", 1), encoding="utf-8")
    said = metakit_command("check", review)
    path.write_text(sound, encoding="utf-8")
    assert said.status == 1
    assert "certainty.yaml:" in said.err
    assert "impreciseness" in said.err


@pytest.mark.walk
def test_what_somebody_saves_while_it_computes_is_kept(
    metakit_command, review: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from metakit.decision import certainty as module

    path = review / "certainty.yaml"
    before = path.read_text(encoding="utf-8")
    whole = module.all_certainties

    def saved_meanwhile(findings):  # type: ignore[no-untyped-def]
        found = whole(findings)
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace("A draft; to be discussed.", "Discussed.  # by both"), encoding="utf-8")
        return found

    monkeypatch.setattr(module, "all_certainties", saved_meanwhile)
    said = metakit_command("certainty", review)
    after = path.read_text(encoding="utf-8")
    path.write_text(before, encoding="utf-8")
    assert said.status == 0, said.err
    assert "Discussed.  # by both" in after


@pytest.mark.walk
def test_a_signature_in_part_is_named_and_asked_about(metakit_command, review: Path) -> None:
    path = review / "certainty.yaml"
    sound = path.read_text(encoding="utf-8")
    path.write_text(
        sound.replace(
            "{domain: publication_bias, proposed: 0, judged: 0,", "{domain: publication_bias, proposed: 0,", 1
        ),
        encoding="utf-8",
    )
    asked, said = metakit_command("check", review), metakit_command("certainty", review)
    path.write_text(sound, encoding="utf-8")
    assert "publication bias is not judged, so the signature does not count" in asked.err
    assert "1 signed in part, does not count: complications_lrti" in said.err
    assert "complications_lrti: Signed in part: publication bias not judged." in said.err


def test_nobody_signs_on_a_day_to_come(metakit_command, review: Path) -> None:
    path = review / "certainty.yaml"
    sound = path.read_text(encoding="utf-8")
    path.write_text(sound.replace("signed_on: 2026-03-03", "signed_on: 2999-01-01"), encoding="utf-8")
    said = metakit_command("check", review)
    path.write_text(sound, encoding="utf-8")
    assert said.status == 1
    assert "nobody has signed on a day to come; found: 2999-01-01; allowed: today or earlier" in said.err
