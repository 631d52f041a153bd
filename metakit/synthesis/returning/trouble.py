"""Why thumbs come back: everything a review says about it, put together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from metakit.core.plans import Protocol
from metakit.core.records import StudyRecord
from metakit.synthesis.gathering.source_options import Source, general_outcomes, sources
from metakit.synthesis.returning.evidence_map import evidence_rows, found_shares
from metakit.synthesis.returning.mp_angles import angle_findings
from metakit.synthesis.returning.option_contrasts import option_contrasts
from metakit.synthesis.returning.returns import ReturnsFound, returns_found
from metakit.synthesis.returning.single_arms import single_arms
from metakit.synthesis.returning.trouble_findings import SourceFinding, TroubleFindings


def trouble_findings(
    protocol: Protocol, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> TroubleFindings:
    """Return causes of return, what was found and done, MP angles and the map of evidence.

    Parameters
    ----------
    protocol : Protocol
        Its comparisons of options are the planned answers about each source.
    studies : sequence of StudyRecord
        With returns by cause among their outcomes.
    names : mapping of str to str
        Name of each study (by id) as shown.
    """
    returns = returns_found(studies, names)
    outcomes = tuple(dict.fromkeys(outcome for source in sources() for outcome in _outcomes(source)))
    return TroubleFindings(
        returns=returns,
        lived_with=returns_found(studies, names, "lived_with"),
        sources=tuple(_source(source, protocol, studies, names, returns) for source in sources()),
        outcomes=outcomes,
        angles=angle_findings(studies, names),
    )


def _outcomes(source: Source) -> tuple[str, ...]:
    return (*source.outcomes, *general_outcomes())


def _source(
    source: Source,
    protocol: Protocol,
    studies: Sequence[StudyRecord],
    names: Mapping[str, str],
    returns: ReturnsFound,
) -> SourceFinding:
    asking = {item.id for item in protocol.comparisons if source.asked_by(item)}
    causes = returns.causes.overall.causes if returns.causes else ()
    return SourceFinding(
        source=source.id,
        label=source.label,
        shares=found_shares(source, studies, names),
        cause=next((answer for answer in causes if answer.cause == source.id), None),
        analyses=tuple(plan.id for plan in protocol.analyses if plan.comparison in asking),
        rows=evidence_rows(source, _outcomes(source), studies, names),
        contrasts=option_contrasts(source, protocol, studies, names),
        single_arms=single_arms(source, source.outcomes, studies, names),
    )
