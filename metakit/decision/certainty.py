"""Certainty of one answer: what the software proposes, what a person signed, and what holds now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from metakit.core.records import CertaintyJudgement, DomainJudgement
from metakit.decision.evidence import EvidenceBody, body_of
from metakit.decision.proposals import Proposal, proposals, start_of
from metakit.synthesis.findings import Findings, finite

Level = Literal["very_low", "low", "moderate", "high"]
LEVELS: tuple[Level, ...] = ("very_low", "low", "moderate", "high")
Status = Literal["unsigned", "signed", "outdated"]
STATUS_WORDS: dict[Status, str] = {
    "unsigned": "proposed, unsigned",
    "signed": "signed",
    "outdated": "signature outdated: the answer has changed",
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

    `judged` is None where nobody changed the proposal; `because` is the person's reason. `signed_levels`
    are the levels under the signature, None without one.
    """

    proposal: Proposal
    judged: int | None = None
    because: str = ""
    signed_levels: int | None = None

    @property
    def levels(self) -> int:
        """What counts: the signed levels, else the person's draft, else the proposal."""
        if self.signed_levels is not None:
            return self.signed_levels
        return self.proposal.levels if self.judged is None else self.judged

    @property
    def changed(self) -> bool:
        """Whether what counts is not what the software proposes today."""
        return self.levels != self.proposal.levels


@dataclass(frozen=True, slots=True, kw_only=True)
class Certainty:
    """The certainty of one answer.

    `start`, `lines` and `level` are what counts now; `proposed` is the level by the software alone.
    `judgement` is the entry of the review's certainty file, None without one.
    """

    body: EvidenceBody
    start: str
    start_reason: str
    lines: tuple[DomainLine, ...]
    proposed: Level
    level: Level
    status: Status
    judgement: CertaintyJudgement | None = None

    @property
    def final(self) -> bool:
        """Whether a person signed for this answer as it is now."""
        return self.status == "signed"

    @property
    def status_words(self) -> str:
        """The status as shown everywhere."""
        return STATUS_WORDS[self.status]

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
        lines = tuple(DomainLine(proposal=item) for item in made)
        return Certainty(
            body=body, start=start, start_reason=start_reason, lines=lines, proposed=proposed,
            level=proposed, status="unsigned",
        )  # fmt: skip
    written = {line.domain: line for line in judgement.domains}
    signed = bool(judgement.signed_by)
    lines = tuple(_line(item, written.get(item.domain), signed=signed) for item in made)
    # Domains that the software no longer asks for stay part of what was signed.
    asked = {item.domain for item in made}
    lines += tuple(
        DomainLine(
            proposal=Proposal(domain=line.domain, levels=line.proposed, reason=line.proposed_because),
            judged=line.judged,
            because=line.because,
            signed_levels=line.levels if signed else None,
        )
        for line in judgement.domains
        if line.domain not in asked
    )
    status: Status = "unsigned"
    if signed:
        status = "signed" if judgement.answer == body.answer else "outdated"
    return Certainty(
        body=body,
        start=judgement.start,
        start_reason=judgement.start_because or start_reason,
        lines=lines,
        proposed=proposed,
        level=level_after(judgement.start, sum(line.levels for line in lines)),
        status=status,
        judgement=judgement,
    )


def all_certainties(findings: Findings) -> tuple[Certainty, ...]:
    """Return the certainty of every answered comparison of a review, in the order of the plan."""
    judged = {item.analysis: item for item in findings.judgements}
    found = []
    for finding in findings.analyses:
        body = body_of(finding, findings.protocol)
        if body is not None:
            found.append(certainty_of(body, judged.get(body.analysis)))
    return tuple(found)


def certainty_json(certainties: Sequence[Certainty]) -> dict[str, Any]:
    """Return the certainties as the part `certainty` of a JSON answer."""
    return {"certainty": [item.to_json() for item in certainties]}


def leftover(findings: Findings, certainties: Sequence[Certainty]) -> tuple[CertaintyJudgement, ...]:
    """Return judgements of analyses that have no answer now; they are named, not dropped in silence."""
    answered = {item.body.analysis for item in certainties}
    return tuple(item for item in findings.judgements if item.analysis not in answered)


def _line(proposal: Proposal, written: DomainJudgement | None, *, signed: bool) -> DomainLine:
    if written is None:
        return DomainLine(proposal=proposal, signed_levels=0 if signed else None)
    return DomainLine(
        proposal=proposal,
        judged=written.judged,
        because=written.because,
        signed_levels=written.levels if signed else None,
    )
