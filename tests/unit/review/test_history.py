"""The history of a review: only ever added to, and the same thing is not said twice."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from metakit.core.places import place_within
from metakit.errors import DataError
from metakit.review import history
from metakit.review.history import HISTORY, append, read_history

EVENT = {"event": "repeats_decided", "file": "selection/removed.csv", "sha256": "a" * 64, "same": 1}


def lines(folder: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (folder / HISTORY).read_text().splitlines()]


def test_what_was_said_last_of_a_file_is_not_said_again(tmp_path: Path) -> None:
    # A run that was killed between the history and the file is run again.
    append(tmp_path, [EVENT])
    before = (tmp_path / HISTORY).read_bytes()
    append(tmp_path, [dict(EVENT)])
    assert (tmp_path / HISTORY).read_bytes() == before
    other = EVENT | {"sha256": "b" * 64, "decisions": [{"decision": "include"}]}
    append(tmp_path, [other, EVENT | {"file": "selection/citations.csv"}])
    append(tmp_path, [EVENT])  # decided back: this is something new again
    assert [line["sha256"][0] for line in lines(tmp_path)] == ["a", "b", "a", "a"]
    assert read_history(tmp_path)[1] == ()


def test_a_broken_chain_is_not_added_to(tmp_path: Path) -> None:
    append(tmp_path, [EVENT])
    append(tmp_path, [EVENT | {"sha256": "b" * 64}])
    path = tmp_path / HISTORY
    path.write_text(path.read_text().replace('"same": 1', '"same": 2', 1))
    before = path.read_bytes()
    with pytest.raises(DataError) as error:
        append(tmp_path, [EVENT | {"sha256": "c" * 64}])
    assert [problem.line for problem in error.value.problems] == [2]
    assert path.read_bytes() == before


@pytest.fixture
def looked(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """The names whose places are looked at."""
    seen: list[object] = []

    def watched(folder: Path, name: object, shapes: tuple[str, ...]) -> Path:
        seen.append(name)
        return place_within(folder, name, shapes)

    monkeypatch.setattr(history, "place_within", watched)
    return seen


def test_a_place_that_many_lines_name_is_looked_at_once_and_at_each_reading(
    tmp_path: Path, looked: list[object]
) -> None:
    files = ("selection/removed.csv", "selection/screening_AB.csv")
    append(tmp_path, [EVENT | {"file": files[n % 2], "same": n} for n in range(60)])
    looked.clear()
    assert (len(read_history(tmp_path)[0]), read_history(tmp_path)[1]) == (60, ())
    assert sorted(map(str, looked)) == sorted(files * 2)
    (tmp_path / "selection").symlink_to(tmp_path)  # put there between two readings
    events, problems = read_history(tmp_path)
    assert (events, len(problems)) == ((), 60)
    assert "symbolic link" in problems[0].what


@pytest.mark.parametrize("name", [["selection/removed.csv"], {"a": 1}, 7, None])
def test_a_name_that_is_no_text_is_a_problem_of_its_line(tmp_path: Path, name: object) -> None:
    line = json.dumps({"previous": "0" * 64, **EVENT, "file": name})
    (tmp_path / HISTORY).write_text(line + "\n")
    events, (problem,) = read_history(tmp_path)
    assert (events, problem.line, problem.found) == ((), 1, str(name))
    assert "no text" in problem.what
