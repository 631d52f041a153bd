"""Rules on judgements of certainty: named once, with reasons, signed as a whole."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date

from metakit.errors import Problem
from metakit.forms.rules.registry import Context, named_twice, rule
from metakit.forms.tree import Group

NEEDS = ("judgements.analysis", "judgements.domains.domain", "judgements.domains.judged")
_VERDICT = re.compile(r"\b(not\s+)?(statistically\s+)?(non-?)?significan(t|ce)\b", re.IGNORECASE)


@rule("judgements_named_once", "one judgement an analysis, one line a domain", needs=NEEDS, basis="logic")
def judgements_named_once(context: Context) -> Iterator[Problem]:
    """Find analyses judged twice, and domains judged twice in one analysis."""
    judgements = context.record.groups("judgements")
    yield from named_twice(judgements, "analysis")
    for item in judgements:
        yield from named_twice(item.groups("domains"), "domain")


@rule(
    "judgements_have_reasons",
    "a change has a reason and stays within its domain",
    needs=(*NEEDS, "judgements.domains.proposed", "judgements.domains.because"),
    basis="GRADE (Guyatt 2011): every judgement is explained",
)
def judgements_have_reasons(context: Context) -> Iterator[Problem]:
    """Find changes without a reason, levels that a domain does not have, and verdicts by a p value.

    An unsigned change without a reason is asked about: the proposal under a draft can move.
    """
    for item in context.record.groups("judgements"):
        for line in item.groups("domains"):
            term = context.term(line, "domain", "judgements.domains.domain")
            judged, proposed = line.integer("judged"), line.integer("proposed")
            for name, levels in (("proposed", proposed), ("judged", judged)):
                if term is None or levels is None:
                    continue
                lowest, highest = term.facts.integer("lowest") or 0, term.facts.integer("highest") or 0
                if not lowest <= levels <= highest:
                    yield line.problem(
                        name, f"{term.label.lower()} has no such level", found=line.typed(name),
                        allowed=f"{lowest} to {highest}", severity="error",
                    )  # fmt: skip
            if judged is not None and judged != proposed and not line.has("because"):
                yield line.problem(
                    "because", f"why {judged} instead of the proposed {proposed}?",
                    hint="say what a reader should know",
                    severity="error" if item.has("signed_by") else "question",
                )  # fmt: skip
            if _VERDICT.search(line.text("because")):
                yield line.problem(
                    "because", "reasons rest on intervals and differences that matter, not on a test",
                    found=line.typed("because"), severity="question",
                )  # fmt: skip


@rule(
    "judgements_signed",
    "a signature has a name and a date, and stands under levels that a person judged",
    needs=(*NEEDS, "judgements.signed_by", "judgements.signed_on"),
    basis="somebody answers for every judgement",
)
def judgements_signed(context: Context) -> Iterator[Problem]:
    """Find half signatures, dates to come, domains left blank under a signature, and open questions."""
    for item in context.record.groups("judgements"):
        for name, other in (("signed_by", "signed_on"), ("signed_on", "signed_by")):
            if item.has(name) and not item.has(other):
                yield item.problem(other, f"a signature has {name} and {other}", severity="error")
        if item.text("signed_on") > date.today().isoformat():
            yield item.problem(
                "signed_on", "nobody has signed on a day to come", found=item.typed("signed_on"),
                allowed="today or earlier", severity="error",
            )  # fmt: skip
        if item.has("signed_by"):
            yield from _left_open(context, item)


def _left_open(context: Context, item: Group) -> Iterator[Problem]:
    """Ask about what a signed judgement leaves blank; raising domains of trials cannot be judged."""
    for line in item.groups("domains"):
        term = context.term(line, "domain", "judgements.domains.domain")
        raises = term is not None and (term.facts.integer("highest") or 0) > 0
        if line.integer("judged") is None and not raises:
            yield line.problem(
                "judged", f"{line.text('domain').replace('_', ' ')} is not judged, so the signature does not "
                "count", hint="write the level, also where it is the proposed one", severity="question",
            )  # fmt: skip
        elif "Open: " in line.text("proposed_because") and not line.has("because") and not raises:
            yield line.problem(
                "because", f"{line.text('domain').replace('_', ' ')}: the open question has no answer",
                hint=line.text("proposed_because").partition("Open: ")[2], severity="question",
            )  # fmt: skip
