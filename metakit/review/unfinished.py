"""Records that an extractor has not handed in: kept apart, so that half a record stops nothing.

They stand in `extractors/INITIALS/unfinished/`. Handing in moves a record without errors to
`extractors/INITIALS/`, where it is compared with the other person's, or, where nobody else will extract the
report, to `records/`; the history says who did it. Taking back moves it the other way.
"""

from __future__ import annotations

import datetime
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from metakit.core.files import sha256_of
from metakit.core.places import RESERVED, refuse_links
from metakit.errors import DataError, Problem, UnreadableError, UsageError
from metakit.forms.library import Library
from metakit.forms.record_text import scalar_text
from metakit.forms.records import Reading, read_record
from metakit.review.files import EXTRACTORS, RECORDS, yaml_files
from metakit.review.history import append, sound_history
from metakit.review.lock import review_lock

UNFINISHED = "unfinished"
Standing = Literal["unfinished", "handed_in", "in_review"]
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,59}", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnRecord:
    """One person's record of a study: its file and whether it was handed in."""

    person: str
    name: str
    path: Path
    standing: Standing


def own_records(folder: Path, person: str) -> tuple[OwnRecord, ...]:
    """Return a person's records, unfinished ones first where a name stands twice.

    A record of the review is the person's own only where the review has no other copy of it and it says that
    this person typed it; that is asked of its text alone, for speed.
    """
    home = folder / EXTRACTORS / person
    found: dict[str, OwnRecord] = {}
    for place, standing in ((home / UNFINISHED, "unfinished"), (home, "handed_in")):
        for path in yaml_files(place)[0]:
            one = OwnRecord(person=person, name=path.stem, path=path, standing=standing)  # type: ignore[arg-type]
            found.setdefault(path.stem, one)
    mark = re.compile(rf"^  extractor: [\"']?{re.escape(person)}[\"']?\s*$", re.MULTILINE)
    for path in yaml_files(folder / RECORDS)[0]:
        if path.stem not in found and mark.search(path.read_text(encoding="utf-8", errors="replace")):
            found[path.stem] = OwnRecord(person=person, name=path.stem, path=path, standing="in_review")
    return tuple(sorted(found.values(), key=lambda one: one.name))


def own_record(folder: Path, person: str, name: str) -> OwnRecord | None:
    """Return a person's record of this name; found among those that are there, never made of the name."""
    return next((one for one in own_records(folder, person) if one.name == name), None)


def people_of(folder: Path) -> tuple[str, ...]:
    """Return the initials of everybody who has a folder of records."""
    home = folder / EXTRACTORS
    return tuple(sorted(path.name for path in home.iterdir() if path.is_dir())) if home.is_dir() else ()


def record_name(study: str) -> str:
    """Return the name of the file of a study's record.

    Raises
    ------
    UsageError
        When the id cannot name a file.
    """
    if not _NAME.fullmatch(study) or study.casefold() in RESERVED:
        raise UsageError("a study's id has letters a-z, digits, _ and -, at most 60, no spaces")
    return study


def first_text(study: str, label: str, person: str, form: str, version: int) -> str:
    """Return the text of a record that was just begun."""
    lines = {"id": study, "label": label}
    written = "\n".join(f"  {name}: {scalar_text(text)}" for name, text in lines.items() if text)
    today = datetime.date.today().isoformat()
    return (
        f"form: {form}\nform_version: {version}\nstudy:\n{written}\nextraction:\n"
        f"  extractor: {person}\n  date: {today}\n  status: single\n"
    )


def hand_in(folder: Path, one: OwnRecord, library: Library, *, alone: bool = False) -> Path:
    """Hand a record in, whole: its history line first, then its move.

    Parameters
    ----------
    folder : Path
        The review folder.
    one : OwnRecord
        An unfinished record.
    library : Library
        Where forms are.
    alone : bool
        Whether nobody else will extract the report: the record goes to `records/` and says `single`.

    Returns
    -------
    Path
        Where it stands now.

    Raises
    ------
    DataError
        With its errors, when it has any.
    UsageError
        When it is not unfinished, or another record stands where it would go.
    """
    target = folder / RECORDS / one.path.name if alone else folder / EXTRACTORS / one.person / one.path.name
    if one.standing != "unfinished":
        raise UsageError(f"{one.name} was handed in already")
    with review_lock(folder):
        reading = read_record(one.path, library)
        errors = [problem for problem in reading.problems if problem.severity == "error"]
        if errors or reading.group is None:
            raise (UnreadableError if reading.unreadable else DataError)(errors)
        if reading.group.text("extraction.extractor") != one.person:
            raise UsageError(f"the record says that another person than {one.person} typed it")
        _refuse_twice(folder, one, reading, target, library)
        return _move(folder, one, target, "handed_in")


def take_back(folder: Path, one: OwnRecord) -> Path:
    """Take a record back to go on with it; an agreement that rested on it is then out of date, and says so.

    Raises
    ------
    UsageError
        When it is unfinished already.
    """
    if one.standing == "unfinished":
        raise UsageError(f"{one.name} is not handed in")
    with review_lock(folder):
        target = folder / EXTRACTORS / one.person / UNFINISHED / one.path.name
        if target.exists():
            raise UsageError(f"{target.relative_to(folder).as_posix()} exists already")
        return _move(folder, one, target, "taken_back")


def _refuse_twice(folder: Path, one: OwnRecord, reading: Reading, target: Path, library: Library) -> None:
    if target.exists():
        if sha256_of(target) == sha256_of(one.path):
            return  # a run that was killed between its two steps; this one completes it
        raise UsageError(f"{target.relative_to(folder).as_posix()} exists already; compare the two by hand")
    study = reading.group.text("study.id") if reading.group else ""
    for path in yaml_files(target.parent)[0]:
        other = read_record(path, library).group
        if other is not None and other.text("study.id") == study:
            where = path.relative_to(folder).as_posix()
            what = "another record has this id"
            raise DataError(
                [Problem(file=str(one.path), field="study.id", what=what, found=study, hint=where)]
            )


def _move(folder: Path, one: OwnRecord, target: Path, event: str) -> Path:
    sound_history(folder)
    refuse_links(folder, one.path)
    refuse_links(folder, target)
    if not one.path.is_file():
        raise UsageError(f"{one.path.relative_to(folder).as_posix()} is no longer there")
    said = {
        "event": event,
        "date": datetime.date.today().isoformat(),
        "person": one.person,
        "name": one.name,
        "from": one.path.relative_to(folder).as_posix(),
        "to": target.relative_to(folder).as_posix(),
        "sha256": sha256_of(one.path),
    }
    append(folder, [said])
    target.parent.mkdir(parents=True, exist_ok=True)
    if target.exists():
        one.path.unlink()
    elif hasattr(os, "link"):
        # A hard link fails where the target exists; a rename would replace it without a word.
        os.link(one.path, target)
        one.path.unlink()
    else:  # pragma: no cover - a system without links
        one.path.rename(target)
    return target
