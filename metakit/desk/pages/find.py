"""Find: searches brought in, citations screened alone, then settled by two, and the flow that comes of it."""

from __future__ import annotations

import datetime
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from starlette.responses import Response

from metakit.core.places import name_fault
from metakit.desk.page import Asked, Page, elsewhere, go, not_here, posted, refused, shown
from metakit.desk.selecting import due_now, selection_of
from metakit.desk.views import told
from metakit.errors import ProblemsError
from metakit.forms.library import vocabulary
from metakit.review.selection import lists, reconciling
from metakit.review.selection.agreement_words import agreement_sentence
from metakit.review.selection.importing import import_search
from metakit.review.selection.screening import DECISIONS, STAGE_WORDS, UNSURE
from metakit.review.selection.tables import csv_text

ENDINGS = (".ris", ".bib", ".csv", ".nbib", ".xml")


def _show(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
    reading = selection_of(asked)
    selection = reading.selection if reading is not None else None
    rows: list[tuple[str, int]] = []
    agreement: list[str] = []
    left = later = settle = alone = 0
    if selection is not None:
        left = len(due_now(selection, asked.desk.person))
        later = len(lists.due(selection, asked.desk.person)) - left
        alone = later if len(selection.people) < 2 else 0
        settle = len(reconciling.open_conflicts(selection))
        agreement = [
            agreement_sentence(stage, found)
            for stage, found in reconciling.screening_agreement(selection).items()
        ]
        flow, names = selection.flow, {search.id: search.name for search in selection.searches}
        for name, side in (("", flow.databases), (" (other methods)", flow.other)) if flow else ():
            rows += (
                [(f"{box}{name}", count) for box, count, _ in side.sums(names)] if side is not None else []
            )
        rows += [("studies included in the review", flow.included_studies)] if flow else []
    wrong = [told(one, "").text for one in reading.problems if one.severity == "error"] if reading else []
    return asked.page(
        "find.html.j2", "Find", selection=selection, wrong=wrong, rows=rows, agreement=agreement, left=left,
        settle=settle, later=later, alone=alone,
        open=[one.what for one in selection.unfinished][:12] if selection else [],
        endings=", ".join(ENDINGS),
    )  # fmt: skip


def _import(asked: Asked) -> Response:
    """Take the export of a search as it came; its file's name names the search."""
    name = asked.query.get("name", "")
    if name_fault(name) or "/" in name or name.startswith(".") or Path(name).suffix.lower() not in ENDINGS:
        return refused(f"an export of a search ends with {', '.join(ENDINGS)}")
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / name
        path.write_bytes(asked.body)
        try:
            done = import_search(path, asked.desk.folder)
        except ProblemsError as error:
            return refused("; ".join(told(one, "").text for one in error.problems[:5]))
    return go(f"/find?search={done.search}")


def _screen(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
    reading = selection_of(asked)
    if reading is None or reading.selection is None:
        raise not_here("there are no citations to screen yet")
    selection, me = reading.selection, asked.desk.person
    alone = asked.query.get("alone") == "yes"
    due = due_now(selection, me, alone=alone)
    wanted = (asked.query.get("stage", ""), asked.query.get("citation", ""))
    known = {(one.stage, one.citation_id): one for one in selection.decisions.get(me, ())}
    here = next((key for key in (*due, *known) if key == wanted), due[0] if due else None)
    if here is None:
        return elsewhere("/find")
    stage, name = here
    return asked.page(
        "screen.html.j2", "Screen", citation=selection.citations[name], stage=stage,
        stage_words=STAGE_WORDS[stage], left=len(due), decision=known.get(here),
        choices=DECISIONS[stage], reasons=list(vocabulary("exclusion_reasons")), alone=alone,
        last=asked.query.get("last", ""), last_stage=asked.query.get("last_stage", ""),
    )  # fmt: skip


def _decide(asked: Asked) -> Response:
    fields, me = asked.fields, asked.desk.person
    stage, name = fields.get("stage", ""), fields.get("citation", "")
    if fields.get("decision", "") not in dict(DECISIONS).get(stage, ()):
        return refused("choose what to do with it", field="decision")
    row = {"citation_id": name, "stage": stage, lists.PERSON: me}
    row |= {one: fields.get(one, "").strip() for one in ("decision", "reason", "page", "study", "note")}
    if stage != "full_text" or row["decision"] != "exclude":
        row["reason"] = ""
    elif not row["reason"]:
        return refused("an excluded full text has one reason", field="reason")
    row["study"] = row["study"] if stage == "full_text" and row["decision"] == "include" else ""
    reading = selection_of(asked)
    if reading is None or reading.selection is None or name not in reading.selection.citations:
        return refused("there is no such citation any more")
    before = {(one.stage, one.citation_id): one for one in reading.selection.decisions.get(me, ())}
    known = before.get((stage, name))  # type: ignore[arg-type]
    if known is not None and known.decision != fields.get("seen", ""):
        return refused(f"another window decided {known.decision} meanwhile; look again")
    with _table(lists.LIST_COLUMNS, row) as path:
        try:
            lists.collect_screening(path, asked.desk.folder, replace=known is not None)
        except ProblemsError as error:
            return refused(told(error.problems[0], "").text)
    alone = "&alone=yes" if fields.get("alone") == "yes" else ""
    return go(f"/find/screen?last={name}&last_stage={stage}{alone}")


def _settle(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
    reading = selection_of(asked)
    selection = reading.selection if reading is not None else None
    waiting = reconciling.open_conflicts(selection) if selection is not None else []
    if selection is None or not waiting:
        return elsewhere("/find")
    stage, name = waiting[0]
    sides = [
        (person, decision)
        for person in selection.people
        for decision in selection.decisions[person]
        if decision.key == (stage, name)
    ]
    return asked.page(
        "settle.html.j2", "Settle", citation=selection.citations[name], stage=stage,
        stage_words=STAGE_WORDS[stage], left=len(waiting), sides=sides,
        choices=[one for one in DECISIONS[stage] if one != UNSURE],
        reasons=list(vocabulary("exclusion_reasons")),
    )  # fmt: skip


def _settled(asked: Asked) -> Response:
    fields = asked.fields
    reading = selection_of(asked)
    if reading is None or reading.selection is None:
        return refused("there is nothing to settle any more")
    key = (fields.get("stage", ""), fields.get("citation", ""))
    if key not in reconciling.open_conflicts(reading.selection):
        return refused("this was settled meanwhile; look again")
    if not fields.get("decision"):
        return refused("choose what was agreed", field="decision")
    row = {"stage": key[0], "citation_id": key[1], "decided_by": asked.desk.person}
    row |= {one: fields.get(one, "").strip() for one in ("decision", "reason", "page", "study", "note")}
    row["decided_on"] = datetime.date.today().isoformat()
    if key[0] != "full_text" or row["decision"] != "exclude":
        row["reason"] = ""
    with _table(reconciling.COLUMNS, row) as path:
        try:
            reconciling.adjudicate(asked.desk.folder, reading.selection, path)
        except ProblemsError as error:
            return refused(told(error.problems[0], "").text)
    return go("/find/agree")


@contextmanager
def _table(columns: tuple[str, ...], row: Mapping[str, Any]) -> Iterator[Path]:
    """Give a table with one row, as a person would have filled it in."""
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "desk.csv"
        cells = {name: row.get(name, "") for name in columns}
        path.write_text(csv_text(columns, [cells]), encoding="utf-8")
        yield path


PAGE = Page(
    name="find",
    label="Find",
    href="/find",
    routes=(
        shown("/find", _show),
        posted("/find/import", _import),
        shown("/find/screen", _screen),
        posted("/find/screen", _decide),
        shown("/find/agree", _settle),
        posted("/find/agree", _settled),
    ),
)
