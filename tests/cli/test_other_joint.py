"""The example for the first MTP joint goes the whole way, in its own words, and nothing of the thumb leaks."""

from __future__ import annotations

import json
import re
import shutil
import zipfile
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest

from metakit.core.nouns import nouns
from metakit.forms.bundled import forms_folder
from metakit.forms.library import asks, shipped, use_forms_of, vocabulary
from metakit.forms.specs import GROUP, FieldSpec, Form

EXAMPLE = forms_folder() / "examples" / "first_mtp" / "review"
OURS = re.compile(
    r"thumb(?!nail)|trapezi|trapezo|scapho|metacarp|osteophyte|\bmp\b|mp_|\bdash\b|pinch|\bst_|hand surgery|wrist",
    re.IGNORECASE,
)


@pytest.fixture
def toes(tmp_path: Path) -> Iterator[Path]:
    yield Path(shutil.copytree(EXAMPLE, tmp_path / "toes"))
    use_forms_of(tmp_path)


def words_of(path: Path) -> str:
    """Return what a reader of a file reads."""
    if path.suffix == ".docx":
        with zipfile.ZipFile(path) as package:
            parts = [
                name for name in package.namelist() if name.endswith(".xml") and name.startswith("word/")
            ]
            text = " ".join(package.read(name).decode() for name in parts)
    else:
        text = path.read_text(encoding="utf-8")
    if path.suffix in (".html", ".docx", ".svg"):
        text = re.sub(r"<(script|style)\b.*?</\1>", " ", text, flags=re.DOTALL)
        text = unescape(re.sub(r"<[^>]*>", " ", text))
    return text


def paths_of(form: Form) -> Iterator[tuple[str, ...]]:
    """Yield the path of every field of a form."""

    def below(specs: tuple[FieldSpec, ...], path: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
        for spec in specs:
            yield (*path, spec.name)
            yield from below(form.fields_of(spec) if spec.type == GROUP else (), (*path, spec.name))

    yield from below(form.sections, ())


def test_forms_of_a_review_come_in_force_and_go_again(toes: Path) -> None:
    assert "trapeziectomy" in vocabulary("techniques")
    use_forms_of(toes)
    assert "fusion" in vocabulary("techniques") and "trapeziectomy" not in vocabulary("techniques")
    assert not asks("arms.mp_preoperative") and asks("arms.thumbs.analysed")
    assert nouns().said("thumbs") == "toes"
    assert shipped().form("unit").find("volume.thumbs_a_year") is not None
    use_forms_of(toes.parent)
    assert "trapeziectomy" in vocabulary("techniques") and nouns().said("thumbs") == "thumbs"


@pytest.mark.parametrize("name", ["protocol", "unit"])
def test_its_forms_ask_what_the_shipped_ones_ask(toes: Path, name: str) -> None:
    """All but what only thumbs have: the joint next door, osteophytes."""
    ours = {".".join(path) for path in paths_of(shipped().form(name))}
    use_forms_of(toes)
    theirs = {".".join(path) for path in paths_of(shipped().form(name))}
    assert theirs <= ours
    assert all(re.search("mp_|st_option|osteophyte_option|option_pairs", path) for path in ours - theirs)


def test_the_example_has_no_problem(metakit_command, toes: Path) -> None:
    said = metakit_command("check", toes)
    assert (said.status, said.out.strip()) == (0, "") or said.status == 0, said.err


@pytest.mark.lengthy
def test_problems_are_told_in_its_own_words(metakit_command, toes: Path) -> None:
    path = toes / "records" / "TOE-1.yaml"
    path.write_text(
        path.read_text().replace("toes: {analysed: 30}", "toes: {analysed: -3}"), encoding="utf-8"
    )
    said = metakit_command("check", toes)
    assert said.status == 1
    assert "TOE-1.yaml:" in said.err and "toes.analysed" in said.err and "thumb" not in said.err


@pytest.mark.walk
def test_two_extractors_agree_in_their_own_words(metakit_command, toes: Path) -> None:
    said = metakit_command("reconcile", toes)
    assert said.status == 0, said.err
    assert "foot_score" in said.out + said.err
    page = toes / "reconcile" / "disagreements.html"
    assert "78.7" in page.read_text(encoding="utf-8")
    assert not OURS.findall(words_of(page)) and not OURS.findall(said.out + said.err)


@pytest.mark.walk
def test_report_word_and_unit_page_hold_nothing_of_the_thumb(metakit_command, toes: Path) -> None:
    out = toes / "report"
    said = metakit_command("report", toes, "--out", out, "--word")
    assert said.status == 0, said.err
    unit = metakit_command("decide", toes, toes / "unit.yaml", "--out", toes / "unit")
    assert unit.status == 0, unit.err
    assert "of a year's 80 toes, plan for" in unit.out
    assert "spur removal: no study named here compares it with fusion" in unit.out
    read = [path for path in (*out.rglob("*"), *(toes / "unit").rglob("*"))
            if path.suffix in (".html", ".docx", ".svg", ".csv", ".md")]  # fmt: skip
    assert {".html", ".docx", ".svg", ".csv"} <= {path.suffix for path in read}
    for path in read:
        assert not (found := OURS.findall(words_of(path))), (path.name, found)
    assert not OURS.findall(unit.out)
    assert "toes" in words_of(out / "report.html") and "toes" in words_of(out / "report.docx")
    assert not [path for path in out.rglob("*") if "thumb" in path.name]
    links = re.findall(r'href="([^"#:]+)"', (out / "report.html").read_text(encoding="utf-8"))
    assert all((out / link).exists() for link in links)
    numbers = json.loads((toes / "unit" / "unit.json").read_text(encoding="utf-8"))
    assert numbers["unit"]["toes_a_year"] == 80
    assert [row["year"] for row in numbers["unit"]["baselines"][0]["years"]] == [2024, 2025]
