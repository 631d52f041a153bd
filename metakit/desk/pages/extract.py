"""Extract: one record, one part at a time; each field is saved as it is left, and told what is wrong."""

from __future__ import annotations

import datetime
from urllib.parse import quote

from starlette.responses import JSONResponse, Response

from metakit.desk.page import Asked, Page, elsewhere, go, not_here, posted, refused, shown
from metakit.desk.recording import Filled, add_to, remove_from, save_field, show_part, what_is_open
from metakit.desk.saving import change_file, new_file
from metakit.desk.standing import studies_to_begin
from metakit.desk.views import told
from metakit.errors import ProblemsError
from metakit.forms.records import Reading
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
from metakit.review.workbooks.answering import with_answer

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
        filled = _filled(asked, one)
        if one.standing == "unfinished":
            mark, words = filled.total.state, f"{filled.total.words}, not handed in"
        rows.append((one.name, filled.label, mark, words))
    return asked.page("extracts.html.j2", "Extract", rows=rows, waiting=studies_to_begin(asked.desk))


def _filled(asked: Asked, one: OwnRecord) -> Filled:
    reading = asked.desk.reading(one.path)
    label = (reading.group.text("study.label") if reading.group is not None else "") or one.name
    action = f"/extract/{quote(one.person)}/{quote(one.name)}"
    return Filled(path=one.path, action=action, label=label, reading=reading)


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
    return elsewhere(_filled(asked, _found(asked)).first_open())


def _show(asked: Asked) -> Response:
    one = _found(asked)
    filled = _filled(asked, one)
    name = asked.path["part"]
    if name == "hand-in":
        return _look_over(asked, filled)
    mine = one.person == asked.desk.person
    return show_part(
        asked, filled, name, crumb=("/extract", "Extract"), standing=STANDING[one.standing], mine=mine,
        readonly=_readonly(one, mine=mine), look_over="Look over and hand in",
        beside=asked.beside(asked.desk.shown_name(one.path), name),
    )  # fmt: skip


def _readonly(one: OwnRecord, *, mine: bool) -> str:
    if one.standing == "unfinished" and mine:
        return ""
    return "This record is handed in." if mine else f"{one.person} typed this; it can only be read here."


def _look_over(asked: Asked, filled: Filled) -> Response:
    asked_of = sum(problem.severity == "question" for problem in filled.reading.problems)
    return asked.page(
        "hand_in.html.j2", "Hand in", label=filled.label, file=asked.desk.shown_name(filled.path),
        action=filled.action, open=what_is_open(filled), asked=asked_of,
    )  # fmt: skip


def _set(asked: Asked) -> Response:
    return save_field(asked, _filled(asked, _own(asked)))


def _add(asked: Asked) -> Response:
    return add_to(asked, _filled(asked, _own(asked)))


def _remove(asked: Asked) -> Response:
    return remove_from(asked, _filled(asked, _own(asked)))


def _sign_answer(asked: Asked) -> Response:
    """Write an answer to a question beside the record's other answers."""
    one, fields = _own(asked), asked.fields
    if not fields.get("answer", "").strip():
        return refused("say what was found, and where")
    said = {name: fields.get(name, "") for name in ("rule", "field", "values", "answer")}
    said |= {"answered_by": asked.desk.person, "answered_on": datetime.date.today().isoformat()}

    def edit(text: str, reading: Reading) -> str:
        return with_answer(text, said, reading.form or asked.desk.library.form("study"))

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
    action = _filled(asked, one).action
    take_back(asked.desk.folder, one)
    return go(f"{action}/report")


def _own(asked: Asked) -> OwnRecord:
    """Return the unfinished record of the person at the desk that a post is about."""
    one = own_record(asked.desk.folder, asked.path["who"], asked.path["study"])
    if one is None or one.person != asked.desk.person:
        raise not_here("only who typed a record changes it")
    if one.standing != "unfinished":
        raise not_here("this record was handed in; take it back to change it")
    return one


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
