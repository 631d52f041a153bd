"""Extract: one record, one part at a time; each field is saved as it is left, and told what is wrong."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Any
from urllib.parse import quote

from starlette.responses import JSONResponse, Response

from metakit.desk.changes import Change, ConflictError, in_order, with_entry, without_entry
from metakit.desk.html_forms import Views
from metakit.desk.page import Asked, Page, elsewhere, go, not_here, posted, refused, shown
from metakit.desk.parts import LEFT_OUT, Part, part_of, parts_of
from metakit.desk.progress import Progress, progress_of
from metakit.desk.saving import Saved, change_file, new_file, save_fields
from metakit.desk.shell import fragment, state_mark
from metakit.desk.standing import studies_to_begin
from metakit.desk.views import GroupView, entry_words, problems_by_address, told
from metakit.errors import ProblemsError
from metakit.forms.addresses import Addresses
from metakit.forms.answers import SECTION
from metakit.forms.records import Reading
from metakit.forms.splice import add_entry, plain_of
from metakit.review.unfinished import (
    UNFINISHED,
    OwnRecord,
    first_text,
    hand_in,
    own_record,
    own_records,
    record_name,
    take_back,
)

STANDING = {
    "unfinished": ("unfinished", "not handed in"),
    "handed_in": ("handed_in", "handed in"),
    "in_review": ("handed_in", "in the review, as one person’s"),
}


def _list(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
    rows = []
    for one in own_records(asked.desk.folder, asked.desk.person):
        mark, words = STANDING[one.standing]
        if one.standing == "unfinished":
            total = sum(_progress(asked.desk.reading(one.path)).values(), Progress())
            mark, words = total.state, f"{total.words}, not handed in"
        rows.append((one.name, _label(asked.desk.reading(one.path), one), mark, words))
    return asked.page("extracts.html.j2", "Extract", rows=rows, waiting=studies_to_begin(asked.desk))


def _begin(asked: Asked) -> Response:
    study, label = asked.fields.get("study", "").strip(), asked.fields.get("label", "").strip()
    person, form = asked.desk.person, asked.desk.library.form("study")
    if not person:
        return go("/person")
    if own_record(asked.desk.folder, person, record_name(study)):
        return refused("you have a record of this name already", field="study")
    path = asked.desk.folder / "extractors" / person / UNFINISHED / f"{study}.yaml"
    new_file(asked.desk, path, first_text(study, label, person, form.name, form.version))
    return go(f"/extract/{person}/{quote(study)}/report")


def _found(asked: Asked) -> OwnRecord:
    """Return the record that is asked for; another person's only when both have handed in."""
    who, study = asked.path["who"], asked.path["study"]
    one = own_record(asked.desk.folder, who, study)
    if one is None or not asked.desk.is_plain(one.path):
        raise not_here(f"{who} has no record {study}")
    if who != asked.desk.person:
        mine = own_record(asked.desk.folder, asked.desk.person, study) if asked.desk.person else None
        if one.standing == "unfinished" or mine is None or mine.standing == "unfinished":
            raise not_here(f"what {who} typed is shown when both of you have handed in")
    return one


def _open(asked: Asked) -> Response:
    one = _found(asked)
    counts = _progress(asked.desk.reading(one.path))
    parts = _parts(asked, one)
    open_ones = ("empty", "unfinished", "wrong")
    undone = (part.name for part in parts if part.name and _sum(counts, part).state in open_ones)
    return elsewhere(f"{_action(asked)}/{quote(next(undone, 'report'))}")


