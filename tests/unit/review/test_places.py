"""Places in papers are kept beside values, and move with them."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.core.values import PaperPlace
from metakit.forms.library import shipped
from metakit.forms.records import Reading, read_record
from metakit.forms.splice import Steps, add_entry, remove_value, set_value
from metakit.forms.tree import Group
from metakit.review.places import moved_with, places_of, with_place, without_place
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


def kept(tmp_path: Path, *beside: str) -> str:
    return with_place(TEXT, group_of(TEXT, tmp_path), PLACE, beside=beside)


def after(change: str, text: str, tmp_path: Path) -> list[str]:
    """Return the fields of the places after a change was followed, and check that the record is sound."""
    form = shipped().form("study")
    moved = moved_with(change, group_of(text, tmp_path), group_of(change, tmp_path), form)
    reading = read(moved, tmp_path)
    assert reading.sound
    assert not [problem for problem in reading.problems if problem.rule == "places_fit"]
    assert reading.group is not None
    return [place.field for place in places_of(reading.group)]


def test_a_place_is_kept_and_everything_else_stays(tmp_path: Path) -> None:
    text = kept(tmp_path)
    assert text.startswith(TEXT.rstrip("\n"))
    reading = read(text, tmp_path)
    assert reading.sound
    assert reading.group is not None
    assert places_of(reading.group) == (
        PaperPlace(field=EVENTS, page=4, box=(127, 361, 175, 368), quote="4/30 (13.3 %)", report=SHA),
    )


def test_a_second_place_of_a_field_takes_the_first_ones_stead(tmp_path: Path) -> None:
    text = kept(tmp_path, "outcomes[A/any_complication/12/months].total")
    again = with_place(text, group_of(text, tmp_path), {**PLACE, "page": "5"})
    group = group_of(again, tmp_path)
    assert [(place.field.rpartition(".")[2], place.page) for place in places_of(group)] == [
        ("events", 5), ("total", 4),
    ]  # fmt: skip
    assert places_of(group_of(without_place(again, group, EVENTS), tmp_path))[0].field.endswith(".total")


def test_a_scan_has_a_place_without_words(tmp_path: Path) -> None:
    text = with_place(TEXT, group_of(TEXT, tmp_path), {**PLACE, "quote": ""})
    assert "quote" not in text[len(TEXT) - 5 :]
    assert places_of(group_of(text, tmp_path))[0].quote == ""


@pytest.mark.parametrize(
    ("path", "value", "address"),
    [
        (("outcomes", 0, "time", "value"), "24", "outcomes[A/any_complication/24/months].events"),
        (("outcomes", 0, "arm"), "C", "outcomes[C/any_complication/12/months].events"),
        (("outcomes", 0, "percent"), "13.4", EVENTS),
        (("outcomes", 3, "time", "value"), "24", EVENTS),
    ],
)
def test_a_place_moves_when_the_key_of_its_entry_changes(
    tmp_path: Path, path: Steps, value: str, address: str
) -> None:
    text = kept(tmp_path)
    assert after(set_value(text, path, value), text, tmp_path) == [address]


def test_places_of_nested_entries_move_with_their_arm(tmp_path: Path) -> None:
    place = {**PLACE, "field": "arms[C].age.mean", "quote": ""}
    text = with_place(TEXT, group_of(TEXT, tmp_path), place)
    changed = set_value(text, ("arms", 2, "id"), "D")
    form = shipped().form("study")
    moved = moved_with(changed, group_of(text, tmp_path), group_of(changed, tmp_path), form)
    assert [place.field for place in places_of(group_of(moved, tmp_path))] == ["arms[D].age.mean"]


def test_a_removed_entry_takes_its_places_along_and_no_others(tmp_path: Path) -> None:
    first = kept(tmp_path)
    other = {**PLACE, "field": "outcomes[B/any_complication/12/months].events", "quote": "none"}
    text = with_place(first, group_of(first, tmp_path), other)
    assert after(remove_value(text, ("outcomes", 0)), text, tmp_path) == [other["field"]]
    assert after(remove_value(text, ("outcomes", 2)), text, tmp_path) == [EVENTS, other["field"]]


def test_an_added_entry_leaves_places_alone(tmp_path: Path) -> None:
    text = kept(tmp_path)
    entry = {
        "arm": "B", "outcome": "crps", "time": {"value": "6", "unit": "months"}, "unit_of_analysis": "thumbs",
        "reporting": "not_reported",
    }  # fmt: skip
    assert after(add_entry(text, ("outcomes",), entry), text, tmp_path) == [EVENTS]


def test_the_typed_view_knows_the_places_and_old_records_have_none(tmp_path: Path) -> None:
    form = shipped().form("study")
    typed = study_record(group_of(kept(tmp_path), tmp_path), form, file="records/a.yaml", sha256="")
    assert [place.page for place in typed.places] == [4]
    assert typed.outcomes[0].address == "outcomes[A/any_complication/12/months]"
    assert str(typed.places[0]) == "page 4, “4/30 (13.3 %)”"
    assert study_record(group_of(TEXT, tmp_path), form, file="records/a.yaml", sha256="").places == ()
