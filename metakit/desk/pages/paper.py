"""The paper beside the form: its pages, the words of a box and what they may mean, places kept and shown."""

from __future__ import annotations

import atexit
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup
from starlette.responses import JSONResponse, Response

from metakit.core.boxes import Box, box_of, box_text
from metakit.core.places import WrongPlaceError, name_fault, place_within
from metakit.core.values import PaperPlace
from metakit.desk.page import Asked, Page, not_here, posted, refused, shown, told
from metakit.desk.saving import change_file
from metakit.desk.shell import fragment
from metakit.errors import MetakitError, UsageError
from metakit.forms.records import Reading
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.papers.proposals import proposals_for
from metakit.papers.reader import Paper, PaperReader
from metakit.papers.scans import DPI, ScanRead, read_scan
from metakit.papers.words import around, quote_of, words_in
from metakit.review.places import SECTION, places_of, with_place, without_place
from metakit.review.reports import add_report, paper_of, read_reports, reports_of

RECORD_SHAPES = ("extractors/*/*.yaml", "extractors/*/unfinished/*.yaml", "records/*.yaml")
_SHOWN_BOX = re.compile(r"(?:(?:0|1|0?\.\d{1,7}|[01]\.\d{1,7})(?:e-\d{1,2})? ?){4}")
_COMPARE = "A program on this computer read the picture: compare every digit with it before you take any."
_ALONE = "One sign alone is read badly by a program: look at the picture and type it yourself."
READER = PaperReader()
"""One child process for all papers; it starts when the first one is asked for."""
atexit.register(READER.close)


def _paper(asked: Asked) -> Paper:
    paper = paper_of(asked.desk.folder, asked.path["sha"])
    if paper is None:
        raise not_here("this review does not know the paper, or its PDF is not on this computer")
    return paper


def _page(asked: Asked) -> int:
    return int(asked.path["page"])


def _add(asked: Asked) -> Response:
    study = asked.query.get("study", "")
    if name_fault(study) or "/" in study or not study:
        return refused("say first which study the paper belongs to")
    row = add_report(asked.desk.folder, study, asked.query.get("name", ""), asked.body, READER)
    return told(f"Kept as reports/{row.file}, {row.pages} pages.", sha256=row.sha256, pages=row.pages)


def _picture_of_page(asked: Asked) -> Response:
    return Response(READER.page(_paper(asked), _page(asked)).content, media_type="image/jpeg")


def _picture_of_place(asked: Asked) -> Response:
    box = box_of(asked.path["box"].replace("_", " "))
    if box is None:
        raise not_here("this is no box on a page")
    return Response(READER.place(_paper(asked), _page(asked), box).content, media_type="image/png")


def _words(asked: Asked) -> Response:
    found = READER.words(_paper(asked), _page(asked))
    rows = [
        [word.text, *(round(end, 5) for end in found.frame.to_shown(word.box)), word.cell, word.line]
        for word in found.words
    ]
    frame = {"box": found.frame.box, "rotation": found.frame.rotation}
    return JSONResponse({"words": rows, "note": found.note, "frame": frame})


def _read(asked: Asked) -> Response:
    """Tell what a box holds and what it may mean for the entry that is filled in; fill in nothing."""
    quote, box = _in_box(asked, asked.fields.get("box", ""))
    address = asked.fields.get("field", "") or asked.fields.get("part", "")
    entry, field = _split(address)
    reading = _record(asked)[1] if asked.fields.get("file") else None
    fields = _fields_of(reading, entry) if reading else ()
    total = _typed(reading, f"{entry}.total") if reading and "total" in fields else ""
    scan = None if quote else _scanned(asked, box)
    found = proposals_for(scan.text if scan else quote, field=field, fields=fields, total=total)
    dot = f"{entry}." if entry else ""
    proposals = [
        {
            "values": [[dot + name, text] for name, text in proposal.values.items()],
            "label": proposal.label,
            "because": proposal.because,
        }
        for proposal in found.proposals
    ]
    more = {"box": box_text(box), "quote": found.quote, "question": found.question, "told": list(found.told)}
    if scan is not None:  # what a program reads in a picture is no quotation
        words = _ALONE if scan.alone else _COMPARE
        more |= {"quote": "", "scanned": scan.text, "told": [words, *found.told]}
        if scan.alone:
            more["question"], proposals = "", []
    return JSONResponse({**more, "proposals": proposals})


