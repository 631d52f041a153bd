"""The fragility of an answer in one line beside its headline: other choices, one event more or less."""

from __future__ import annotations

from metakit.core.plans import Protocol
from metakit.core.results import PoolResult
from metakit.core.written import count
from metakit.measures.registry import MEASURES
from metakit.synthesis.choices.sensitivity_kinds import planned_kinds, standing_of
from metakit.synthesis.choices.specification_results import Conclusion
from metakit.synthesis.choices.specifications import conclusion_of
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.fragility_words import event_clause

WHERE = {
    "below": "interval below no difference here and",
    "above": "interval above no difference here and",
    "open": "interval across no difference here and",
}
"""What holds or does not: where the interval lies."""


def fragility_line(finding: AnalysisFinding, protocol: Protocol) -> str:
    """Return in how many other choices the conclusion holds, and what one event would do; "" if unknown.

    A conclusion holds where the interval lies as the headline's does: all below no difference, all above it,
    or across; the line says where. A point estimate counts for nothing.
    """
    choices, event = choices_clause(finding, protocol), _event(finding)
    if event and not choices and finding.result is not None:
        choices = WHERE[_side(finding.result)].removesuffix(" here and")
    return begun("; ".join(part for part in (choices, event) if part))


def choices_clause(finding: AnalysisFinding, protocol: Protocol) -> str:
    """Return in how many of the planned other choices the conclusion holds, "" where none was tried.

    A planned table of all ways to do the analysis comes first; without one, the planned sensitivity analyses;
    without these, the others, named as not planned.
    """
    if finding.result is None or finding.comparison is None:
        return ""
    side = _side(finding.result)
    curve, where = finding.specifications, WHERE[side]
    if curve is not None and curve.planned and curve.fraction is not None:
        where = WHERE[curve.conclusion or side]
        return f"{where} in {_percent(curve.fraction)} of the {len(curve.answered)} planned ways"
    kinds = planned_kinds(protocol)
    choices = [item for item in finding.sensitivity if item.same_side is not None]
    planned = [item for item in choices if standing_of(item.name, kinds) == "planned"]
    asked = planned or choices
    if not asked:
        return ""
    same = sum(bool(item.same_side) for item in asked)
    words = count(len(asked), "planned other choice" if planned else "other choice")
    return f"{where} in {same} of {words}{'' if planned else ', none of them planned'}"


def _side(result: PoolResult) -> Conclusion:
    return conclusion_of(*result.interval, MEASURES[result.measure].null_value or 0.0)


def _event(finding: AnalysisFinding) -> str:
    if finding.fragility is None or finding.comparison is None or finding.result is None:
        return ""
    return event_clause(finding.fragility, finding.result, finding.comparison)


def begun(clause: str) -> str:
    """Return a clause as a sentence, "" for none."""
    return f"{clause[:1].upper()}{clause[1:]}." if clause else ""


def _percent(fraction: float) -> str:
    if 0 < fraction < 0.01:
        return "under 1 %"
    return "over 99 %" if 0.99 < fraction < 1 else f"{100 * fraction:.0f} %"
