"""What an import writes of itself: the log of a search, numbers that go on, no more records than a review holds."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
import yaml

from metakit.errors import DataError
from metakit.review.selection import files, importing
from metakit.review.selection.importing import import_search, search_name

ROW = 'Invented work {},"Quillmere, A",2015\n'


def empty(folder: Path) -> Path:
    review = folder / "rev"
    review.mkdir()
    return review


def export(folder: Path, name: str, *numbers: int) -> Path:
    path = folder / name
    words = ("sling", "fusion", "splint", "button", "nerve", "pinch", "series")
    path.write_text(
        "title,authors,year\n" + "".join(ROW.format(words[number]) for number in numbers), encoding="utf-8"
    )
    return path


def test_the_log_holds_each_fact_once(tmp_path: Path) -> None:
    review = empty(tmp_path)
    path = export(tmp_path, "data base.csv", 0, 1)
    import_search(path, review)
    text = (review / "selection" / "searches" / "data_base.yaml").read_text(encoding="utf-8")
    facts = yaml.safe_load(text)
    assert (facts["name"], facts["file"], facts["found"]) == ("data base", "data_base.csv", "2")
    assert facts["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    for field in ("name", "found", "file", "sha256"):
        assert sum(line.startswith(f"{field}:") for line in text.splitlines()) == 1


def test_numbers_go_on_behind_the_last_one(tmp_path: Path) -> None:
    review = empty(tmp_path)
    assert import_search(export(tmp_path, "a.csv", 0, 1), review).records == 2
    assert import_search(export(tmp_path, "b.csv", 2, 3, 4), review).records == 3
    rows = (review / "selection" / "citations.csv").read_text(encoding="utf-8").splitlines()
    assert [row.split(",")[0] for row in rows if row.startswith("C0")] == [f"C000{n}" for n in range(1, 6)]
    again = import_search(tmp_path / "a.csv", review)
    assert (again.records, again.written) == (2, ())


def test_as_many_records_as_a_review_holds_and_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert files.MOST_CITATIONS == 200_000
    monkeypatch.setattr(importing, "MOST_CITATIONS", 3)
    review = empty(tmp_path)
    import_search(export(tmp_path, "a.csv", 0, 1), review)
    before = sorted(path.name for path in review.rglob("*"))
    with pytest.raises(DataError, match="too many records") as error:
        import_search(export(tmp_path, "b.csv", 2, 3), review)
    assert (error.value.problems[0].found, error.value.problems[0].allowed) == ("4", "at most 3")
    assert sorted(path.name for path in review.rglob("*")) == before
    assert import_search(export(tmp_path, "c.csv", 2), review).records == 1


def test_the_name_of_a_search_is_that_of_its_file_in_letters_that_can_be_stored() -> None:
    assert search_name(Path("Data base (2026).ris")) == "Data_base_2026"
    assert search_name(Path("_a-b_.csv")) == "a-b"
    assert len(search_name(Path("x" * 90 + ".csv"))) == 60
    with pytest.raises(DataError, match="gives the search no name"):
        search_name(Path("§§.csv"))
