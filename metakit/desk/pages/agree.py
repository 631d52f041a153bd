"""Agree: two people's records of a study, one disagreement at a time, then the agreed record."""

from __future__ import annotations

import datetime
from typing import Any
from urllib.parse import quote

from starlette.responses import Response

from metakit.desk.page import Asked, Page, elsewhere, go, not_here, posted, refused, shown
from metakit.desk.standing import StudyStanding, standings
from metakit.errors import ProblemsError
from metakit.review.reconciling.agreement_words import overall_words
from metakit.review.reconciling.reconcile_agreement import field_agreements, overall_agreement
from metakit.review.reconciling.reconcile_compared import Pair
from metakit.review.reconciling.reconcile_decisions import OTHER, YES_OR_NO, in_words
from metakit.review.reconciling.reconcile_decisions import shown as side_words
from metakit.review.reconciling.reconcile_one import agree, asked_of, decide, decided_of
from metakit.review.reconciling.reconcile_review import pair_of

AGREEMENT = {"agreed": ("agreed", "agreed"), "outdated": ("changed", "changed since it was agreed")}


def _list(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
    rows = []
    for one in standings(asked.desk):
        if len(one.handed_in) > 1:
            mark = {"agreed": "agreed", "outdated": "changed"}.get(one.record, "disagreed")
            words = {"agreed": "agreed", "outdated": "changed since it was agreed"}.get(
                one.record, "to be agreed"
            )
            rows.append((one.id, one.label, " and ".join(one.handed_in), mark, words))
    waiting = [one for one in standings(asked.desk) if len(one.typed) > 1 and len(one.handed_in) < 2]
    return asked.page("agree_list.html.j2", "Agree", rows=rows, waiting=waiting)


def _pair(asked: Asked) -> tuple[StudyStanding, Pair]:
    one = next((one for one in standings(asked.desk) if one.id == asked.path["study"]), None)
    if one is None:
        raise not_here("the review has no such study")
    people = sorted(one.files)
    if len(people) != 2:
        raise not_here(
            f"{len(people)} people have handed in {one.label}; what they typed is shown when two have"
        )
    readings = [asked.desk.reading(one.files[person]) for person in people]
    for person, reading in zip(people, readings, strict=True):
        if not reading.sound:
            raise not_here(f"the record of {person} holds errors; it has to be mended first")
    pair = pair_of(asked.desk.folder, one.id, (people[0], people[1]), (readings[0], readings[1]))
    return one, pair


def _show(asked: Asked) -> Response:
    one, pair = _pair(asked)
    decided = decided_of(asked.desk.folder, pair)
    rows = asked_of(pair)
    wanted = asked.query.get("field", "")
    undecided = [row for row in rows if row.item.needs_decision and row.item.address not in decided]
    here = next((row for row in rows if row.item.address == wanted), None)
    here = here or (undecided[0] if undecided and "all" not in asked.query else None)
    action = f"/agree/{quote(one.id)}"
    listed = [
        (row.item.address, row.what, row.item.needs_decision, decided.get(row.item.address)) for row in rows
    ]
    if here is None:
        fields = field_agreements(pair.items)
        words = overall_words(fields, overall_agreement(fields, pair.items))
        return asked.page(
            "agree_end.html.j2", f"Agree on {one.label}", study=one, people=pair.people, rows=listed,
            open=len(undecided), words=words, action=action,
        )  # fmt: skip
    number = rows.index(here)
    sides = []
    for person, side in zip(pair.people, (here.item.first, here.item.second), strict=True):
        file = asked.desk.shown_name(one.files[person])
        address = _own_address(here.item.address, pair, person)
        sides.append(
            {"person": person, "value": side_words(side), "source": side.source, "file": file,
             "picture": asked.picture(file, address)}
        )  # fmt: skip
    after = [row for row in [*rows[number + 1 :], *rows[:number]] if row in undecided]
    return asked.page(
        "agree.html.j2", f"Agree on {one.label}", study=one, people=pair.people, here=here, sides=sides,
        number=number + 1, of=len(rows), open=len(undecided), decision=decided.get(here.item.address),
        action=action, next=after[0].item.address if after else "", listed=listed,
        recognition=here.allowed == YES_OR_NO, other=OTHER in here.allowed,
        words=in_words(here.item.address), help=_help(pair, here.item.field),
    )  # fmt: skip


def _own_address(address: str, pair: Pair, person: str) -> str:
    """Return an address as the second person's record has it, whose arms may bear other ids."""
    if person == pair.people[0]:
        return address
    for name, theirs in pair.renamed.items():
        for start in ("[", "/"):
            for end in ("]", "/"):
                address = address.replace(f"{start}{name}{end}", f"{start}{theirs}{end}", 1)
    return address


def _help(pair: Pair, field: str) -> str:
    spec = pair.form.find(field)
    return spec.help if spec is not None else ""


def _decide(asked: Asked) -> Response:
    one, pair = _pair(asked)
    fields = asked.fields
    row = next((row for row in asked_of(pair) if row.item.address == fields.get("field", "")), None)
    if row is None:
        return refused("the two records do not differ there any more; look again")
    filled = {name: fields.get(name, "") for name in ("decision", "other_value", "reason")}
    if filled["decision"] != OTHER:
        filled["other_value"] = ""
    for name, what in (("decision", "choose what the agreed record holds"), ("reason", "say why")):
        if not filled[name].strip():
            return refused(what, field=name)
    if filled["decision"] == OTHER and not filled["other_value"].strip():
        return refused("type the other value", field="other_value")
    filled |= {"decided_by": asked.desk.person, "decided_on": datetime.date.today().isoformat()}
    decide(asked.desk.folder, row, filled, seen=fields.get("seen", ""))
    following = fields.get("next", "")
    return go(f"/agree/{quote(one.id)}" + (f"?field={quote(following)}" if following else ""))


def _write(asked: Asked) -> Response:
    one, pair = _pair(asked)
    try:
        agree(asked.desk.folder, pair)
    except ProblemsError as error:
        return refused("; ".join(str(problem) for problem in error.problems[:4]))
    return go(f"/agree/{quote(one.id)}?all")


def _page() -> Page:
    routes: tuple[Any, ...] = (
        shown("/agree", _list),
        shown("/agree/{study}", _show),
        posted("/agree/{study}", _decide),
        posted("/agree/{study}/write", _write),
    )
    return Page(name="agree", label="Agree", href="/agree", routes=routes)


PAGE = _page()
