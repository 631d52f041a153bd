"""The overall judgement that an instrument's own rule proposes from the levels of its domains.

A person confirms or changes the proposal with a reason; both stay. Sources: any high, or several with some
concerns, for randomised trials (Sterne 2019, BMJ 366:l4898, from memory); the worst domain for comparative
studies without randomisation, no information when information is lacking and nothing serious was found
(Sterne 2016, BMJ 355:i4919, from memory); points are summed and answers counted, without a threshold (Slim
2003; Munn 2020), because published thresholds differ.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from metakit.forms.specs import Term, Vocabulary

OVERALL = "overall"
SEVERAL = 3
"""Domains with some concerns that count as high together; the instrument leaves 'several' to the reader."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What the rule proposes: a level of the instrument (empty where it has none), and why, in words."""

    level: str
    basis: str


def domains_asked(instrument: Term, design_group: str) -> tuple[str, ...]:
    """Return the domains of an instrument that are asked of a design, in order, without the overall one."""
    left_out = instrument.facts.words("comparative_domains") if design_group == "series" else ()
    return tuple(
        domain for domain in instrument.facts.words("domains") if domain != OVERALL and domain not in left_out
    )


def has_overall(instrument: Term) -> bool:
    """Say whether the instrument has an overall judgement (others have a sum or a count)."""
    return OVERALL in instrument.facts.words("domains")


def propose(instrument: Term, levels: Mapping[str, str], names: Vocabulary, scale: Vocabulary) -> Proposal:
    """Propose the overall judgement of one study for one result.

    Parameters
    ----------
    instrument : Term
        Of the vocabulary `appraisal_instruments`.
    levels : mapping of domain to level
        Every domain that is asked; with one missing nothing is proposed.
    names, scale : Vocabulary
        `appraisal_domains` and `appraisal_levels`, for words and points.
    """
    return _RULES[instrument.facts.text("overall_rule")](levels, names, scale)


def _labels(domains: list[str], names: Vocabulary) -> str:
    return ", ".join(names[domain].label[:1].lower() + names[domain].label[1:] for domain in domains)


def _trial(levels: Mapping[str, str], names: Vocabulary, scale: Vocabulary) -> Proposal:
    high = [domain for domain, level in levels.items() if level == "high"]
    some = [domain for domain, level in levels.items() if level == "some_concerns"]
    if high:
        return Proposal(level="high", basis=f"high in {_labels(high, names)}")
    if len(some) >= SEVERAL:
        return Proposal(level="high", basis=f"some concerns in {len(some)} domains: {_labels(some, names)}")
    if some:
        return Proposal(level="some_concerns", basis=f"some concerns in {_labels(some, names)}")
    return Proposal(level="low", basis="low in every domain")


def _worst(levels: Mapping[str, str], names: Vocabulary, scale: Vocabulary) -> Proposal:
    for level in ("critical", "serious", "no_information", "moderate"):
        found = [domain for domain, given in levels.items() if given == level]
        if found:
            words = scale[level].label.lower()
            return Proposal(level=level, basis=f"{words} in {_labels(found, names)}")
    return Proposal(level="low", basis="low in every domain")


def _points(levels: Mapping[str, str], names: Vocabulary, scale: Vocabulary) -> Proposal:
    total = sum(scale[level].facts.integer("score") or 0 for level in levels.values())
    return Proposal(level="", basis=f"{total} of {2 * len(levels)} points")


def _answers(levels: Mapping[str, str], names: Vocabulary, scale: Vocabulary) -> Proposal:
    counts = Counter(levels.values())
    asked = len(levels) - counts["not_applicable"]
    return Proposal(level="", basis=f"{counts['yes']} of {asked} yes")


_RULES: dict[str, Callable[[Mapping[str, str], Vocabulary, Vocabulary], Proposal]] = {
    "any_high_or_several_concerns": _trial,
    "worst_domain": _worst,
    "sum_of_points": _points,
    "count_of_yes": _answers,
}
