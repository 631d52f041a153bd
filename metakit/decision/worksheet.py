"""The worksheet of certainty: today's proposals beside what persons wrote, ready to be judged and signed."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from metakit.core.nouns import nouns
from metakit.core.records import CertaintyJudgement, DomainJudgement, EarlierSignature
from metakit.decision.certainty import Certainty, certainty_of, signed_level
from metakit.decision.signatures import facts_of
from metakit.errors import UnknownNameError
from metakit.review.certainty import with_earlier_kept

_KINDS = ("added", "unsigned", "signed", "outdated", "partial", "contradicted", "renewed")


@dataclass(frozen=True, slots=True, kw_only=True)
class Worksheet:
    """All judgements of a review with what is to do: analyses by id."""

    judgements: tuple[CertaintyJudgement, ...]
    added: tuple[str, ...]
    unsigned: tuple[str, ...]
    signed: tuple[str, ...]
    outdated: tuple[str, ...]
    partial: tuple[str, ...]
    contradicted: tuple[str, ...]
    renewed: tuple[str, ...]


def proposal_entry(certainty: Certainty) -> CertaintyJudgement:
    """Return what the software proposes for an answer, as an entry that nobody signed."""
    fresh, facts = certainty_of(certainty.body), facts_of(certainty.body)
    return CertaintyJudgement(
        analysis=certainty.body.analysis,
        answer=certainty.body.answer,
        start="high" if fresh.start == "high" else "low",
        start_because=nouns().said(fresh.start_reason),
        rests_on=facts,
        covers=len(facts),
        domains=tuple(
            DomainJudgement(
                domain=line.proposal.domain,
                proposed=line.proposal.levels,
                proposed_because=nouns().said(
                    " ".join(
                        part
                        for part in (
                            line.proposal.reason,
                            f"Open: {line.proposal.open}." if line.proposal.open else "",
                        )
                        if part
                    )
                ),
            )
            for line in fresh.lines
        ),
    )


def worksheet(
    certainties: Sequence[Certainty],
    existing: Mapping[str, CertaintyJudgement],
    *,
    renew: Collection[str] = (),
) -> Worksheet:
    """Return the judgements to be written.

    A signed entry stays as it is, also when its answer has changed. An unsigned one gets today's proposals
    and keeps what the person wrote. Entries of analyses without an answer stay.

    Parameters
    ----------
    certainties : sequence of Certainty
    existing : mapping of str to CertaintyJudgement
        What the review's file holds, by analysis.
    renew : collection of str
        Analyses whose signed entry becomes a fresh proposal; its signature is kept under `earlier`.

    Raises
    ------
    UnknownNameError
        When `renew` names an analysis without a judgement.
    """
    for name in renew:
        if name not in existing:
            raise UnknownNameError("judged analysis", name, existing)
    judgements: list[CertaintyJudgement] = []
    listed: dict[str, list[str]] = {key: [] for key in _KINDS}
    for certainty in certainties:
        name = certainty.body.analysis
        old, fresh = existing.get(name), proposal_entry(certainty)
        if old is None:
            judgements.append(fresh)
            listed["added"].append(name)
        elif old.signed_by and name in renew:
            judgements.append(_renewed(old, fresh))
            listed["renewed"].append(name)
        elif old.signed_by:
            judgements.append(old)
            listed[certainty.status].append(name)
        else:
            judgements.append(with_earlier_kept(old, fresh))
            listed["unsigned"].append(name)
    answered = {item.body.analysis for item in certainties}
    judgements += [item for name, item in existing.items() if name not in answered]
    return Worksheet(judgements=tuple(judgements), **{key: tuple(names) for key, names in listed.items()})


def _renewed(old: CertaintyJudgement, fresh: CertaintyJudgement) -> CertaintyJudgement:
    signature = EarlierSignature(
        answer=old.answer,
        certainty=signed_level(old),
        signed_by=old.signed_by,
        signed_on=old.signed_on,
    )
    return replace(with_earlier_kept(old, fresh), earlier=(*old.earlier, signature))
