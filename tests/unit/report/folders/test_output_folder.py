"""What a report leaves in its folder, and what it never touches."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from pathlib import Path

import pytest

from metakit.errors import UsageError
from metakit.report.folders.output_folder import LIST, check_folder, write_folder

FIRST = {"figures/a.svg": b"one", "figures/b.svg": b"two", "findings.json": b"{}", "report.html": b"page"}
SECOND = {"figures/a.svg": b"other", "findings.json": b"{}", "report.html": b"page 2"}


def names(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def test_a_figure_of_an_earlier_run_goes(tmp_path: Path) -> None:
    write_folder(tmp_path, FIRST)
    found = write_folder(tmp_path, SECOND)
    assert found.removed == ("figures/b.svg",) and found.kept == ()
    assert names(tmp_path) == {*SECOND, LIST}
    listed = json.loads((tmp_path / LIST).read_text())["files"]
    assert listed == {name: [hashlib.sha256(content).hexdigest()] for name, content in SECOND.items()}


def test_what_somebody_changed_or_put_there_stays_and_is_named(tmp_path: Path) -> None:
    write_folder(tmp_path, FIRST)
    (tmp_path / "figures/b.svg").write_bytes(b"edited for the journal")
    (tmp_path / "figures/mine.svg").write_bytes(b"mine")
    found = write_folder(tmp_path, SECOND)
    assert found.removed == () and found.kept == ("figures/b.svg", "figures/mine.svg")
    assert (tmp_path / "figures/b.svg").read_bytes() == b"edited for the journal"


def test_a_folder_without_a_list_loses_nothing(tmp_path: Path) -> None:
    write_folder(tmp_path, FIRST)
    (tmp_path / LIST).unlink()
    found = write_folder(tmp_path, SECOND)
    assert found.removed == () and found.kept == ("figures/b.svg",)


def test_a_stopped_run_leaves_the_earlier_report_whole(tmp_path: Path, monkeypatch) -> None:
    write_folder(tmp_path, FIRST)
    from metakit.report.folders import output_folder

    whole = output_folder.write_atomically

    def stops(path: Path, content: bytes | str, *, within: Path | None = None) -> Path:
        if path.name == "report.html":
            raise KeyboardInterrupt
        return whole(path, content)

    new = {"figures/c.svg": b"three", **SECOND}
    with monkeypatch.context() as patch:
        patch.setattr(output_folder, "write_atomically", stops)
        with pytest.raises(KeyboardInterrupt):
            write_folder(tmp_path, new)
    assert {name: (tmp_path / name).read_bytes() for name in FIRST} == FIRST
    assert names(tmp_path) == {*FIRST, LIST}
    found = write_folder(tmp_path, SECOND)
    assert found.removed == ("figures/b.svg",) and names(tmp_path) == {*SECOND, LIST}


def test_a_run_killed_between_the_renames_is_tidied_by_the_next(tmp_path: Path, monkeypatch) -> None:
    write_folder(tmp_path, FIRST)
    dead = tmp_path / ".writing-999999999"
    (dead / "figures").mkdir(parents=True)
    (dead / "figures/c.svg").write_bytes(b"three")
    os.utime(dead, (0, 0))
    moves = iter(range(100))
    real = Path.replace

    def killed(self: Path, target: Path) -> Path:
        if ".writing-" in str(self) and "/." not in str(self).split(".writing-")[1] and next(moves) == 1:
            raise KeyboardInterrupt
        return real(self, target)

    new = {"figures/c.svg": b"three", **SECOND}
    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", killed)
        with pytest.raises(KeyboardInterrupt):
            write_folder(tmp_path, new)
    assert not dead.exists() and (tmp_path / "report.html").read_bytes() == b"page"
    found = write_folder(tmp_path, SECOND)
    assert set(found.removed) == {"figures/b.svg", "figures/c.svg"} and found.beside == {}
    assert names(tmp_path) == {*SECOND, LIST}


def test_a_run_stopped_while_it_clears_up_clears_up_to_the_end(tmp_path: Path, monkeypatch) -> None:
    whole, calls = shutil.rmtree, []

    def stopped_once(home: Path, **choices: object) -> None:
        calls.append(home)
        if len(calls) == 1:
            raise KeyboardInterrupt
        whole(home, **choices)

    monkeypatch.setattr(shutil, "rmtree", stopped_once)
    with pytest.raises(KeyboardInterrupt):
        write_folder(tmp_path, {"a.csv": b"1"})
    assert len(calls) == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.csv", LIST]


def test_an_edited_file_stays_and_ours_stands_beside_it(tmp_path: Path) -> None:
    write_folder(tmp_path, {**FIRST, "report.docx": b"ours"})
    (tmp_path / "report.docx").write_bytes(b"edited for the journal")
    found = write_folder(tmp_path, {**SECOND, "report.docx": b"ours, newer"})
    assert found.beside == {"report.docx": "report-2.docx"}
    assert (tmp_path / "report.docx").read_bytes() == b"edited for the journal"
    assert (tmp_path / "report-2.docx").read_bytes() == b"ours, newer"
    again = write_folder(tmp_path, {**SECOND, "report.docx": b"newest"})
    assert again.beside == {"report.docx": "report-2.docx"} and again.removed == ()
    assert (tmp_path / "report-2.docx").read_bytes() == b"newest"
    (tmp_path / "report-2.docx").write_bytes(b"edited too")
    assert write_folder(tmp_path, {"report.docx": b"x"}).beside == {"report.docx": "report-3.docx"}
    assert (tmp_path / "report-2.docx").read_bytes() == b"edited too"


def test_a_foreign_file_of_the_same_name_stays(tmp_path: Path) -> None:
    (tmp_path / "report.html").write_bytes(b"somebody's")
    found = write_folder(tmp_path, SECOND)
    assert found.beside == {"report.html": "report-2.html"}
    assert (tmp_path / "report.html").read_bytes() == b"somebody's"


def test_two_kinds_of_report_share_a_folder(tmp_path: Path) -> None:
    write_folder(tmp_path, FIRST)
    unit = write_folder(tmp_path, {"unit.html": b"unit"}, list_name="unit_files.json")
    assert unit.removed == () and {*FIRST, "unit.html"} <= names(tmp_path)


def test_what_cannot_hold_a_report_is_refused_before_computing(tmp_path: Path) -> None:
    (tmp_path / "out").write_bytes(b"a file")
    with pytest.raises(UsageError, match="is a file"):
        check_folder(tmp_path / "out" / "deeper")
    check_folder(tmp_path / "new" / "deeper")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    "name",
    [
        "../victim.txt",
        "/etc/victim.txt",
        "figures/../../victim.txt",
        "a/b/victim.txt",
        "figures\\..\\victim.txt",
        "",
    ],
)
def test_a_hostile_list_removes_nothing_elsewhere(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "deep" / "out"
    write_folder(folder, FIRST)
    victims = [tmp_path / "deep/victim.txt", tmp_path / "victim.txt"]
    for victim in victims:
        victim.write_bytes(b"x")
    digest = hashlib.sha256(b"x").hexdigest()
    (folder / LIST).write_text(json.dumps({"files": {name: [digest]}}))
    write_folder(folder, SECOND)
    assert all(victim.read_bytes() == b"x" for victim in victims)


def test_a_link_in_the_place_of_a_figure_is_left(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    write_folder(folder, FIRST)
    victim = tmp_path / "victim.svg"
    victim.write_bytes(b"two")
    (folder / "figures/b.svg").unlink()
    (folder / "figures/b.svg").symlink_to(victim)
    found = write_folder(folder, SECOND)
    assert victim.read_bytes() == b"two" and "figures/b.svg" in found.kept


@pytest.mark.parametrize("text", ["", "[]", "{", '{"files": []}', '{"files": {"a": 1}}', "[" * 100_000])
def test_a_damaged_list_counts_for_nothing(tmp_path: Path, text: str) -> None:
    write_folder(tmp_path, FIRST)
    (tmp_path / LIST).write_text(text)
    assert write_folder(tmp_path, SECOND).removed == ()


@pytest.mark.parametrize("place", ["/proc/x", "/proc/x/report", "n" * 300, "a\0b", "taken/x"])
def test_a_place_where_nothing_can_be_written_is_refused_before_computing(tmp_path: Path, place: str) -> None:
    (tmp_path / "taken").write_text("x")
    if place.startswith("/proc") and not Path("/proc/self").exists():
        pytest.skip("this system has no such folder")
    with pytest.raises(UsageError, match="--out"):
        check_folder(tmp_path / place)
    assert [path.name for path in tmp_path.iterdir()] == ["taken"]


def test_the_command_refuses_before_it_reads(tmp_path: Path, monkeypatch) -> None:
    from metakit.cli import report

    def never(*_: object) -> None:
        raise AssertionError

    monkeypatch.setattr("metakit.workbench.open_review", never)
    with pytest.raises(UsageError, match="cannot be written to"):
        report.write(tmp_path, Path("/proc/x"), json=True)
