"""The typed view of the judgements of certainty."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from typing import Literal, cast

from metakit.core.records import CertaintyJudgement, DomainJudgement, EarlierSignature, SignedFact
from metakit.forms.tree import Group


def certainty_judgements(group: Group) -> tuple[CertaintyJudgement, ...]:
    """Return the typed view of a checked certainty file.

    A file keeps facts when it says so, or when one of its entries says how many it covers. An entry without
    that number is then one from before only where its seal fits.
    """
    found = _judgements(group)
    if not (group.flag("keeps_facts") or any(item.covers is not None for item in found)):
        return found
    return tuple(
        replace(item, facts_gone=bool(item.signed_by) and item.covers is None and item.older != seal_of(item))
        for item in found
    )


def seal_of(item: CertaintyJudgement) -> str:
    """Return the seal of an entry: changed when its answer, facts, levels or signature are."""
    levels = [(line.domain, line.proposed, line.judged, line.because) for line in item.domains]
    facts = [(fact.what, fact.value) for fact in item.rests_on]
    told = [
        item.analysis,
        item.answer,
        item.start,
        item.start_because,
        facts,
        levels,
        item.signed_by,
        item.signed_on,
    ]
    return hashlib.sha256(json.dumps(told, ensure_ascii=False).encode()).hexdigest()[:16]


def _judgements(group: Group) -> tuple[CertaintyJudgement, ...]:
    return tuple(
        CertaintyJudgement(
            analysis=item.text("analysis"),
            answer=item.text("answer"),
            start=cast('Literal["high", "low"]', item.text("start")),
            start_because=item.text("start_because"),
            domains=tuple(
                DomainJudgement(
                    domain=line.text("domain"),
                    proposed=line.integer("proposed") or 0,
                    judged=line.integer("judged"),
                    because=line.text("because"),
                    proposed_because=line.text("proposed_because"),
                )
                for line in item.groups("domains")
            ),
            signed_by=item.text("signed_by"),
            signed_on=item.text("signed_on"),
            note=item.text("note"),
            rests_on=tuple(
                SignedFact(what=fact.text("what"), value=fact.text("value"))
                for fact in item.groups("rests_on")
            ),
            covers=item.integer("covers"),
            older=item.text("older"),
            earlier=tuple(
                EarlierSignature(
                    answer=old.text("answer"),
                    certainty=old.text("certainty"),
                    signed_by=old.text("signed_by"),
                    signed_on=old.text("signed_on"),
                )
                for old in item.groups("earlier")
            ),
            place=item.place,
        )
        for item in group.groups("judgements")
    )
