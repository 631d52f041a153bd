"""A file of the review filled in part by part: shown, saved field by field, entries added and removed.

Records and the plan are filled in the same way; each page says where its file stands and what else it shows.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.responses import JSONResponse, Response

from metakit.desk.changes import Change, ConflictError, with_entry, without_entry
from metakit.desk.html_forms import Views
from metakit.desk.page import Asked, go, not_here
from metakit.desk.parts import LEFT_OUT, Part, part_of, parts_of
from metakit.desk.progress import Progress, progress_of, trust_in
from metakit.desk.saving import Saved, change_file, save_fields
from metakit.desk.shell import fragment, state_mark
from metakit.desk.views import GroupView, Told, entry_words, problems_by_address, told
from metakit.errors import UsageError
from metakit.forms.records import Reading
from metakit.forms.splice import plain_of

OPEN = ("empty", "unfinished", "wrong")
SHOW_AGAIN = ("outcome", "reporting", "instrument", "measure", "type", "judgement")
"""Fields on which depends what else is asked: the part is shown again when one changes."""
OFFERED_AGAIN = ("arm", "comparator", "time.value", "time.unit", "time.label", "whole")


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """A file that is filled in: where it stands, under which address of the desk, in which form."""

    path: Path
    action: str
    label: str
    reading: Reading

    @property
    def counts(self) -> dict[str, Progress]:
        """Return the progress of its sections and entries."""
        return progress_of(self.reading, self.reading.form, LEFT_OUT) if self.reading.form is not None else {}

    @property
    def parts(self) -> tuple[Part, ...]:
        """Return its parts, headings left out."""
        return tuple(part for part in parts_of(self.reading) if part.name)

    @property
    def total(self) -> Progress:
        """Return the progress of the whole."""
        return sum(self.counts.values(), Progress())

    def first_open(self) -> str:
        """Return the address of the first part that is not complete."""
        counts = self.counts
        undone = (part.name for part in self.parts if progress_in(counts, part).state in OPEN)
        return f"{self.action}/{quote(next(undone, self.parts[0].name if self.parts else 'report'))}"


def progress_in(counts: Mapping[str, Progress], part: Part) -> Progress:
    """Return the progress of a part."""
    return sum((counts.get(name, Progress()) for name in part.sections or (part.name,)), Progress())


def show_part(asked: Asked, filled: Filled, name: str, **frame: Any) -> Response:
    """Return the page of one part; `frame` is what the page says around it."""
    reading = filled.reading
    if reading.group is None or reading.form is None:
        problems = "; ".join(told(problem, "").text for problem in reading.problems[:5])
        raise not_here(f"{asked.desk.shown_name(filled.path)} cannot be read: {problems}")
    views = Views(reading, plain_of(filled.path.read_bytes().decode("utf-8-sig")))
    real = filled.parts
    here = next((part for part in real if part.name == name), None)
    if here is None:
        raise not_here("there is no such part (any more)")
    counts = filled.counts
    content: dict[str, Any] = {"views": [], "starting": None, "list_help": "", "entries": []}
    spec = reading.form.find(name.partition("[")[0])
    if here.sections:
        found = [reading.form.find(section) for section in here.sections]
        content["views"] = [views.section(one) for one in found if one is not None]
    elif "[" in name and spec is not None:
        entry = views.entry(spec, name.partition("[")[2].removesuffix("]"))
        content["views"] = [replace(entry, label="")] if isinstance(entry, GroupView) else []
    elif spec is not None:
        content["starting"] = views.keys(spec, _last(reading, name))
        content["list_help"] = spec.help
        for key, group in views.addresses.entries(reading.group, spec):
            where = f"{name}[{key}]"
            words = entry_words(group, spec, reading.form) or key
            content["entries"].append((where, words, counts.get(where, Progress())))
    after = real[real.index(here) + 1] if here in real[:-1] else None
    return asked.page(
        "extract.html.j2", filled.label, file=asked.desk.shown_name(filled.path), part=name,
        label=filled.label, heading=here.words, action=filled.action, sha256=reading.sha256,
        form=reading.form.name, parts=[_shown(part, counts) for part in parts_of(reading)],
        total=filled.total, next_part=after.name if after else "", next_words=after.words if after else "",
        removable="[" in name, **content, **frame,
    )  # fmt: skip


def what_is_open(filled: Filled) -> list[tuple[str, str, str]]:
    """Return each error of the file: the part where it is mended, the field in words, what is wrong."""
    reading = filled.reading
    addresses = reading.addresses
    if addresses is None:
        raise not_here("this file cannot be read")
    rows = []
    for problem in reading.problems:
        if problem.severity == "error":
            address = addresses.of(problem.field) if problem.field else ""
            part = part_of(filled.parts, address)
            field = address.rpartition("].")[2] if "]." in address else address
            where = f"{part.words} · {field.replace('_', ' ').replace('.', ', ')}" if part else address
            rows.append((part.name if part else filled.parts[0].name, where, told(problem, address).text))
    return rows


def save_field(asked: Asked, filled: Filled) -> Response:
    """Save one field; the same field changed elsewhere is 409 with both values."""
    fields = asked.fields
    change = Change(address=fields.get("address", ""), old=fields.get("old", ""), new=fields.get("new", ""))
    try:
        saved = save_fields(asked.desk, filled.path, fields.get("sha256", ""), [change])
    except ConflictError as conflict:
        now = asked.desk.reading(filled.path).sha256
        said = {"conflict": str(conflict), "yours": conflict.yours, "theirs": conflict.theirs, "sha256": now}
        return JSONResponse(said, status_code=409)
    return JSONResponse(_after(saved, replace(filled, reading=saved.reading), change.address))


def _after(saved: Saved, filled: Filled, address: str) -> dict[str, Any]:
    """Return what the page shows after a save: what is wrong where, how far each part is, what moved."""
    found = problems_by_address(saved.reading)
    counts = filled.counts
    named = {"": sum(counts.values(), Progress()), **counts}
    named |= {part.name: progress_in(counts, part) for part in filled.parts if part.sections}
    marks = {name: str(state_mark(one.state, one.words)) for name, one in named.items()}
    if saved.reading.group is not None:  # a record's page of trust shows how far it is
        marks["appraisal"] = str(state_mark(*trust_in(saved.reading.group)))
    plain = "".join(piece.split("]")[-1] for piece in address.split("["))
    return {
        "sha256": saved.sha256,
        "problems": {where: _told_html(tuple(problems), filled.action) for where, problems in found.items()},
        "errors": [
            where for where, problems in found.items() if any(one.severity == "error" for one in problems)
        ],
        "parts": marks,
        "moved": dict(saved.moved),
        "again": plain.rpartition(".")[2] in SHOW_AGAIN or bool(saved.moved),
    }


@functools.lru_cache(maxsize=4096)
def _told_html(problems: tuple[Told, ...], action: str) -> str:
    """Return what is told at a field; most of a record's questions are the same after a save."""
    return str(fragment("told_at_field.html.j2", told=problems, action=action))


