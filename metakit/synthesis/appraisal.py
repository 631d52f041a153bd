"""What the appraisal means for an answer: how much of it rests on studies of which concern, and without them.

Studies are never weighted by a score (Cochrane Handbook 7.6, from memory): the answer stays, and what stands
behind it is shown. Series that are judged item by item have no overall level; they are counted as such and no
threshold is laid on their counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from metakit.core.records import StudyRecord
from metakit.core.results import PoolResult
from metakit.core.written import count, listed
from metakit.review.appraisal import overall_of
from metakit.synthesis.gathering.rows import StudyNumbers

CONCERNS = {
    "low": "low concern",
    "some": "some concern",
    "high": "high concern",
    "not_known": "concern not known",
    "no_level": "judged item by item",
    "not_appraised": "not appraised",
}
"""Concern about bias in words that all instruments share, the least first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConcernShare:
    """The studies of one concern in an answer.

    `weight` is the fraction of the pooled weight that they carry; None where the model gives studies no
    weights or there is no pooled answer.
    """

    concern: str
    studies: tuple[str, ...]
    weight: float | None

    @property
    def label(self) -> str:
        """The concern in words."""
        return CONCERNS[self.concern]

    @property
    def percent(self) -> str:
        """The weight as shown: `34 %`, `none` for studies that the model could not use, empty if unknown."""
        if self.weight is None:
            return ""
        if self.weight == 0:
            return "none"
        return f"{100 * self.weight:.0f} %" if self.weight >= 0.005 else "<1 %"

    def to_json(self) -> dict[str, Any]:
        """Return the share as JSON."""
        return {"concern": self.concern, "studies": list(self.studies), "weight": self.weight}


def concern_of(study: StudyRecord, outcome: str) -> str:
    """Return the concern about bias in a study's result for an outcome, a key of `CONCERNS`."""
    overall = overall_of(study, outcome)
    if overall is None:
        return "not_appraised"
    if overall.concern:
        return overall.concern
    return "not_appraised" if overall.incomplete else "no_level"


def concern_shares(
    studies: Sequence[StudyNumbers], result: PoolResult | None, outcome: str
) -> tuple[ConcernShare, ...]:
    """Say how much of an answer rests on studies of each concern.

    Parameters
    ----------
    studies : sequence of StudyNumbers
        The studies of the analysis.
    result : PoolResult or None
        Its headline answer.
    outcome : str
        The outcome, for which the appraisal is judged.

    Returns
    -------
    tuple of ConcernShare
        One for each concern that occurs, the least first. The weights add up to 1.
    """
    concerns = {study.name: concern_of(study.study, outcome) for study in studies}
    rows = {row.study: row.weight for row in result.studies} if result else {}
    weighted = bool(rows) and all(weight is not None for weight in rows.values())
    if rows and not weighted:  # without weights, what the model could not use must not count
        concerns = {name: found for name, found in concerns.items() if name in rows}
    shares = []
    for concern in CONCERNS:
        names = tuple(name for name, found in concerns.items() if found == concern)
        if names:
            weight = sum(rows.get(name) or 0.0 for name in names) if weighted else None
            shares.append(ConcernShare(concern=concern, studies=names, weight=weight))
    return tuple(shares)


def high_concern(studies: Sequence[StudyNumbers], outcome: str) -> tuple[StudyNumbers, ...]:
    """Return the studies whose overall judgement for an outcome means high concern."""
    return tuple(study for study in studies if concern_of(study.study, outcome) == "high")


def shares_sentence(shares: Sequence[ConcernShare]) -> str:
    """Say in one sentence on what an answer rests."""
    if not shares:
        return ""
    parts = []
    for share in shares:
        who = count(len(share.studies), "study", "studies")
        who += f" of {share.label}" if share.concern in {"low", "some", "high"} else f" {share.label}"
        known = len(shares) > 1 and share.weight is not None
        parts.append(f"{who} with {share.percent} of the weight" if known else who)
    return f"It rests on {listed(parts)}."


def concern_caution(shares: Sequence[ConcernShare]) -> tuple[str, ...]:
    """Warn where more than half of an answer rests on studies of high concern (by weight, else by number)."""
    high = next((share for share in shares if share.concern == "high"), None)
    if high is None:
        return ()
    studies = sum(len(share.studies) for share in shares)
    if studies == 1:
        return ("This answer rests on one study, and that is of high concern about bias.",)
    if high.weight is not None and high.weight > 0.5:
        how_much = f"{high.percent} of the weight"
    elif high.weight is None and 2 * len(high.studies) > studies:
        how_much = f"{len(high.studies)} of {count(studies, 'study', 'studies')}"
    else:
        return ()
    return (f"Most of this answer rests on studies of high concern about bias: {how_much}.",)
