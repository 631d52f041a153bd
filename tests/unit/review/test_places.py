"""Places in papers are kept beside values."""

from __future__ import annotations

from pathlib import Path

from metakit.core.values import PaperPlace
from metakit.forms.library import shipped
from metakit.forms.records import Reading, read_record
from metakit.forms.tree import Group
from metakit.review.places import places_of, with_place, without_place
from metakit.review.typed import study_record

RECORD = Path(__file__).parents[2] / "reference" / "forms" / "review" / "records" / "test_01.yaml"
TEXT = RECORD.read_text(encoding="utf-8")
SHA = "ab" * 32
EVENTS = "outcomes[A/any_complication/12/months].events"
PLACE = {"field": EVENTS, "page": "4", "box": "127 361 175 368", "quote": "4/30 (13.3 %)", "report": SHA}


def read(text: str, tmp_path: Path) -> Reading:
    path = tmp_path / "record.yaml"
    path.write_text(text, encoding="utf-8")
    return read_record(path, shipped())


def group_of(text: str, tmp_path: Path) -> Group:
    reading = read(text, tmp_path)
    assert reading.group is not None
    return reading.group


def kept(*beside: str) -> str:
    return with_place(TEXT, PLACE, beside=beside)


def test_a_place_is_kept_and_everything_else_stays(tmp_path: Path) -> None:
    text = kept()
    assert text.startswith(TEXT.rstrip("\n"))
    reading = read(text, tmp_path)
    assert reading.sound
    assert reading.group is not None
    assert places_of(reading.group) == (
        PaperPlace(field=EVENTS, page=4, box=(127, 361, 175, 368), quote="4/30 (13.3 %)", report=SHA),
    )


def test_a_second_place_of_a_field_takes_the_first_ones_stead(tmp_path: Path) -> None:
    text = kept("outcomes[A/any_complication/12/months].total")
    again = with_place(text, {**PLACE, "page": "5"})
    group = group_of(again, tmp_path)
    assert [(place.field.rpartition(".")[2], place.page) for place in places_of(group)] == [
        ("events", 5), ("total", 4),
    ]  # fmt: skip
    assert places_of(group_of(without_place(again, EVENTS), tmp_path))[0].field.endswith(".total")


def test_a_scan_has_a_place_without_words(tmp_path: Path) -> None:
    text = with_place(TEXT, {**PLACE, "quote": ""})
    assert "quote" not in text[len(TEXT) - 5 :]
    assert places_of(group_of(text, tmp_path))[0].quote == ""


def test_the_typed_view_knows_the_places_and_old_records_have_none(tmp_path: Path) -> None:
    form = shipped().form("study")
    typed = study_record(group_of(kept(), tmp_path), form, file="records/a.yaml", sha256="")
    assert [place.page for place in typed.places] == [4]
    assert typed.outcomes[0].address == "outcomes[A/any_complication/12/months]"
    assert str(typed.places[0]) == "page 4, “4/30 (13.3 %)”"
    assert study_record(group_of(TEXT, tmp_path), form, file="records/a.yaml", sha256="").places == ()
