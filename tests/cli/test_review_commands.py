"""`new`, `check`, `report`, `demo`, `draw` from the outside, with the damage that people do to files."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
RECORD = "records/DEMO-01_quillmere.yaml"


@pytest.fixture
def review(tmp_path: Path) -> Path:
    """A review of three invented studies."""
    folder = tmp_path / "review"
    (folder / "records").mkdir(parents=True)
    shutil.copy(ROOT / "demo_studies" / "protocol.yaml", folder)
    for record in sorted((ROOT / "demo_studies" / "records").glob("DEMO-0[125]*.yaml")):
        shutil.copy(record, folder / "records")
    return folder


def state(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def edit(review: Path, change: Callable[[str], str]) -> None:
    path = review / RECORD
    before = path.read_text(encoding="utf-8")
    after = change(before)
    assert after != before
    path.write_text(after, encoding="utf-8")


def first_line_with(review: Path, words: str) -> int:
    lines = (review / RECORD).read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, start=1) if words in line)


DAMAGE: dict[str, tuple[Callable[[str], str], list[str]]] = {
    "a bracket deleted": (lambda text: text.replace("{", "", 1), ["DEMO-01"]),
    "52 events of 40": (lambda text: text.replace("events: 13\n", "events: 52\n", 1), ["52", "40"]),
    "unknown technique": (
        lambda text: text.replace("technique: lrti", "technique: ltri", 1),
        ["ltri", "lrti"],
    ),
    "same key twice": (
        lambda text: text.replace("study:\n", "study:\n  id: DEMO-01\n", 1),
        ["id: the field stands here and on line 7 already"],
    ),
    "impossible date": (lambda text: text.replace("date: 2026-", "date: 2026-13-45 #", 1), ["2026-13-45"]),
}


@pytest.mark.parametrize("kind", DAMAGE)
@pytest.mark.parametrize("command", ["check", "report"])
def test_damaged_record_is_one_message_with_its_place(
    metakit_command, review: Path, kind: str, command: str
) -> None:
    change, words = DAMAGE[kind]
    edit(review, change)
    before = state(review)
    said = metakit_command(command, review)
    assert said.status in (1, 2)
    assert "DEMO-01_quillmere.yaml:" in said.err
    for word in words:
        assert word in said.err
    assert state(review) == before


@pytest.mark.lengthy
@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("form: study\nname: Gr\u00f6\u00dfe\n".encode("latin-1"), "UTF-8"),
        (b"", "empty"),
        (b"\x00\x01\x02", "DEMO-01"),
        (b"a: &x 1\nb: *x\n", "anchor"),
    ],
    ids=["Latin-1", "empty", "binary", "anchor"],
)
def test_unreadable_record_ends_with_status_2(
    metakit_command, review: Path, content: bytes, words: str
) -> None:
    (review / RECORD).write_bytes(content)
    before = state(review)
    said = metakit_command("check", review)
    assert said.status == 2
    assert words in said.err
    assert state(review) == before


def test_all_problems_of_all_files_at_once(metakit_command, review: Path) -> None:
    edit(review, lambda text: text.replace("events: 13\n", "events: 52\n", 1))
    other = next((review / "records").glob("DEMO-05*"))
    other.write_text(
        other.read_text(encoding="utf-8").replace("technique: lrti", "technique: lrtj", 1), encoding="utf-8"
    )
    said = metakit_command("check", review)
    assert "DEMO-01_quillmere.yaml:" in said.err
    assert "DEMO-05" in said.err


def test_folders_without_records_or_protocol(metakit_command, tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    for command in ("check", "report"):
        said = metakit_command(command, empty)
        assert said.status in (1, 2)
        assert str(empty) in said.err
    assert metakit_command("check", tmp_path / "absent").status == 2
    assert list(empty.iterdir()) == []


# What plain YAML loading turns into something else in silence (YAML 1.1, types bool and int: 'no' and sexagesimal '1:30').
@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("no", "no"),
        ("1:30", "1:30"),
        ("1_000", "1_000"),
        ("13,5", "13,5"),
        ("<13", "<13"),
        (".inf", ".inf"),
    ],
)
def test_number_fields_refuse_what_is_no_number(
    metakit_command, review: Path, typed: str, words: str
) -> None:
    edit(review, lambda text: text.replace("events: 13\n", f"events: {typed}\n", 1))
    line = first_line_with(review, f"events: {typed}")
    said = metakit_command("check", review)
    assert said.status == 1
    assert f"DEMO-01_quillmere.yaml:{line}:" in said.err
    assert words in said.err


def test_number_spellings_that_mean_one_thing_are_read(metakit_command, review: Path) -> None:
    edit(review, lambda text: text.replace("events: 13\n", "events: 013\n", 1))
    said = metakit_command("check", review)
    line = first_line_with(review, "events: 013")
    assert said.status == 0 or f"DEMO-01_quillmere.yaml:{line}:" in said.err
    assert "11" not in [word for word in said.err.split() if word.isdigit()]  # octal reading


def test_new_review_checks_itself_and_refuses_a_full_folder(metakit_command, tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    assert metakit_command("new", folder).status == 0
    assert (folder / "protocol.yaml").is_file()
    before = state(folder)
    said = metakit_command("new", folder)
    assert said.status == 2
    assert state(folder) == before


@pytest.mark.walk
def test_report_of_a_small_review(metakit_command, review: Path, tmp_path: Path) -> None:
    edit(
        review,
        lambda text: text.replace('label: "DEMO-01 Quillmere"', 'label: "<script>alert(1)</script>"', 1),
    )
    said = metakit_command("report", review, "--out", tmp_path / "out")
    assert said.status == 0
    page = Path(said.out.strip())
    html = page.read_text(encoding="utf-8")
    assert "<script>alert(1)</script>" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    for figure in (tmp_path / "out" / "figures").glob("*.svg"):
        assert "<script" not in figure.read_text(encoding="utf-8")


def test_draw_refuses_an_unknown_ending_before_reading(metakit_command, tmp_path: Path) -> None:
    said = metakit_command(
        "draw", tmp_path / "absent.csv", "--measure", "risk_ratio", "--to", tmp_path / "x.bmp"
    )
    assert said.status == 2
    assert ".svg" in said.err
    assert list(tmp_path.iterdir()) == []
