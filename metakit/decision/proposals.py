"""What the software proposes for each domain of certainty, with its reasoning and its numbers.

A proposal is arithmetic on what the review knows. What no record holds (whether patients resemble one's own,
whether a surgeon's learning curve matters) it leaves to the person, and says so.

References
----------
GRADE guidance: Guyatt 2011 (J Clin Epidemiol 64:383-394 and following), Schünemann 2019 (111:105-114, studies
without randomisation), Zeng 2022 (150:216-224) and Schünemann 2022 (150:225-242) on imprecision, Guyatt 2023
(158:70-83) on inconsistency. The numbers stand in `certainty_rules.py`, each with its source and standing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from metakit.core.limits import Limits
from metakit.core.registry import Registry
from metakit.core.written import count, difference_words, listed, ratio, signed
from metakit.decision.evidence import EvidenceBody, StudyEvidence
from metakit.decision.thresholds import Thresholds

SEVERITY = {
    "low": 0,
    "some_concerns": 1,
    "moderate": 1,
    "high": 2,
    "serious": 2,
    "no_information": 2,
    "critical": 3,
}
"""Levels that an overall judgement of a study stands for; serious concern takes two (Schünemann 2019)."""
NOT_APPRAISED = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """Levels proposed for a domain (below 0 lowers the certainty), and why.

    `open` says what the software cannot see and a person must judge. `settled` says that nothing can be
    judged here: the domain does not apply to such studies.
    """

    domain: str
    levels: int
    reason: str
    open: str = ""
    settled: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Domain:
    """One domain: its function, and whether only networks have it."""

    name: str
    propose: Callable[[EvidenceBody], Proposal]
    network_only: bool = False
    raises: bool = False
    references: tuple[str, ...] = ()


DOMAINS: Registry[Domain] = Registry(
    "domain of certainty",
    ("metakit.decision.lowering", "metakit.decision.network_lowering", "metakit.decision.raising"),
)


def start_of(body: EvidenceBody) -> tuple[str, str]:
    """Return where the certainty starts, `high` or `low`, and why."""
    trials = [study for study in body.studies if study.design_group == "randomised"]
    others = [study for study in body.studies if study.design_group != "randomised"]
    if not others:
        return "high", "All studies are randomised trials."
    share = f"{100 * sum(study.share for study in others):.0f} % of the weight"
    what = (
        f"{count(len(others), 'study', 'studies')} of {len(body.studies)} ({share}) "
        f"{'is' if len(others) == 1 else 'are'} not randomised"
    )
    if all(study.instrument == "comparative_study_domains" and study.judgement for study in others):
        text = (
            f"{what}; all were judged by domains against an ideal trial, so the start is high and "
            "confounding counts under risk of bias."
        )
        return "high", text
    mixed = " Judging the trials alone may give a higher certainty." if trials else ""
    return "low", f"{what}, and were not all judged by domains against an ideal trial.{mixed}"


def proposals(body: EvidenceBody) -> tuple[Proposal, ...]:
    """Return the proposals of all domains that apply; raising ones only where nothing lowers."""
    found: list[Proposal] = []
    for domain in DOMAINS:
        if domain.network_only and body.network is None:
            continue
        made = domain.propose(body)
        lowered = sum(item.levels for item in found if item.levels < 0)
        if domain.raises and made.levels > 0 and lowered < 0:
            text = f"{made.reason} Not proposed while other domains lower the certainty."
            made = Proposal(domain=made.domain, levels=0, reason=text, open=made.open)
        found.append(made)
    return tuple(found)


def weight_at_least(studies: tuple[StudyEvidence, ...], severity: int) -> float:
    """Return the share of the weight from studies of this severity or worse."""
    return sum(study.share for study in studies if severity_of(study) >= severity)


def severity_of(study: StudyEvidence) -> int:
    """Return the severity of a study's concern; one that nobody judged counts as some concern."""
    return SEVERITY.get(study.judgement, NOT_APPRAISED)


def shown_lines(lines: tuple[float, ...], unit: str) -> str:
    """Write thresholds: `5 fewer and 5 more` in words of the unit."""
    return f"{listed([signed(line) for line in lines])} {unit}".strip()


def span(limits: Limits | tuple[float, float], unit: str) -> str:
    """Write an interval of differences."""
    return f"{difference_words(0.0, limits[0], limits[1], unit)[1]} {unit}".strip()


def holds(thresholds: Thresholds, limits: Limits | tuple[float, float]) -> tuple[float, ...]:
    """Return the thresholds inside an interval."""
    return thresholds.crossed(limits[0], limits[1])


def relative(body: EvidenceBody) -> str:
    """Write the relative effect, empty for differences."""
    if body.ratio is None:
        return ""
    estimate, low, high = body.ratio
    return f"{ratio(estimate)} ({ratio(low)} to {ratio(high)})"