def _scanned(asked: Asked, box: Box) -> ScanRead | None:
    """Return what the picture of a place seems to say, on a page without any text."""
    paper, page = _paper(asked), _page(asked)
    if READER.words(paper, page).words:
        return None
    return read_scan(READER.cut_out(paper, page, box, dpi=DPI))


def _in_box(asked: Asked, shown_box: str) -> tuple[str, Box]:
    """Return the words in a box of the shown page, and the box around them in the page's own points."""
    if not _SHOWN_BOX.fullmatch(shown_box):
        raise UsageError("a box has four numbers between 0 and 1: left, top, right, bottom")
    left, top, right, bottom = (float(end) for end in shown_box.split())
    if not (left < right <= 1 and top < bottom <= 1):
        raise UsageError("this box has no area")
    found = READER.words(_paper(asked), _page(asked))
    box = found.frame.from_shown((left, top, right, bottom))
    words = words_in(found.words, box)
    return quote_of(words), around(words) if words else box


def _keep(asked: Asked) -> Response:
    """Keep a place for fields; their values are saved by the form itself."""
    path, reading = _record(asked)
    addresses = reading.addresses
    if reading.form is None or addresses is None or reading.form.find(f"{SECTION}.field") is None:
        return refused("this record's form keeps no places")
    box = box_of(asked.fields.get("box", ""))
    if box is None:
        return refused("this is no box on a page")
    fields = [field for field in asked.fields.get("fields", "").split("\n") if field]
    unknown = [field for field in fields if addresses.steps(field) is None]
    if unknown or not fields:
        return refused(
            "choose the field that the place belongs to" if not fields else f"no field {unknown[0]}"
        )
    paper, page = _paper(asked), _page(asked)
    found = READER.words(paper, page)
    place = {
        "field": fields[0],
        "page": str(page),
        "box": box_text(box),
        "quote": proposals_for(quote_of(words_in(found.words, box)), field="", fields=()).quote,
        "report": paper.sha256,
    }
    saved = change_file(asked.desk, path, lambda text, _: with_place(text, place, beside=fields[1:]))
    return told(f"Place kept: page {page}.", sha256=saved.sha256)


def _forget(asked: Asked) -> Response:
    path, _ = _record(asked)
    field = asked.fields.get("field", "")
    saved = change_file(asked.desk, path, lambda text, _: without_place(text, field))
    return told("Place removed.", sha256=saved.sha256)


def _record(asked: Asked) -> tuple[Path, Reading]:
    """Return a record of the review and what it says; no other file is touched."""
    try:
        path = place_within(asked.desk.folder, asked.fields.get("file", ""), RECORD_SHAPES)
    except WrongPlaceError as wrong:
        raise UsageError(f"no record: {wrong}") from None
    if not asked.desk.is_plain(path):
        raise not_here("there is no such record")
    return path, asked.desk.reading(path)


def _split(address: str) -> tuple[str, str]:
    """Return the entry of an address and the field within it."""
    end = address.rfind("]")
    if end < 0:
        group, dot, field = address.partition(".")
        return (group, field) if dot else ("", address)
    return address[: end + 1], address[end + 1 :].removeprefix(".")


def _fields_of(reading: Reading, entry: str) -> tuple[str, ...]:
    """Return the names of all fields within an entry, those of its groups with a dot."""
    form = reading.form
    spec = form.find(re.sub(r"\[[^\]]*\]", "", entry)) if form is not None and entry else None
    return tuple(_leaves(form, form.fields_of(spec))) if form is not None and spec is not None else ()


