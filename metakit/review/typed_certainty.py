"""The typed view of the judgements of certainty."""

from __future__ import annotations

from typing import Literal, cast

from metakit.core.records import CertaintyJudgement, DomainJudgement, EarlierSignature, SignedFact
from metakit.forms.tree import Group


def certainty_judgements(group: Group) -> tuple[CertaintyJudgement, ...]:
    """Return the typed view of a checked certainty file."""
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
