"""Certainty: what is proposed for each answer, what a person judges, and the signature under it."""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING
from urllib.parse import quote

from starlette.responses import Response

from metakit.core.files import remove_leftovers
from metakit.core.records import CertaintyJudgement
from metakit.desk.closing import known_certainties
from metakit.desk.page import Asked, Page, elsewhere, go, not_here, posted, refused, shown
from metakit.desk.pages.working import waiting
from metakit.desk.reviewing import inputs_digest, reviewed
from metakit.review.certainty import CERTAINTY
from metakit.review.certainty_update import saved_judgements, update_certainty
from metakit.review.lock import review_lock

if TYPE_CHECKING:
    from metakit.decision.certainty import Certainty

MARKS = {
    "signed": "signed", "outdated": "changed", "partial": "unfinished", "contradicted": "wrong",
    "unsigned": "empty",
}  # fmt: skip


def _work(asked: Asked) -> Response:
    """Work the answers out, once for each state of the files; certainty rests on them."""
    from metakit.decision.certainty import all_certainties, network_certainties, pair_certainties
    from metakit.synthesis.run import synthesise

    desk = asked.desk
    digest = inputs_digest(desk)

    def work(say: Callable[[str], None]) -> None:
        def make() -> tuple[Certainty, ...]:
            findings = synthesise(reviewed(desk).review, progress=say, extraction=False)
            return (
                *all_certainties(findings), *network_certainties(findings), *pair_certainties(findings),
            )  # fmt: skip

        desk.keep(("certainties", digest), make)

    desk.tasks.begin("certainty", digest, work, writes=False)
    return go("/certainty")


def _now(asked: Asked, known: tuple[Certainty, ...]) -> tuple[Certainty, ...]:
    from metakit.decision.certainty import judged_anew

    return judged_anew(known, saved_judgements(asked.desk.folder, asked.desk.library))


def _list(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
    page = waiting(asked, "certainty", "Certainty", "the answers are being worked out")
    if page is not None:
        return page
    known = known_certainties(asked.desk)
    why_not = asked.desk.tasks.why_not("certainty", inputs_digest(asked.desk)) if known is None else ""
    rows = []
    for item in _now(asked, known) if known is not None else ():
        mark = MARKS.get(item.status, "empty")
        rows.append((item.body.analysis, item.body.answer, item.level_words, mark, item.status_words))
    return asked.page(
        "certainty_list.html.j2", "Certainty", known=known is not None, rows=rows, why_not=why_not
    )


def _one(asked: Asked) -> Certainty:
    known = known_certainties(asked.desk)
    if known is None:
        raise not_here("the answers changed or were not worked out yet; begin at Certainty")
    found = next((item for item in _now(asked, known) if item.body.analysis == asked.path["analysis"]), None)
    if found is None:
        raise not_here("no planned answer has this name")
    return found


def _show(asked: Asked) -> Response:
    from metakit.decision.worksheet import proposal_entry
    from metakit.forms.library import vocabulary

    item = _one(asked)
    names = vocabulary("certainty_domains")
    words = {line.domain: line.proposed_because for line in proposal_entry(item).domains}
    rows = []
    for line in item.lines:
        term = names.terms.get(line.proposal.domain)
        raises = (
            bool(term and "rais" in f"{term.label} {term.definition}".lower()) or line.proposal.levels > 0
        )
        rows.append(
            {"name": line.proposal.domain, "label": term.label if term else line.proposal.domain,
             "about": term.definition if term else "", "proposed": _levels(line.proposal.levels),
             "why": words.get(line.proposal.domain, line.proposal.reason), "settled": line.proposal.settled,
             "open": line.proposal.open, "judged": line.judged, "because": line.because,
             "choices": [(n, _levels(n)) for n in ((0, 1, 2) if raises else (0, -1, -2, -3))]}
        )  # fmt: skip
    judgement = item.judgement
    return asked.page(
        "certainty.html.j2", "Certainty", item=item, rows=rows, mark=MARKS.get(item.status, "empty"),
        judgement=judgement, signed=bool(judgement and judgement.signed_by), seen=_seen(judgement),
        action=f"/certainty/{quote(item.body.analysis)}", proposed=item.proposed.replace("_", " "),
    )  # fmt: skip


def _levels(levels: int) -> str:
    if not levels:
        return "not changed"
    return f"{'lowered' if levels < 0 else 'raised'} by {abs(levels)}"


def _seen(judgement: CertaintyJudgement | None) -> str:
    """Return the hash of what persons wrote, so that another window's judgement is noticed."""
    said = [] if judgement is None else [judgement.signed_by, judgement.signed_on, judgement.note]
    for line in judgement.domains if judgement is not None else ():
        said += [line.domain, str(line.judged), line.because]
    return hashlib.sha256("\0".join(said).encode()).hexdigest()


def _judge(asked: Asked) -> Response:
    """Keep what was judged, sign it, or begin anew over a signature that no longer holds."""
    from metakit.decision.worksheet import worksheet

    item, fields = _one(asked), asked.fields
    name, person, folder = item.body.analysis, asked.desk.person, asked.desk.folder
    do = fields.get("do", "keep")
    if not person:
        return go("/person")
    with review_lock(folder):
        saved = saved_judgements(folder, asked.desk.library)
        there = {one.analysis: one for one in saved}
        if _seen(there.get(name)) != fields.get("seen", ""):
            return refused("somebody judged this meanwhile; look again before you go on")
        old = there.get(name)
        if do == "renew" and old is not None and old.signed_by:
            made = worksheet([item], {name: old}, renew=[name]).judgements[0]
        elif old is not None and old.signed_by:
            return refused("this is signed; judge it anew first")
        else:
            made = worksheet([item], {name: old} if old else {}).judgements[0]
            made, missing = _filled(made, item, fields)
            if do == "sign":
                if missing:
                    return refused(f"before you sign: {'; '.join(missing)}")
                made = replace(made, signed_by=person, signed_on=datetime.date.today().isoformat())
        new = [made if one.analysis == name else one for one in saved]
        new += [] if old is not None else [made]
        remove_leftovers(folder / CERTAINTY)
        update_certainty(folder, saved, new, invented=asked.desk.invented)
    return go(f"/certainty/{quote(name)}")


def _filled(
    made: CertaintyJudgement, item: Certainty, given: Mapping[str, str]
) -> tuple[CertaintyJudgement, list[str]]:
    """Return the judgement with what the page says, and what a signature would still lack."""
    settled = {line.proposal.domain for line in item.lines if line.proposal.settled}
    asked = {line.proposal.domain for line in item.lines if line.proposal.open} - settled
    domains, missing = [], []
    for line in made.domains:
        typed, because = (
            given.get(f"level.{line.domain}", ""),
            given.get(f"because.{line.domain}", "").strip(),
        )
        judged = int(typed) if typed.lstrip("-").isdigit() and -3 <= int(typed) <= 2 else None
        words = line.domain.replace("_", " ")
        if line.domain not in settled:
            if judged is None:
                missing.append(f"{words} is not judged")
            elif judged != line.proposed and not because:
                missing.append(f"say why {words} is not as proposed")
            elif line.domain in asked and not because:
                missing.append(f"answer what is open in {words}")
        domains.append(replace(line, judged=judged, because=because))
    return replace(made, domains=tuple(domains), note=given.get("note", made.note).strip()), missing


PAGE = Page(
    name="certainty",
    label="Certainty",
    href="/certainty",
    routes=(
        shown("/certainty", _list),
        posted("/certainty/work", _work),
        shown("/certainty/{analysis}", _show),
        posted("/certainty/{analysis}", _judge),
    ),
)