def _show(asked: Asked) -> Response:
    one = _found(asked)
    name = asked.path["part"]
    reading = asked.desk.reading(one.path)
    if reading.group is None or reading.form is None:
        problems = "; ".join(told(problem, "").text for problem in reading.problems[:5])
        raise not_here(f"{asked.desk.shown_name(one.path)} cannot be read: {problems}")
    if name == "hand-in":
        return _look_over(asked, one, reading)
    views = Views(reading, plain_of(one.path.read_bytes().decode("utf-8-sig")))
    parts = _parts(asked, one)
    here = next((part for part in parts if part.name == name), None)
    if here is None:
        raise not_here("the record has no such part (any more)")
    counts = _progress(reading)
    content: dict[str, Any] = {"views": [], "starting": None, "list_help": "", "entries": []}
    content["removable"] = "[" in name
    spec = reading.form.find(name.partition("[")[0])
    if here.sections:
        content["views"] = [views.section(reading.form.find(section)) for section in here.sections]  # type: ignore[arg-type]
    elif "[" in name and spec is not None:
        entry = views.entry(spec, name.partition("[")[2].removesuffix("]"))
        content["views"] = [replace(entry, label="")] if isinstance(entry, GroupView) else []
    elif spec is not None:
        entries = list(views.addresses.entries(reading.group, spec))
        content["starting"] = views.keys(spec, _last(reading, name))
        content["list_help"] = spec.help
        content["entries"] = [
            (
                f"{name}[{key}]",
                entry_words(group, spec, reading.form),
                counts.get(f"{name}[{key}]", Progress()),
            )
            for key, group in entries
        ]
    real = [part for part in parts if part.name]
    after = real[real.index(here) + 1] if here in real[:-1] else None
    mine = one.person == asked.desk.person
    return asked.page(
        "extract.html.j2", _label(reading, one), file=asked.desk.shown_name(one.path), part=name,
        label=_label(reading, one), heading=here.words, action=_action(asked), sha256=reading.sha256,
        parts=[_shown(part, counts) for part in parts], standing=STANDING[one.standing], mine=mine,
        total=sum(counts.values(), Progress()), next_part=after.name if after else "",
        next_words=after.words if after else "", readonly=_readonly(one, mine=mine),
        beside=asked.beside(asked.desk.shown_name(one.path), name), **content,
    )  # fmt: skip


def _readonly(one: OwnRecord, *, mine: bool) -> str:
    if one.standing == "unfinished" and mine:
        return ""
    return "This record is handed in." if mine else f"{one.person} typed this; it can only be read here."


def _look_over(asked: Asked, one: OwnRecord, reading: Reading) -> Response:
    if reading.group is None or reading.form is None:
        raise not_here("this record cannot be read")
    addresses = Addresses(reading.group, reading.form)
    parts = [part for part in _parts(asked, one) if part.name]
    rows = []
    for problem in reading.problems:
        if problem.severity == "error":
            address = addresses.of(problem.field) if problem.field else ""
            part = part_of(parts, address)
            field = address.rpartition("].")[2] if "]." in address else address
            where = f"{part.words} · {field.replace('_', ' ').replace('.', ', ')}" if part else address
            rows.append((part.name if part else "report", where, told(problem, address).text))
    asked_of = sum(problem.severity == "question" for problem in reading.problems)
    return asked.page(
        "hand_in.html.j2", "Hand in", label=_label(reading, one), file=asked.desk.shown_name(one.path),
        action=_action(asked), open=rows, asked=asked_of,
    )  # fmt: skip


def _set(asked: Asked) -> Response:
    one = _own(asked)
    fields = asked.fields
    change = Change(address=fields.get("address", ""), old=fields.get("old", ""), new=fields.get("new", ""))
    try:
        saved = save_fields(asked.desk, one.path, fields.get("sha256", ""), [change])
    except ConflictError as conflict:
        now = asked.desk.reading(one.path).sha256
        said = {"conflict": str(conflict), "yours": conflict.yours, "theirs": conflict.theirs, "sha256": now}
        return JSONResponse(said, status_code=409)
    return JSONResponse(_answer(asked, saved, change.address))


def _answer(asked: Asked, saved: Saved, address: str) -> dict[str, Any]:
    """Return what the page shows after a save: what is wrong where, how far each part is, what moved."""
    action = _action(asked)
    problems = {
        where: str(fragment("told_at_field.html.j2", told=found, action=action))
        for where, found in problems_by_address(saved.reading).items()
    }
    errors = [
        where
        for where, found in problems_by_address(saved.reading).items()
        if any(one.severity == "error" for one in found)
    ]
    counts = _progress(saved.reading)
    total = sum(counts.values(), Progress())
    named = {"": total, **counts}
    if saved.reading.group is not None and saved.reading.form is not None:
        for part in parts_of(saved.reading):
            if part.sections:
                named[part.name] = _sum(counts, part)
    form = saved.reading.form
    plain = "".join(piece.split("]")[-1] for piece in address.split("["))
    return {
        "sha256": saved.sha256,
        "problems": problems,
        "errors": errors,
        "parts": {name: str(state_mark(one.state, one.words)) for name, one in named.items()},
        "moved": dict(saved.moved),
        "again": form is not None and plain.rpartition(".")[2] in ("outcome", "reporting", "instrument"),
    }


def _add(asked: Asked) -> Response:
    one = _own(asked)
    listed = asked.fields.get("list", "")
    keys = {name[4:]: text for name, text in asked.fields.items() if name.startswith("key.")}
    found: list[str] = []

    def edit(text: str, reading: Reading) -> str:
        form = reading.form or asked.desk.library.form("study")
        text, address = with_entry(text, form, listed, keys)
        found.append(address)
        return text

    change_file(asked.desk, one.path, edit)
    inside = "." in listed or "]" in listed
    part = part_of([part for part in _parts(asked, one) if part.name], found[0])
    return go(f"{_action(asked)}/{quote(part.name if inside and part else found[0])}")


