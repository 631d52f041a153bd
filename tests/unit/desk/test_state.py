"""What the desk keeps in mind: found again from the files, by their hashes, and no more of it than is needed."""

from __future__ import annotations

from pathlib import Path

from metakit.desk.state import Desk


def test_of_one_name_only_what_was_made_last_is_kept(tmp_path: Path) -> None:
    """Each decision of a screener makes another selection; a desk that kept them all would grow all day."""
    desk = Desk(folder=tmp_path)
    made: list[str] = []

    def make(content: str) -> list[str]:
        made.append(content)
        return [content]

    for content in ("a", "a", "b", "b", "a"):
        assert desk.keep_last("selection", content, lambda content=content: make(content)) == [content]
        assert desk.has_last("selection", content)
    assert made == ["a", "b", "a"]
    assert not desk.has_last("selection", "b")
    assert not desk.has_last("another", "a")
    assert len(desk._last) == 1
