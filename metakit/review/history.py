"""The history of a review: one line an event, each holding the hash of the line before; only ever added to.

A chain shows that a line was changed, removed or put in between. It cannot show that lines were cut off at
the end; the agreed records, whose hashes it holds, show that.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from metakit.core.files import sha256_of, write_atomically
from metakit.errors import Problem

HISTORY = "history.jsonl"
START = "0" * 64


def read_history(folder: Path) -> tuple[tuple[Mapping[str, Any], ...], tuple[Problem, ...]]:
    """Return the events of a review's history and a question for every place where the chain is broken.

    Parameters
    ----------
    folder : Path
        The review folder; a review without history has no events and no questions.
    """
    path = folder / HISTORY
    if not path.is_file():
        return (), ()
    events: list[Mapping[str, Any]] = []
    problems: list[Problem] = []
    before = START
    for number, line in enumerate(path.read_bytes().splitlines(), start=1):

        def ask(what: str, found: str = "", number: int = number) -> None:
            problems.append(
                Problem(file=str(path), line=number, what=what, found=found[:80], severity="question")
            )

        try:
            event = json.loads(line)
        except ValueError:
            event = None
        if not isinstance(event, dict):
            ask("this line of the history cannot be read", line.decode("utf-8", "replace"))
        else:
            if event.get("previous") != before:
                ask("the chain of the history is broken: this line does not follow from the one before")
            events.append(event)
        before = hashlib.sha256(line).hexdigest()
    return tuple(events), tuple(problems)


def append(folder: Path, events: Sequence[Mapping[str, Any]]) -> Path:
    """Add events to the history, all or none; the caller holds the review's lock."""
    path = folder / HISTORY
    content = path.read_bytes() if path.is_file() else b""
    if content and not content.endswith(b"\n"):
        content += b"\n"
    lines = content.splitlines()
    before = hashlib.sha256(lines[-1]).hexdigest() if lines else START
    for event in events:
        line = json.dumps({"previous": before, **event}, ensure_ascii=False).encode()
        content += line + b"\n"
        before = hashlib.sha256(line).hexdigest()
    return write_atomically(path, content)


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
    """Ask about agreed records changed by hand since their reconciliation, and about a broken chain.

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
