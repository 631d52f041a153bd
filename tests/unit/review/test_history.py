"""The history of a review: only ever added to, and the same thing is not said twice."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from metakit.errors import DataError
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
