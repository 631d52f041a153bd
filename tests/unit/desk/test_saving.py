"""Saves: compared with what stands there, whole or not at all, never over another's work."""

from __future__ import annotations

import errno
import os
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from metakit.core import files
from metakit.core.files import sha256_of
from metakit.desk.changes import Change, ConflictError
from metakit.desk.saving import save_fields
from metakit.desk.state import Desk
from metakit.errors import MetakitError, UsageError
from metakit.forms.splice import plain_of
from metakit.review.lock import review_lock
from tests.unit.desk.desks import demo_review

STUDY = "extractors/AB/DEMO-01_quillmere.yaml"


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(folder=demo_review(tmp_path / "review"), person="AB")


@pytest.fixture
def path(desk: Desk) -> Path:
    return desk.folder / STUDY


def year(old: str, new: str) -> list[Change]:
    return [Change(address="study.year", old=old, new=new)]


def test_only_the_value_changes(desk: Desk, path: Path) -> None:
    before = path.read_bytes()
    saved = save_fields(desk, path, sha256_of(path), year("2014", "2015"))
    assert path.read_bytes() == before.replace(b"  year: 2014\n", b"  year: 2015\n")
    assert saved.sha256 == sha256_of(path)
    assert saved.reading.group.integer("study.year") == 2015


def test_another_field_changed_meanwhile_is_kept(desk: Desk, path: Path) -> None:
    seen = sha256_of(path)
    by_hand = path.read_text().replace("anaesthesia: regional", "anaesthesia: general  # looked up")
    path.write_text(by_hand)
    save_fields(desk, path, seen, year("2014", "2015"))
    assert path.read_text() == by_hand.replace("year: 2014", "year: 2015")


def test_the_same_field_changed_meanwhile_is_shown_and_kept(desk: Desk, path: Path) -> None:
    seen = sha256_of(path)
    path.write_text(path.read_text().replace("year: 2014", "year: 2013"))
    kept = path.read_bytes()
    with pytest.raises(ConflictError) as caught:
        save_fields(desk, path, seen, [*year("2014", "2015")])
    assert (caught.value.yours, caught.value.theirs) == ("2015", "2013")
    assert path.read_bytes() == kept


def test_of_several_fields_all_are_saved_or_none(desk: Desk, path: Path) -> None:
    before = path.read_bytes()
    with pytest.raises(ConflictError):
        save_fields(
            desk,
            path,
            sha256_of(path),
            [*year("2014", "2015"), Change(address="care.approach", old="x", new="y")],
        )
    assert path.read_bytes() == before


def test_a_save_that_comes_twice_is_one(desk: Desk, path: Path) -> None:
    seen = sha256_of(path)
    first = save_fields(desk, path, seen, year("2014", "2015"))
    again = save_fields(desk, path, seen, year("2014", "2015"))
    assert again.sha256 == first.sha256


def test_ten_saves_of_one_field_at_once(desk: Desk, path: Path) -> None:
    seen = sha256_of(path)

    def save(n: int) -> str:
        try:
            save_fields(desk, path, seen, year("2014", str(2000 + n)))
        except ConflictError as conflict:
            return conflict.theirs
        return "saved"

    with ThreadPoolExecutor(10) as pool:
        found = list(pool.map(save, range(10)))
    assert found.count("saved") == 1
    assert len(set(found)) == 2  # the others are all shown the one that was saved
    assert f"year: {next(one for one in found if one != 'saved')}\n" in path.read_text()


def test_ten_saves_of_ten_fields_at_once(desk: Desk, path: Path) -> None:
    seen = sha256_of(path)
    names = ["year", "doi", "language", "pubmed_id", "note"]
    more = ["approach", "anaesthesia", "therapy", "concomitant", "pin_weeks"]
    plain = plain_of(path.read_text())
    changes = [Change(address=f"study.{n}", old=plain["study"].get(n, ""), new="7") for n in names]
    changes += [Change(address=f"care.{n}", old=plain["care"].get(n, ""), new="7") for n in more]
    with ThreadPoolExecutor(10) as pool:
        list(pool.map(lambda change: save_fields(desk, path, seen, [change]), changes))
    after = plain_of(path.read_text())
    assert after == {
        **plain,
        "study": {**plain["study"], **dict.fromkeys(names, "7")},
        "care": {**plain["care"], **dict.fromkeys(more, "7")},
    }


def test_a_lock_held_elsewhere_is_waited_for(desk: Desk, path: Path) -> None:
    held, free = threading.Event(), 0.4

    def hold() -> None:
        with review_lock(desk.folder):
            held.set()
            time.sleep(free)

    thread = threading.Thread(target=hold)
    thread.start()
    held.wait()
    begun = time.monotonic()
    save_fields(desk, path, sha256_of(path), year("2014", "2015"))
    assert time.monotonic() - begun > free / 2
    thread.join()


def test_a_lock_that_is_never_given_up_is_said(
    desk: Desk, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("metakit.desk.saving.PATIENCE", 0.1)
    before = path.read_bytes()
    with review_lock(desk.folder), pytest.raises(UsageError, match="another process"):
        save_fields(desk, path, sha256_of(path), year("2014", "2015"))
    assert path.read_bytes() == before


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_full_disk_changes_nothing(desk: Desk, path: Path, monkeypatch, step: str) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(files.os if step == "fsync" else files.Path, step, full)
    before = path.read_bytes()
    with pytest.raises(OSError, match="No space left"):
        save_fields(desk, path, sha256_of(path), year("2014", "2015"))
    assert path.read_bytes() == before
    assert [one.name for one in path.parent.iterdir() if one.name.startswith(".")] == []


@pytest.mark.parametrize(
    "content", [b"\xff\xfe\x00", b"form: [", b"", b"form: study\nform_version: 1\nstudy: 5\n"]
)
def test_a_file_broken_by_hand_is_left_alone(desk: Desk, path: Path, content: bytes) -> None:
    seen = sha256_of(path)
    path.write_bytes(content)
    with pytest.raises(MetakitError):
        save_fields(desk, path, seen, year("2014", "2015"))
    assert path.read_bytes() == content


def test_a_file_that_is_gone_or_a_link_is_not_written(desk: Desk, path: Path, tmp_path: Path) -> None:
    seen = sha256_of(path)
    other = tmp_path / "other.yaml"
    path.rename(other)
    with pytest.raises(UsageError, match="no longer there"):
        save_fields(desk, path, seen, year("2014", "2015"))
    path.symlink_to(other)
    with pytest.raises(UsageError, match="no longer there"):
        save_fields(desk, path, seen, year("2014", "2015"))
    assert "year: 2014" in other.read_text()
