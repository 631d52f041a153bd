"""The history of a review: one line an event, each holding the hash of the line before; only ever added to.

A chain shows that a line was changed, removed or put in between. It cannot show that lines were cut off at
the end; the agreed records, whose hashes it holds, show that.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from functools import cache, partial
from pathlib import Path
from typing import Any

from metakit.core.files import sha256_of, write_atomically
from metakit.core.places import WrongPlaceError, place_within
from metakit.errors import DataError, Problem

HISTORY = "history.jsonl"
START = "0" * 64
RECORD_PLACES = ("records/*.yaml", "records/*.yml")
EXTRACTOR_PLACES = ("extractors/*/*.yaml", "extractors/*/*.yml")
SELECTION_PLACES = ("selection/*", "selection/searches/*")
_MEND = "take the file back from a copy, or move it away: agreed records then count as typed by hand"


def read_history(folder: Path) -> tuple[tuple[Mapping[str, Any], ...], tuple[Problem, ...]]:
    """Return the sound events of a review's history, and an error for every line that cannot be followed.

    Such a line does not follow from the one before, cannot be read, or names a file at a place that is not
    the review's own.

    Parameters
    ----------
    folder : Path
        The review folder; a review without history has no events and no problems.
    """
    path = folder / HISTORY
    if not path.is_file():
        return (), ()
    events: list[Mapping[str, Any]] = []
    problems: list[Problem] = []
    before = START
    faults_at = cache(partial(_place_fault, folder))  # one file is named by many lines
    for number, line in enumerate(path.read_bytes().splitlines(), start=1):

        def stop(what: str, found: str = "", number: int = number, allowed: str = "") -> None:
            shown = found if found.isprintable() else ascii(found)[1:-1]
            problems.append(
                Problem(file=str(path), line=number, what=what, found=shown[:80], allowed=allowed, hint=_MEND)
            )

        try:
            event = json.loads(line)
        except (ValueError, RecursionError):
            event = None
        if not isinstance(event, dict) or not _has_shape(event):
            stop("this line of the history cannot be read", line.decode("utf-8", "replace"))
        elif event.get("previous") != before:
            stop("the chain of the history is broken: this line does not follow from the one before")
        elif faults := _wrong_places(faults_at, event):
            for what, found, allowed in faults:
                stop(f"the history names {what}", found, allowed=allowed)
        else:
            events.append(event)
        before = hashlib.sha256(line).hexdigest()
    return tuple(events), tuple(problems)


def sound_history(folder: Path) -> tuple[Mapping[str, Any], ...]:
    """Return the events of a review's history.

    Raises
    ------
    DataError
        With every line that cannot be followed: nothing may be written on the strength of such a history.
    """
    events, problems = read_history(folder)
    if problems:
        raise DataError(problems)
    return events


def record_place(folder: Path, name: object) -> Path:
    """Return the place of an agreed record that the history names.

    Raises
    ------
    WrongPlaceError
        For any other place.
    """
    return place_within(folder, name, RECORD_PLACES)


def _has_shape(event: Mapping[str, Any]) -> bool:
    """Whether what the readers of an event take from it is of the kind that they expect."""
    extractors, decisions = event.get("extractors", {}), event.get("decisions", [])
    return (
        isinstance(extractors, dict)
        and all(isinstance(hashed, str) for hashed in extractors.values())
        and isinstance(decisions, list)
        and all(isinstance(found, dict) for found in decisions)
        and (event.get("event") != "reconciled" or isinstance(event.get("study"), str))
    )


def _place_fault(folder: Path, name: object, shapes: tuple[str, ...]) -> str:
    """Say why a place that an event names is none of the review's own; empty when it is one."""
    try:
        place_within(folder, name, shapes)
    except WrongPlaceError as error:
        return str(error)
    return ""


