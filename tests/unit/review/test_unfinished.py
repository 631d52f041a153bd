"""Records apart until they are handed in: moved whole, never over another's, with a line of history."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from metakit.errors import DataError, UsageError
from metakit.forms.library import shipped
from metakit.review.check import check_paths
from metakit.review.unfinished import OwnRecord, hand_in, own_record, own_records, record_name, take_back

ROOT = Path(__file__).parents[3]
STUDY = "DEMO-01_quillmere"


@pytest.fixture
def review(tmp_path: Path) -> Path:
    folder = tmp_path / "review"
    shutil.copytree(ROOT / "demo_studies", folder)
    home = folder / "extractors" / "AB"
    (home / "unfinished").mkdir()
    (home / f"{STUDY}.yaml").rename(home / "unfinished" / f"{STUDY}.yaml")
    return folder


def mine(review: Path) -> OwnRecord:
    found = own_record(review, "AB", STUDY)
    assert found is not None
    return found


@pytest.mark.lengthy
def test_handing_in_moves_the_same_bytes_and_tells_the_history(review: Path) -> None:
    before = mine(review).path.read_bytes()
    assert mine(review).standing == "unfinished"
    path = hand_in(review, mine(review), shipped())
    assert path == review / "extractors" / "AB" / f"{STUDY}.yaml"
    assert path.read_bytes() == before
    line = json.loads((review / "history.jsonl").read_text().splitlines()[-1])
    assert (line["event"], line["person"], line["to"]) == ("handed_in", "AB", f"extractors/AB/{STUDY}.yaml")
    assert check_paths([review]).exit_status == 0
    with pytest.raises(UsageError, match="already"):
        hand_in(review, mine(review), shipped())
    back = take_back(review, mine(review))
    assert back.read_bytes() == before
    with pytest.raises(UsageError, match="not handed in"):
        take_back(review, mine(review))


def test_a_record_with_errors_stays(review: Path) -> None:
    path = mine(review).path
    path.write_text(path.read_text().replace("women: 32", "women: 99", 1))
    history = (review / "history.jsonl").read_bytes()
    with pytest.raises(DataError) as caught:
        hand_in(review, mine(review), shipped())
    assert any("women" in problem.field for problem in caught.value.problems)
    assert path.is_file()
    assert (review / "history.jsonl").read_bytes() == history


def test_nothing_that_stands_there_is_replaced(review: Path) -> None:
    other = review / "extractors" / "AB" / f"{STUDY}.yaml"
    other.write_text("typed by hand meanwhile")
    with pytest.raises(UsageError, match="exists already"):
        hand_in(review, mine(review), shipped())
    assert other.read_text() == "typed by hand meanwhile"
    other.unlink()
    with pytest.raises((UsageError, DataError)):  # the review has an agreed record of this study
        hand_in(review, mine(review), shipped(), alone=True)


def test_a_run_killed_between_its_two_steps_is_completed(review: Path) -> None:
    one = mine(review)
    shutil.copy(one.path, review / "extractors" / "AB")
    assert mine(review).standing == "unfinished"
    hand_in(review, mine(review), shipped())
    assert not one.path.exists()
    assert [found.name for found in own_records(review, "AB")].count(STUDY) == 1


@pytest.mark.parametrize("name", ["", "../x", "a b", "con", "x/y", ".x", "x" * 61])
def test_a_name_that_is_no_file_is_refused(name: str) -> None:
    with pytest.raises(UsageError):
        record_name(name)
