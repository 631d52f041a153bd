"""Planned options of an analysis, a network or the specifications against what was computed."""

from __future__ import annotations

from typing import Any

from metakit.core.written import listed
from metakit.synthesis.findings import AnalysisFinding, Findings
from metakit.synthesis.networking.network_findings import NetworkFinding
from metakit.telling.planning.plan_fate import Fate
from metakit.telling.result_words import method_words

CHOICE_OF = {
    "measures": "measure",
    "models": "model",
    "tau2": "tau2",
    "intervals": "interval",
    "zero_cells": "zero_cells",
    "appraisal": "appraisal",
    "designs": "design",
    "icc": "icc",
    "windows": "window",
}
"""Fields of the protocol's specifications, and the choice of a curve that each one sets."""


def analysis_options(finding: AnalysisFinding) -> list[str]:
    """Say which planned options of an answered analysis were not used as planned."""
    plan, result = finding.plan, finding.result
    if result is None:
        return []
    found = []
    if plan.without_pooling:
        found.append("planned without pooling, and pooled")
    used = {
        "model": result.model,
        "tau2": getattr(result, "tau2_estimator", None),
        "zero_cells": finding.table.zero_cells if finding.table is not None else None,
    }
    for name, value in used.items():
        wanted = getattr(plan, name)
        if wanted and value and wanted != value:
            shown = "a single study shown as it is" if value == "single_study" else method_words(value)
            found.append(f"{name.replace('_', ' ')} {method_words(wanted)} was planned, {shown} was used")
        elif wanted and value is None and result.model != "single_study":
            found.append(
                f"{name.replace('_', ' ')} {method_words(wanted)} was planned and has no part in this"
            )
    if plan.interval and not _same_interval(plan.interval, result.mean.method):
        words = method_words(result.mean.method)
        found.append(f"interval {method_words(plan.interval)} was planned, {words} was used")
    if abs(plan.level - result.level) > 1e-12:
        found.append(f"level {plan.level:g} was planned, {result.level:g} was used")
    return found


def _same_interval(planned: str, used: str) -> bool:
    return used == planned or used.startswith((f"{planned}_", f"{planned} ")) or method_words(planned) == used


def network_options(finding: NetworkFinding) -> list[str]:
    """Say which parts of an answered network were planned and are not there."""
    plan, analysis = finding.plan, finding.analysis
    if analysis is None:
        return []
    found = []
    if plan.components and finding.components is None:
        found.append(f"components: {finding.component_reason or 'no answer'}".rstrip("."))
    if plan.interactions and finding.components is None:
        found.append("interactions of components: none, as there is no answer on components")
    if plan.moderator and analysis.moderator is None:
        notes = [note.rstrip(".") for note in finding.notes if "moderator" in note]
        found.append(notes[0] if notes else f"moderator {plan.moderator}: no answer")
    if plan.order and analysis.funnel is None:
        found.append("the comparison-adjusted funnel was not drawn: too few studies for it")
    present = {name for part in analysis.parts for name in part.part.techniques}
    absent = [name for name in plan.techniques if name not in present]
    if absent:
        found.append(f"no study connects {listed(absent)}")
    missing = set(plan.characteristics) - {item.name for item in analysis.characteristics}
    if missing:
        found.append(f"no study reports {listed(sorted(missing))}")
    return found


def specification_option(findings: Findings, name: str, value: Any) -> Fate:
    """Say what became of one field of the specifications."""
    curves = {
        finding.plan.id: finding.specifications
        for finding in findings.analyses
        if finding.specifications is not None
    }
    run = {key: curve for key, curve in curves.items() if curve.rows}
    where = "robustness"
    if name == "data_seen":
        why = "written when results were known: exploratory" if value else "written before results were known"
        return Fate(became="told", where=where, why=why)
    if not run:
        reasons = listed(list(dict.fromkeys(curve.reason for curve in curves.values() if curve.reason)))
        return Fate(became="not_done", why=reasons or "no comparison has studies enough to combine choices")
    if name == "analyses":
        absent = [item for item in value if item not in run]
        reasons = "; ".join(
            f"{item}: {curves[item].reason if item in curves else 'no answer to vary'}" for item in absent
        )
        return Fate(became="in_part" if absent else "done", where=where, why=reasons)
    if name == "most":
        capped = [key for key, curve in run.items() if curve.asked > len(curve.rows)]
        why = f"reached by {listed(capped)}" if capped else "never reached"
        return Fate(became="done", where=where, why=why)
    tried = {
        row.choices.get(CHOICE_OF[name])
        for curve in run.values()
        for row in curve.rows
        if CHOICE_OF.get(name)
    }
    unused = [item for item in _options(name, value) if item not in tried]
    if unused:
        why = f"{listed(unused)}: changes no numbers of any of these analyses, or does not fit them"
        became = "in_part" if len(unused) < len(_options(name, value)) else "not_done"
        return Fate(became=became, where=where, why=why)  # type: ignore[arg-type]
    return Fate(became="done", where=where)


def _options(name: str, value: Any) -> list[str]:
    if name == "icc":
        return [f"{float(item):g}" for item in value]
    return [str(item) for item in value]
