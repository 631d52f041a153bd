"""Invented judgements of certainty: some signed, one on an answer that has changed since, one a draft.

The generator puts today's answers and proposals under them, as `metakit certainty` would; what persons judged,
and why, is typed here. Most analyses have no judgement at all, so that the report shows proposals that nobody
signed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from invented.writer import OneLine
from metakit.core.records import CertaintyJudgement, DomainJudgement
from metakit.review.typed_certainty import seal_of

ADA, BRAM = "Ada Quillfeather (invented)", "Bram Overlook (invented)"
OURS = "patients, surgeons and follow-up are those of our unit"
KNOWN = "we know of no registered study that never appeared"
JUDGED: dict[str, dict[str, tuple[int, str]]] = {
    "complications_lrti": {
        "inconsistency": (
            0,
            "the five studies point the same way; their small spread is counted as imprecision",
        ),
        "indirectness": (0, OURS),
        "imprecision": (-2, "only very large effects at the far end would change what we do"),
        "publication_bias": (0, KNOWN),
    },
    "dash_lrti": {
        "risk_of_bias": (-1, "concern is about losses at five years; this answer is about one year"),
        "inconsistency": (0, "no study lies near a difference that matters"),
        "indirectness": (0, OURS),
        "publication_bias": (0, KNOWN),
    },
    "complications_ball": {
        "inconsistency": (0, "one trial; counted as imprecision"),
        "indirectness": (0, OURS),
        "imprecision": (-3, "one trial; its interval holds a third fewer and twice as many complications"),
        "publication_bias": (0, KNOWN),
    },
    "pain_prosthesis": {
        "publication_bias": (
            -1,
            "two of three studies have ties to a maker, and a registered trial never appeared",
        ),
    },
}
"""What persons wrote, by analysis and domain; in a whole signature the other domains stand as proposed."""
SIGNED = {
    "complications_lrti": (ADA, "2026-03-02", "Judged in a meeting of two; both agreed."),
    "dash_lrti": (BRAM, "2026-03-02", ""),
    "complications_ball": (BRAM, "2026-03-03", ""),
}


def certainty(entries: Mapping[str, CertaintyJudgement]) -> dict[str, Any]:
    """Return the tree of certainty.yaml over today's proposals, by analysis."""
    made = [_entry(entries[name]) for name in JUDGED]
    entries_ = [*made[:2], _before(), *made[2:]]
    return {"form": "certainty", "form_version": 1, "keeps_facts": "yes", "judgements": entries_}


def _entry(today: CertaintyJudgement) -> dict[str, Any]:
    name = today.analysis
    whole = name in SIGNED
    lines = []
    for line in today.domains:
        typed = OneLine(domain=line.domain, proposed=line.proposed)
        judged = JUDGED[name].get(line.domain, (line.proposed, "") if whole else None)
        if judged is not None:
            typed |= {"judged": judged[0]} | ({"because": judged[1]} if judged[1] else {})
        lines.append(typed)
    entry: dict[str, Any] = {
        "analysis": name,
        "answer": today.answer,
        "start": today.start,
        "start_because": today.start_because,
        "rests_on": [OneLine(what=fact.what, value=fact.value) for fact in today.rests_on],
        "covers": today.covers,
        "domains": lines,
    }
    if name in SIGNED:
        by, on, note = SIGNED[name]
        entry |= {"signed_by": by, "signed_on": on} | ({"note": note} if note else {})
    else:
        entry["note"] = "A draft; to be discussed."
    return entry


def _before() -> dict[str, Any]:
    """Return the judgement of an answer before its second cohort, in a file that kept nothing but the answer."""
    levels = {
        "risk_of_bias": -2,
        "inconsistency": 0,
        "indirectness": 0,
        "imprecision": -1,
        "publication_bias": 0,
    }
    reasons = {"indirectness": {"because": OURS}, "publication_bias": {"because": KNOWN}}
    signed = CertaintyJudgement(
        analysis="complications_button",
        answer="risk ratio 0.55 (0.31 to 0.98), 1 study",
        start="high",
        domains=tuple(
            DomainJudgement(domain=domain, proposed=level, judged=level, **reasons.get(domain, {}))
            for domain, level in levels.items()
        ),
        signed_by=ADA,
        signed_on="2026-02-10",
    )
    return {
        "analysis": signed.analysis,
        "answer": signed.answer,
        "start": signed.start,
        "older": seal_of(signed),
        "domains": [
            OneLine(domain=domain, proposed=level, judged=level, **reasons.get(domain, {}))
            for domain, level in levels.items()
        ],
        "signed_by": signed.signed_by,
        "signed_on": signed.signed_on,
        "note": "Signed before the second cohort was extracted.",
    }