def add_to(asked: Asked, filled: Filled) -> Response:
    """Add an entry to a list, and lead to it."""
    listed, form = asked.fields.get("list", ""), filled.reading.form
    keys = {name[4:]: text for name, text in asked.fields.items() if name.startswith("key.")}
    if form is None:
        raise UsageError("this file cannot be read; mend it by hand, then go on here")
    found: list[str] = []

    def edit(text: str, reading: Reading) -> str:
        text, address = with_entry(text, reading.form or form, listed, keys)
        found.append(address)
        return text

    change_file(asked.desk, filled.path, edit)
    part = part_of(filled.parts, found[0]) if "]" in listed or "." in listed else None
    return go(f"{filled.action}/{quote(part.name if part else found[0])}")


def remove_from(asked: Asked, filled: Filled) -> Response:
    """Remove an entry from a list."""
    address, form = asked.fields.get("address", ""), filled.reading.form
    part = part_of(filled.parts, address)
    if form is None:
        raise UsageError("this file cannot be read; mend it by hand, then go on here")
    seen = asked.fields.get("sha256", "")

    def edit(text: str, reading: Reading) -> str:
        numbered = address.endswith("]") and address.rpartition("[")[2][:-1].isdigit()
        if numbered and seen != reading.sha256:
            raise UsageError("changed elsewhere since this page was shown; look again before you remove it")
        return without_entry(text, reading.form or form, address)

    change_file(asked.desk, filled.path, edit)
    here = part.name if part and part.name != address else address.partition("[")[0]
    return go(f"{filled.action}/{quote(here)}")


def _shown(part: Part, counts: Mapping[str, Progress]) -> dict[str, Any]:
    progress = progress_in(counts, part) if part.sections or "[" in part.name else None
    heading = "" if part.name else part.words
    return {"heading": heading, "part": part.name, "words": part.words, "progress": progress}


def _last(reading: Reading, listed: str) -> dict[str, str]:
    """Return arm, time and the like of the entry that stands last, to be offered for the next one."""
    entries = reading.group.groups(listed) if reading.group is not None else ()
    return {name: entries[-1].typed(name) for name in OFFERED_AGAIN} if entries else {}