def _wrong_places(
    fault_at: Callable[[Any, tuple[str, ...]], str], event: Mapping[str, Any]
) -> list[tuple[str, str, str]]:
    """Return what is wrong with each place that an event names, the name, and what is allowed."""
    named: list[tuple[object, tuple[str, ...]]] = []
    if event.get("event") == "reconciled":
        named.append((event.get("record"), RECORD_PLACES))
        named += [(name, EXTRACTOR_PLACES) for name in event.get("extractors", {})]
    elif "file" in event:
        named.append((event["file"], SELECTION_PLACES))
    return [
        (fault, str(name), " or ".join(shapes).replace("*", "NAME"))
        for name, shapes in named
        if (fault := fault_at(name if isinstance(name, str) else None, shapes))
    ]


def append(folder: Path, events: Sequence[Mapping[str, Any]]) -> Path:
    """Add events to the history, all or none; the caller holds the review's lock.

    What the history says last of a file already is not said again: a run that was stopped between history and
    file is simply run again.

    Raises
    ------
    DataError
        When the history cannot be followed up to its end.
    """
    last = {event.get("file"): event for event in sound_history(folder)}
    path = folder / HISTORY
    events = [event for event in events if "file" not in event or not _said(event, last.get(event["file"]))]
    if not events:
        return path
    faults = [fault for event in events for fault in _wrong_places(partial(_place_fault, folder), event)]
    if faults:
        raise DataError(
            [Problem(file=str(folder), what=what, found=found, hint="rename it") for what, found, _ in faults]
        )
    content = path.read_bytes() if path.is_file() else b""
    if content and not content.endswith(b"\n"):
        content += b"\n"
    lines = content.splitlines()
    before = hashlib.sha256(lines[-1]).hexdigest() if lines else START
    for event in events:
        line = json.dumps({"previous": before, **event}, ensure_ascii=False).encode()
        content += line + b"\n"
        before = hashlib.sha256(line).hexdigest()
    return write_atomically(path, content, within=folder)


def _said(event: Mapping[str, Any], last: Mapping[str, Any] | None) -> bool:
    written = json.loads(json.dumps(event))
    return last is not None and written == {name: said for name, said in last.items() if name != "previous"}


def last_of_each(events: Sequence[Mapping[str, Any]]) -> dict[str, Mapping[str, Any]]:
    """Return the last reconciliation of each study, by its id."""
    return {str(event.get("study")): event for event in events if event.get("event") == "reconciled"}


def hashes_of_each(events: Sequence[Mapping[str, Any]]) -> dict[str, set[str]]:
    """Return the hashes of every agreed record that each study ever had."""
    found: dict[str, set[str]] = {}
    for event in events:
        if event.get("event") == "reconciled":
            found.setdefault(str(event.get("study")), set()).add(str(event.get("sha256")))
    return found


def history_questions(folder: Path) -> list[Problem]:
    """Ask about agreed records changed by hand since their reconciliation; tell a broken chain as an error.

    Such changes are allowed; they are pointed out, so that nobody takes them for what two people agreed.
    """
    events, problems = read_history(folder)
    found = list(problems)
    earlier = hashes_of_each(events)
    for study, event in last_of_each(events).items():
        path = folder / str(event.get("record", ""))
        if not path.is_file():
            what = f"the agreed record of {study} is no longer there"
            found.append(Problem(file=str(path), what=what, severity="question"))
        elif (digest := sha256_of(path)) != event.get("sha256") and digest in earlier[study]:
            what = f"an earlier agreed record of {study}; the last reconciliation was stopped half-way"
            hint = f"run 'metakit reconcile {folder}' with the decisions again"
            found.append(Problem(file=str(path), what=what, hint=hint, severity="question"))
        elif digest != event.get("sha256"):
            what = f"changed by hand since {study} was reconciled on {event.get('date')}"
            hint = "put the change into both extractors' records or the decisions and reconcile again"
            found.append(Problem(file=str(path), what=what, hint=hint, severity="question"))
        for name, hashed in dict(event.get("extractors", {})).items():
            source = folder / name
            if not source.is_file() or sha256_of(source) != hashed:
                what = f"changed since {study} was reconciled on {event.get('date')}"
                hint = f"run 'metakit reconcile {folder}' again"
                found.append(Problem(file=str(source), what=what, hint=hint, severity="question"))
    return found
