"""Certainty of one answer: what the software proposes, what a person signed, and what holds now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from metakit.core.records import CertaintyJudgement, DomainJudgement
from metakit.core.written import signed
from metakit.decision.analysis_body import body_of
from metakit.decision.evidence import EvidenceBody
from metakit.decision.network_body import network_bodies
from metakit.decision.proposals import Proposal, proposals, start_of
from metakit.decision.signatures import SignedChange, changes, named, not_judged, objections, unanswered
from metakit.synthesis.answers import finite
from metakit.synthesis.findings import Findings

Level = Literal["very_low", "low", "moderate", "high"]
LEVELS: tuple[Level, ...] = ("very_low", "low", "moderate", "high")
Status = Literal["unsigned", "signed", "partial", "outdated", "contradicted"]
STATUS_WORDS: dict[Status, str] = {
    "unsigned": "proposed, unsigned",
    "signed": "signed",
    "partial": "signed in part, does not count",
    "outdated": "signed for something else, does not count",
    "contradicted": "signed against its own numbers, does not count",
}


def level_after(start: str, levels: int) -> Level:
    """Return the certainty after moving from a start (`high` or `low`), never past either end.

    Examples
    --------
    >>> level_after("high", -1), level_after("low", -3), level_after("low", 2)
    ('moderate', 'very_low', 'high')
    """
    place = LEVELS.index("high" if start == "high" else "low") + levels
    return LEVELS[min(max(place, 0), len(LEVELS) - 1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class DomainLine:
    """One domain as it stands: the proposal of today, and what the person made of the one before them.

    `judged` is what the person wrote, None where nothing was written; `because` is the person's reason.
    `levels` is what counts: the person's levels under a signature that counts or in a draft, else the
    proposal. `signed` says that the levels stand under a signature that counts.
    """

    proposal: Proposal
    levels: int
    judged: int | None = None
    because: str = ""
    signed: bool = False

    @property
    def changed(self) -> bool:
        """Whether what counts is not what the software proposes today."""
        return self.levels != self.proposal.levels


@dataclass(frozen=True, slots=True, kw_only=True)
class Certainty:
    """The certainty of one answer.

    `start`, `lines` and `level` are what counts now; `proposed` is the level by the software alone.
    `judgement` is the entry of the review's certainty file, None without one. Of a signed one, `changes` are
    what it rested on and is another today, `not_judged` the domains left blank, `objections` what cannot be
    judged so on these numbers: with any of them the signature does not count. `unanswered` names domains
    whose open question has no answer.
    """

    body: EvidenceBody
    start: str
    start_reason: str
    lines: tuple[DomainLine, ...]
    proposed: Level
    level: Level
    status: Status
    judgement: CertaintyJudgement | None = None
    changes: tuple[SignedChange, ...] = ()
    not_judged: tuple[str, ...] = ()
    objections: tuple[str, ...] = ()
    unanswered: tuple[str, ...] = ()

    @property
    def final(self) -> bool:
        """Whether a person signed for this answer as it is now."""
        return self.status == "signed"

    @property
    def status_words(self) -> str:
        """The status as shown everywhere."""
        return STATUS_WORDS[self.status]

    @property
    def why(self) -> str:
        """Say in a clause all that makes the level: the start, and every domain that moves it.

        Together the levels named explain the level, which never leaves the scale.
        """
        told = [
            f"{signed(line.levels, 0)} {line.proposal.domain.replace('_', ' ')}"
            for line in self.lines
            if line.levels
        ]
        return f"Starts {self.start}{': ' + ', '.join(told) if told else ', nothing lowers it'}"

    @property
    def why_not(self) -> str:
        """Say why a signature does not count, "" where it does or nobody signed."""
        return {
            "outdated": f"Signed for something else: {'; '.join(map(str, self.changes))}.",
            "partial": f"Signed in part: {named(self.not_judged)} not judged.",
            "contradicted": f"The signature does not count: {'; '.join(self.objections)}.",
        }.get(self.status, "")

    @property
    def level_words(self) -> str:
        """The level in words."""
        return self.level.replace("_", " ")

    def to_json(self) -> dict[str, Any]:
        """Return the certainty as JSON."""
        body, signed = self.body, self.judgement
        answer: dict[str, Any] = {
            "analysis": body.analysis,
            "answer": body.answer,
            "start": {"level": self.start, "reason": self.start_reason},
            "domains": [
                {
                    "domain": line.proposal.domain,
                    "proposed": line.proposal.levels,
                    "reason": line.proposal.reason,
                    "open": line.proposal.open or None,
                    "judged": line.levels,
                    "because": line.because or None,
                }
                for line in self.lines
            ],
            "proposed": self.proposed,
            "certainty": self.level,
            "status": self.status,
            "signed_by": (signed.signed_by or None) if signed else None,
            "signed_on": (signed.signed_on or None) if signed else None,
            "signature": {
                "changed_since": [
                    {"what": item.what, "signed": item.old, "now": item.new} for item in self.changes
                ],
                "not_judged": list(self.not_judged),
                "objections": list(self.objections),
                "open_questions_without_an_answer": list(self.unanswered),
            }
            if signed and signed.signed_by
            else None,
            "difference": {
                "unit": body.unit,
                "value": body.difference[0],
                "interval": list(body.difference[1:]),
            }
            if body.difference
            else None,
            "probability_beyond_smallest": {
                "fewer": body.exceeding[0],
                "more": body.exceeding[1],
                "basis": body.basis,
            }
            if body.exceeding
            else None,
            "baselines": [
                {
                    "kind": item.baseline.kind,
                    "label": item.baseline.label,
                    "source": item.baseline.source or None,
                    "value": item.baseline.value,
                    "interval": [item.baseline.lower, item.baseline.upper],
                    "with_technique": item.with_technique,
                    "difference": item.difference,
                    "interval_at_this_baseline": list(item.fixed),
                    "interval_with_its_uncertainty": list(item.both),
                    "number_needed": str(item.needed),
                }
                for item in body.absolute
            ],
        }
        return {key: finite(item) for key, item in answer.items()}

    @property
    def lowered(self) -> tuple[DomainLine, ...]:
        """Domains that move the certainty, the strongest first."""
        return tuple(sorted((line for line in self.lines if line.levels), key=lambda line: line.levels))


def certainty_of(body: EvidenceBody, judgement: CertaintyJudgement | None = None) -> Certainty:
    """Return the certainty of an answer.

    Parameters
    ----------
    body : EvidenceBody
        The answer and what is known about it.
    judgement : CertaintyJudgement, optional
        What a person wrote; without a signature it is a draft.
    """
    start, start_reason = start_of(body)
    made = proposals(body)
    proposed = level_after(start, sum(item.levels for item in made))
    if judgement is None:
        lines = tuple(DomainLine(proposal=item, levels=item.levels) for item in made)
        return Certainty(
            body=body, start=start, start_reason=start_reason, lines=lines, proposed=proposed,
            level=proposed, status="unsigned",
        )  # fmt: skip
    status: Status = "unsigned"
    moved, blank = changes(judgement, body, made), not_judged(judgement, made)
    against: tuple[str, ...] = ()
    if judgement.signed_by:
        against = objections(judgement, body, made)
        status = "outdated" if moved else "contradicted" if against else "partial" if blank else "signed"
    person = status in ("signed", "unsigned", "partial")
    written = {line.domain: line for line in judgement.domains}
    lines = tuple(
        _line(item, written.get(item.domain), person=person, signed=status == "signed") for item in made
    )
    # Domains that the software no longer asks for stay part of what was signed.
    asked = {item.domain for item in made}
    lines += tuple(
        _line(
            Proposal(domain=line.domain, levels=line.proposed, reason=line.proposed_because),
            line,
            person=person,
            signed=status == "signed",
        )
        for line in judgement.domains
        if line.domain not in asked
    )
    signed = bool(judgement.signed_by)
    return Certainty(
        body=body,
        start=judgement.start if person else start,
        start_reason=(judgement.start_because if person else "") or start_reason,
        lines=lines,
        proposed=proposed,
        level=level_after(judgement.start if person else start, sum(line.levels for line in lines)),
        status=status,
        judgement=judgement,
        changes=moved if signed else (),
        not_judged=blank if signed else (),
        objections=against,
        unanswered=unanswered(judgement, made) if signed else (),
    )


def signed_level(judgement: CertaintyJudgement) -> Level:
    """Return the certainty that a judgement itself comes to, whether it counts or not."""
    return level_after(judgement.start, sum(line.levels for line in judgement.domains))


def all_certainties(findings: Findings) -> tuple[Certainty, ...]:
    """Return the certainty of every answered comparison of a review, in the order of the plan."""
    judged = {item.analysis: item for item in findings.judgements}
    found = []
    for finding in findings.analyses:
        body = body_of(finding, findings.protocol)
        if body is not None:
            found.append(certainty_of(body, judged.get(body.analysis)))
    return tuple(found)


def pair_certainties(findings: Findings) -> tuple[Certainty, ...]:
    """Return the certainty of every answered pair of options, in the order of the plan."""
    judged = {item.analysis: item for item in findings.judgements}
    bodies = (body_of(item.finding, findings.protocol) for item in findings.pairs)
    return tuple(certainty_of(body, judged.get(body.analysis)) for body in bodies if body is not None)


def network_certainties(findings: Findings) -> tuple[Certainty, ...]:
    """Return the certainty of every technique against its network's reference, in the order of the plan."""
    judged = {item.analysis: item for item in findings.judgements}
    return tuple(certainty_of(body, judged.get(body.analysis)) for body in network_bodies(findings))


