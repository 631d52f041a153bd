"""Where each study of the review stands: who typed it, whether it is agreed, whether it was judged.

Read from names, hashes and a few lines of the files, so that the first page answers at once; what a file says
in full is read by the pages that show it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from metakit.core.files import sha256_of
from metakit.desk.parts import LEFT_OUT
from metakit.desk.progress import Progress, progress_of, trust_in
from metakit.desk.state import Desk
from metakit.review.extraction import extractor_files
from metakit.review.files import RECORDS, yaml_files
from metakit.review.history import last_of_each, read_history
from metakit.review.unfinished import UNFINISHED, people_of

_IN_STUDY = re.compile(r"^study:[^\n]*\n((?:[ #][^\n]*\n|\n)*)", re.MULTILINE)
_LINE = {name: re.compile(rf"^ +{name}: *(.*?) *$", re.MULTILINE) for name in ("id", "label", "status")}


@dataclass(slots=True, kw_only=True)
class StudyStanding:
    """One study.

    `typed` holds each person's standing, with the progress of an unfinished record, `trusted` who says in an
    unfinished record how far the study can be trusted, `files` the records that were handed in. `record` is
    agreed, outdated (a record changed since), single or empty; `judged` says whether an appraisal stands in
    the record that counts.
    """

    id: str
    label: str = ""
    name: str = ""
    typed: dict[str, tuple[str, Progress | None]] = field(default_factory=dict)
    trusted: set[str] = field(default_factory=set)
    files: dict[str, Path] = field(default_factory=dict)
    record: str = ""
    judged: bool = False

    @property
    def handed_in(self) -> tuple[str, ...]:
        """Return who has handed the study in."""
        return tuple(person for person, (standing, _) in self.typed.items() if standing == "handed_in")

    @property
    def to_agree(self) -> bool:
        """Whether two people have handed in and not agreed on what stands there now."""
        return len(self.handed_in) > 1 and self.record != "agreed"


def quick_facts(path: Path) -> Mapping[str, str]:
    """Return id, label and status of a record from its text, without reading all of it."""
    text = path.read_text(encoding="utf-8", errors="replace")
    found = _IN_STUDY.search(text)
    block = found[1] if found else ""
    facts = {}
    for name, line in _LINE.items():
        value = line.search(text if name == "status" else block)
        facts[name] = value[1].partition(" #")[0].strip().strip("\"'") if value else ""
    facts["judged"] = "yes" if re.search(r"^  judgements:", text, re.MULTILINE) else ""
    return facts


def standings(desk: Desk) -> tuple[StudyStanding, ...]:
    """Return where every study of the review stands, in the order of their ids."""
    folder = desk.folder
    found: dict[str, StudyStanding] = {}

    def facts_of(path: Path) -> Mapping[str, str]:
        return desk.keep(("facts", str(path), sha256_of(path)), lambda: quick_facts(path))

    def study(path: Path) -> StudyStanding:
        facts = facts_of(path)
        one = found.setdefault(facts["id"] or path.stem, StudyStanding(id=facts["id"] or path.stem))
        one.label, one.name = facts["label"] or one.label or one.id, path.stem
        return one

    for person, path in extractor_files(folder):
        one = study(path)
        one.typed[person], one.files[person] = ("handed_in", None), path
    for person in people_of(folder):
        for path in yaml_files(folder / "extractors" / person / UNFINISHED)[0]:
            reading = desk.reading(path)
            parts = progress_of(reading, reading.form, LEFT_OUT).values() if reading.form is not None else ()
            one = study(path)
            one.typed[person] = ("unfinished", sum(parts, Progress()))
            if reading.group is not None and trust_in(reading.group)[0] == "done":
                one.trusted.add(person)
    events = last_of_each(read_history(folder)[0])
    for path in yaml_files(folder / RECORDS)[0]:
        facts = facts_of(path)
        if not facts["id"]:
            continue  # an empty record, as a new review has it
        one = study(path)
        one.judged = bool(facts["judged"])
        event = events.get(one.id)
        one.record = "agreed" if facts["status"] == "agreed" else "single"
        if event is not None:
            sources = dict(event.get("extractors", {}))
            same = all(
                (folder / name).is_file() and sha256_of(folder / name) == digest
                for name, digest in sources.items()
            )
            one.record = "agreed" if same and sha256_of(path) == event.get("sha256") else "outdated"
    return tuple(found[key] for key in sorted(found))


def studies_to_begin(desk: Desk) -> tuple[tuple[str, str, str], ...]:
    """Return studies that others have begun and the person at the desk has not: id, label and why."""
    rows = []
    for one in standings(desk):
        others = [person for person in one.typed if person != desk.person]
        if others and desk.person not in one.typed and len(one.handed_in) < 2 and not one.record:
            rows.append((one.id, one.label, f"{' and '.join(others)} extracts it too"))
    return tuple(rows)
