"""Trust: an instrument's domains judged one by one, with reason and page; what its rule proposes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from urllib.parse import quote

from starlette.responses import Response

from metakit.desk.changes import in_order
from metakit.desk.html_forms import Views
from metakit.desk.page import Asked, Page, elsewhere, go, not_here, posted, refused, shown
from metakit.desk.progress import trust_in
from metakit.desk.saving import change_file
from metakit.desk.views import FieldView, GroupView
from metakit.errors import UsageError
from metakit.forms.library import vocabulary
from metakit.forms.overall_judgement import OVERALL, Proposal, domains_asked, has_overall, propose
from metakit.forms.records import Reading
from metakit.forms.specs import Term
from metakit.forms.splice import add_entry, plain_of, set_value
from metakit.forms.tree import Group
from metakit.review.unfinished import OwnRecord, own_record, own_records

ALL = "all"


def _list(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
    rows = []
    for one in own_records(asked.desk.folder, asked.desk.person):
        group = asked.desk.reading(one.path).group
        if group is not None:
            rows.append((one.name, group.text("study.label") or one.name, *trust_in(group)))
    return asked.page("trust_list.html.j2", "Trust", rows=rows)


def _own(asked: Asked) -> tuple[OwnRecord, Reading, Group]:
    one = own_record(asked.desk.folder, asked.desk.person, asked.path["study"])
    if one is None or not asked.desk.is_plain(one.path):
        raise not_here("you have no record of this study")
    reading = asked.desk.reading(one.path)
    if reading.group is None or reading.form is None:
        raise not_here("this record cannot be read; mend it first")
    return one, reading, reading.group


def _design(record: Group) -> str:
    term = vocabulary("study_designs").terms.get(record.text("design.type"))
    return term.facts.text("design_group") if term is not None else ""


def _show(asked: Asked) -> Response:
    one, reading, record = _own(asked)
    instruments = [
        (term.id, term.label, _design(record) in term.facts.words("design_groups"))
        for term in vocabulary("appraisal_instruments")
    ]
    chosen = record.text("appraisal.instrument")
    entries: list[dict[str, Any]] = []
    proposal: Proposal | None = None
    if chosen and reading.form is not None:
        instrument = vocabulary("appraisal_instruments")[chosen]
        entries = _entries(Views(reading, plain_of(one.path.read_bytes().decode("utf-8-sig"))), instrument)
        proposal = _proposal(record, instrument)
    scale = vocabulary("appraisal_levels")
    return asked.page(
        "trust.html.j2", "Trust", label=record.text("study.label") or one.name,
        file=asked.desk.shown_name(one.path), sha256=reading.sha256, name=one.name,
        action=f"/extract/{quote(one.person)}/{quote(one.name)}", instruments=instruments, chosen=chosen,
        design=record.text("design.type").replace("_", " "), entries=entries, proposal=proposal,
        level=scale[proposal.level].label if proposal and proposal.level else "",
        readonly=one.standing != "unfinished", standing=trust_in(record),
    )  # fmt: skip


def _entries(views: Views, instrument: Term) -> list[dict[str, Any]]:
    """Return each judgement of the record with its fields; only levels of the instrument are offered."""
    spec = views.form.find("appraisal")
    section = views.section(spec) if spec is not None else None
    levels, names = vocabulary("appraisal_levels"), vocabulary("appraisal_domains")
    allowed = tuple((level, levels[level].label or level) for level in instrument.facts.words("judgements"))
    found = []
    every = (*section.fields, *section.more) if isinstance(section, GroupView) else ()
    for entry in next((one.entries for one in every if hasattr(one, "entries")), ()):
        fields = {one.name: one for one in (*entry.fields, *entry.more) if isinstance(one, FieldView)}
        domain, outcome = fields["domain"].value, fields["outcome"].value
        term = names.terms.get(domain)
        known = {value for value, _ in allowed}
        extra = ((fields["judgement"].value, fields["judgement"].value),) if fields["judgement"].value else ()
        options = allowed if fields["judgement"].value in known else (*allowed, *extra)
        wanted = ["judgement", "reason", "page", *(["changed_because"] if domain == OVERALL else [])]
        level = replace(fields["judgement"], kind="choice", options=options, label="Level")
        given = [level if name == "judgement" else fields[name] for name in wanted if name in fields]
        about = "" if outcome in ("", ALL) else f" ({outcome.replace('_', ' ')})"
        words = f"{term.label if term else domain}{about}"
        definition = term.definition if term else ""
        found.append({"words": words, "about": definition, "view": entry, "fields": given})
    return found


def _proposal(record: Group, instrument: Term) -> Proposal | None:
    asked = domains_asked(instrument, _design(record))
    given = {
        one.text("domain"): one.text("judgement")
        for one in record.group("appraisal").groups("judgements")
        if one.text("outcome") == ALL
    }
    levels = {domain: given[domain] for domain in asked if given.get(domain)}
    allowed = instrument.facts.words("judgements")
    if len(levels) < len(asked) or any(level not in allowed for level in levels.values()):
        return None
    return propose(instrument, levels, vocabulary("appraisal_domains"), vocabulary("appraisal_levels"))


def _begin(asked: Asked) -> Response:
    """Write instrument, assessor and an entry for each domain, to be judged."""
    one, _, record = _own(asked)
    name = asked.fields.get("instrument", "")
    instruments = vocabulary("appraisal_instruments")
    if one.standing != "unfinished":
        return refused("this record was handed in; take it back to judge it")
    if name not in instruments:
        return refused("choose the instrument", field="instrument")
    if not _design(record):
        what = "type the design of the study first: it says which domains are asked"
        return refused(what, field="instrument")
    domains = domains_asked(instruments[name], _design(record))
    listed = (*domains, *((OVERALL,) if has_overall(instruments[name]) else ()))
    entry = {"judgement": "", "reason": "", "page": ""}

    def edit(text: str, reading: Reading) -> str:
        form = reading.form
        if form is None or plain_of(text).get("appraisal"):
            raise UsageError("an appraisal stands there already; look again")
        order = in_order(form)
        text = set_value(text, ("appraisal", "instrument"), name, order=order)
        text = set_value(text, ("appraisal", "assessor"), asked.desk.person, order=order)
        return with_judgements(text, listed, entry)

    change_file(asked.desk, one.path, edit)
    return go(f"/trust/{quote(one.name)}")


def with_judgements(text: str, domains: tuple[str, ...], entry: dict[str, str]) -> str:
    """Return a record's text with an entry for each domain, about all outcomes."""
    for domain in domains:
        made = {"domain": domain, "outcome": ALL, **entry}
        text = add_entry(text, ("appraisal", "judgements"), made, spread=True)
    return text


PAGE = Page(
    name="trust",
    label="Trust",
    href="/trust",
    routes=(shown("/trust", _list), shown("/trust/{study}", _show), posted("/trust/{study}", _begin)),
)