def _remove(asked: Asked) -> Response:
    one = _own(asked)
    address = asked.fields.get("address", "")
    parts = [part for part in _parts(asked, one) if part.name]
    part = part_of(parts, address)

    def edit(text: str, reading: Reading) -> str:
        return without_entry(text, reading.form or asked.desk.library.form("study"), address)

    change_file(asked.desk, one.path, edit)
    here = part.name if part and part.name != address else address.partition("[")[0]
    return go(f"{_action(asked)}/{quote(here)}")


def _sign_answer(asked: Asked) -> Response:
    """Write an answer to a question beside the record's other answers."""
    one, fields = _own(asked), asked.fields
    if not fields.get("answer", "").strip():
        return refused("say what was found, and where")
    said = {name: fields.get(name, "") for name in ("rule", "field", "values", "answer")}
    said |= {"answered_by": asked.desk.person, "answered_on": datetime.date.today().isoformat()}
    kept = {name: text.strip() for name, text in said.items() if text.strip()}

    def edit(text: str, reading: Reading) -> str:
        form = reading.form or asked.desk.library.form("study")
        return add_entry(text, (SECTION,), kept, order=in_order(form), spread=True)

    change_file(asked.desk, one.path, edit)
    return JSONResponse({"again": True})


def _hand_in(asked: Asked) -> Response:
    one = _own(asked)
    try:
        hand_in(asked.desk.folder, one, asked.desk.library, alone=asked.fields.get("alone") == "yes")
    except ProblemsError as error:
        return refused(f"{len(error.problems)} to mend first: {told(error.problems[0], '').text}")
    return go("/")


def _take_back(asked: Asked) -> Response:
    one = _found(asked)
    if one.person != asked.desk.person:
        return refused("only who typed a record takes it back")
    take_back(asked.desk.folder, one)
    return go(f"{_action(asked)}/report")


def _own(asked: Asked) -> OwnRecord:
    """Return the unfinished record of the person at the desk that a post is about."""
    one = own_record(asked.desk.folder, asked.path["who"], asked.path["study"])
    if one is None or one.person != asked.desk.person:
        raise not_here("only who typed a record changes it")
    if one.standing != "unfinished":
        raise not_here("this record was handed in; take it back to change it")
    return one


def _action(asked: Asked) -> str:
    return f"/extract/{quote(asked.path['who'])}/{quote(asked.path['study'])}"


def _label(reading: Reading, one: OwnRecord) -> str:
    return (reading.group.text("study.label") if reading.group is not None else "") or one.name


def _progress(reading: Reading) -> dict[str, Progress]:
    return progress_of(reading, reading.form, LEFT_OUT) if reading.form is not None else {}


def _parts(asked: Asked, one: OwnRecord) -> tuple[Part, ...]:
    return parts_of(asked.desk.reading(one.path))


def _sum(counts: dict[str, Progress], part: Part) -> Progress:
    names = part.sections or (part.name,)
    return sum((counts.get(name, Progress()) for name in names), Progress())


def _shown(part: Part, counts: dict[str, Progress]) -> dict[str, Any]:
    progress = _sum(counts, part) if part.sections or "[" in part.name else None
    heading = "" if part.name else part.words
    return {"heading": heading, "part": part.name, "words": part.words, "progress": progress}


def _last(reading: Reading, listed: str) -> dict[str, str]:
    """Return arm, time and the like of the entry that stands last, to be offered for the next one."""
    entries = reading.group.groups(listed) if reading.group is not None else ()
    if not entries:
        return {}
    kept = ("arm", "comparator", "time.value", "time.unit", "time.label", "whole")
    return {name: entries[-1].typed(name) for name in kept}


PAGE = Page(
    name="extract",
    label="Extract",
    href="/extract",
    routes=(
        shown("/extract", _list),
        posted("/extract/begin", _begin),
        posted("/extract/{who}/{study}/set", _set),
        posted("/extract/{who}/{study}/add", _add),
        posted("/extract/{who}/{study}/remove", _remove),
        posted("/extract/{who}/{study}/answer", _sign_answer),
        posted("/extract/{who}/{study}/hand-in", _hand_in),
        posted("/extract/{who}/{study}/take-back", _take_back),
        shown("/extract/{who}/{study}", _open),
        shown("/extract/{who}/{study}/{part:path}", _show),
    ),
)