def judged_anew(
    certainties: Sequence[Certainty], judgements: Sequence[CertaintyJudgement]
) -> tuple[Certainty, ...]:
    """Return the certainties of the same answers under other judgements."""
    judged = {item.analysis: item for item in judgements}
    return tuple(certainty_of(item.body, judged.get(item.body.analysis)) for item in certainties)


def certainty_json(
    certainties: Sequence[Certainty], networks: Sequence[Certainty] = (), pairs: Sequence[Certainty] = ()
) -> dict[str, Any]:
    """Return the certainties as the parts of a JSON answer: of analyses, networks and pairs of options."""
    return {
        "certainty": [item.to_json() for item in certainties],
        "network_certainty": [item.to_json() for item in networks],
        "option_pair_certainty": [item.to_json() for item in pairs],
    }


def leftover(findings: Findings, certainties: Sequence[Certainty]) -> tuple[CertaintyJudgement, ...]:
    """Return judgements of analyses that have no answer now; they are named, not dropped in silence."""
    answered = {item.body.analysis for item in certainties}
    answered |= {body.analysis for body in network_bodies(findings)}
    return tuple(item for item in findings.judgements if item.analysis not in answered)


def _line(proposal: Proposal, written: DomainJudgement | None, *, person: bool, signed: bool) -> DomainLine:
    if written is None:
        return DomainLine(proposal=proposal, levels=proposal.levels)
    counts = person and written.judged is not None
    return DomainLine(
        proposal=proposal,
        levels=written.levels if counts else proposal.levels,
        judged=written.judged,
        because=written.because,
        signed=signed and counts,
    )