def _leaves(form: Form, specs: Sequence[FieldSpec], before: str = "") -> list[str]:
    found = []
    for spec in specs:
        if spec.type != GROUP:
            found.append(before + spec.name)
        elif not spec.repeats:
            found += _leaves(form, form.fields_of(spec), f"{before}{spec.name}.")
    return found


def _typed(reading: Reading, address: str) -> str:
    if reading.addresses is None:
        return ""
    for found, group, name in reading.addresses.all():
        if found == address and name:
            return group.typed(name)
    return ""


def _shown_places(reading: Reading, wanted: str, known: dict[str, int]) -> list[dict[str, Any]]:
    """Return the places of a part of a record for a template; those whose PDF is here have a picture."""
    group = reading.group
    places = [place for place in places_of(group) if _within(place.field, wanted)] if group else []
    return [_shown(place, place.report in known) for place in places]


def _within(field: str, part: str) -> bool:
    return not part or field == part or field.startswith((f"{part}.", f"{part}["))


def _shown(place: PaperPlace, here: bool) -> dict[str, Any]:
    box = box_text(place.box)
    return {
        "field": place.field,
        "label": _split(place.field)[1].replace("_", " ").replace(".", " ") or place.field,
        "page": place.page,
        "box": box,
        "quote": place.quote,
        "report": place.report,
        "picture": f"/place/{place.report}/{place.page}/{box.replace(' ', '_')}.png" if here else "",
    }


def _beside(asked: Asked, file: str, part: str) -> Markup:
    """Return the paper for the left side of a form."""
    study = Path(file).stem
    try:
        reports = reports_of(read_reports(asked.desk.folder), study)
        here = {row.sha256: row.pages for row in reports if paper_of(asked.desk.folder, row.sha256)}
        problem = ""
    except MetakitError as error:
        reports, here, problem = (), {}, str(error)
    if here:
        READER.start()  # it gets ready while the browser shows the form
    path = asked.desk.folder / file
    reading = asked.desk.reading(path) if asked.desk.is_plain(path) else None
    return fragment(
        "paper.html.j2",
        study=study,
        file=file,
        part=part,
        reports=[row for row in reports if row.sha256 in here],
        absent=[row for row in reports if row.sha256 not in here],
        places=_shown_places(reading, part, here) if reading else [],
        problem=problem,
    )


def _picture(asked: Asked, file: str, address: str) -> Markup:
    """Return pictures of the places of one value."""
    path = asked.desk.folder / file
    reading = asked.desk.reading(path) if asked.desk.is_plain(path) else None
    group = reading.group if reading else None
    places = [place for place in places_of(group) if place.field == address] if group else []
    if not places:
        return Markup()
    try:
        here = {place.report: 1 for place in places if paper_of(asked.desk.folder, place.report)}
    except MetakitError:
        here = {}
    return fragment("place.html.j2", places=[_shown(place, place.report in here) for place in places])


def _alone(asked: Asked) -> Response:
    """Show a paper by itself."""
    paper = _paper(asked)
    row = next(row for row in read_reports(asked.desk.folder) if row.sha256 == paper.sha256)
    return asked.page("paper_alone.html.j2", f"The paper of {row.study}", report=row)


PAGE = Page(
    name="paper",
    routes=(
        posted("/reports", _add),
        shown("/reports/{sha}/{page:int}.jpg", _picture_of_page),
        shown("/reports/{sha}/{page:int}/words", _words),
        posted("/reports/{sha}/{page:int}/read", _read),
        posted("/reports/{sha}/{page:int}/keep", _keep),
        posted("/places/remove", _forget),
        shown("/place/{sha}/{page:int}/{box}.png", _picture_of_place),
        shown("/paper/{sha}", _alone),
    ),
    scripts=("paper.js",),
    styles=("paper.css",),
    beside=_beside,
    picture=_picture,
)
