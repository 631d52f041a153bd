"""Plan: question, outcomes, comparisons and analyses; recorded when it is fixed, with what changed since."""

from __future__ import annotations

import datetime

from starlette.responses import Response

from metakit.desk.page import Asked, Page, elsewhere, go, not_here, posted, refused, shown
from metakit.desk.recording import Filled, add_to, remove_from, save_field, show_part, what_is_open
from metakit.review.files import PROTOCOL
from metakit.review.folder import read_protocol
from metakit.review.history import read_history
from metakit.review.plan import EVENT, plan_standing, record_plan


def _filled(asked: Asked) -> Filled:
    path = asked.desk.folder / PROTOCOL
    if not asked.desk.is_plain(path):
        raise not_here("the review has no protocol.yaml; 'metakit new' makes one in a new folder")
    return Filled(path=path, action="/plan", label="Plan", reading=asked.desk.reading(path))


def _show(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
    filled = _filled(asked)
    open_fields = what_is_open(filled)
    sentences: tuple[str, ...] = ()
    recorded = False
    if not open_fields:
        protocol = read_protocol(asked.desk.folder)
        events = read_history(asked.desk.folder)[0]
        standing = plan_standing(protocol.fields, events)
        sentences = standing.sentences
        recorded = any(event.get("event") == EVENT and event.get("hash") == standing.hash for event in events)
    return asked.page(
        "plan.html.j2", "Plan", filled=filled, open=open_fields, sentences=sentences, recorded=recorded,
        file=asked.desk.shown_name(filled.path), first=filled.first_open(),
    )  # fmt: skip


def _part(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
    return show_part(
        asked, _filled(asked), asked.path["part"], crumb=("/plan", "Plan"), standing=("unfinished", ""),
        mine=True, readonly="", look_over="", beside="",
    )  # fmt: skip


def _set(asked: Asked) -> Response:
    return save_field(asked, _filled(asked))


def _add(asked: Asked) -> Response:
    return add_to(asked, _filled(asked))


def _remove(asked: Asked) -> Response:
    return remove_from(asked, _filled(asked))


def _record(asked: Asked) -> Response:
    if what_is_open(_filled(asked)):
        return refused("the plan is not complete yet")
    protocol = read_protocol(asked.desk.folder)
    if not protocol.date or protocol.date > datetime.date.today().isoformat():
        return refused("the day on which the plan was fixed lies ahead; mend it first")
    record_plan(asked.desk.folder, protocol.fields, date=protocol.date)
    return go("/plan")


PAGE = Page(
    name="plan",
    label="Plan",
    href="/plan",
    routes=(
        shown("/plan", _show),
        posted("/plan/set", _set),
        posted("/plan/add", _add),
        posted("/plan/remove", _remove),
        posted("/plan/record", _record),
        shown("/plan/{part:path}", _part),
    ),
)
