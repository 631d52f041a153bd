"""Looks at evidence that grows, against boundaries that allow for looking again and again.

A note beside what changed, for answers with a smallest important difference; see `decision/information.py`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from metakit.core.written import fixed
from metakit.decision.certainty import Certainty
from metakit.decision.information import CONTESTED, looks
from metakit.errors import MetakitError
from metakit.measures.registry import MEASURES
from metakit.models.exploring import numbers_of
from metakit.models.influence import cumulative
from metakit.synthesis.findings import AnalysisFinding

FEWEST = 2
HOW = (
    "These looks pool by random effects (inverse variances, Wald interval), whatever model the answer itself "
    "has; information and boundaries are those of the smallest important difference at the comparator's own "
    "baseline, with a two-sided error of 5 % and a power of 80 %."
)
_WALD_95 = 1.959963984540054


def monitoring_sentences(
    analyses: Sequence[AnalysisFinding], certainties: Sequence[Certainty], which: Sequence[str]
) -> tuple[str, ...]:
    """Hold the cumulative evidence of some answers against boundaries for repeated looks.

    Parameters
    ----------
    analyses, certainties
        Of today.
    which : sequence of str
        Ids of analyses that changed.

    Returns
    -------
    tuple of str
        One sentence an answer that has a smallest important difference on its scale, then what speaks against
        such boundaries; nothing where no answer has one.
    """
    by_name = {item.body.analysis: item for item in certainties}
    found = []
    for finding in analyses:
        certainty = by_name.get(finding.plan.id)
        if finding.plan.id in which and certainty is not None:
            sentence = _sentence(finding, certainty)
            found += [sentence] if sentence else []
    return (*found, HOW, CONTESTED) if found else ()


def smallest_on_scale(finding: AnalysisFinding, certainty: Certainty) -> float | None:
    """Return the smallest important difference on the analysis scale, at the comparator's own baseline.

    A decrease where the baseline is large enough for one, else an increase. None where the outcome has none,
    or the measure no way from a baseline to it.
    """
    body = certainty.body
    if body.thresholds is None:
        return None
    size = body.thresholds.smallest
    if body.measure == "mean_difference":
        return -size
    if not body.absolute:
        return None
    base, step = body.absolute[0].baseline.value, size / 100
    other = base - step if base > step else base + step
    if body.measure == "risk_difference":
        return other - base
    if base <= 0 or other <= 0 or (body.measure != "rate_ratio" and max(base, other) >= 1):
        return None
    if body.measure in ("risk_ratio", "rate_ratio"):
        return math.log(other / base)
    if body.measure == "odds_ratio":
        return math.log(other / (1 - other)) - math.log(base / (1 - base))
    return None


def _sentence(finding: AnalysisFinding, certainty: Certainty) -> str:
    table, smallest = finding.table, smallest_on_scale(finding, certainty)
    if table is None or smallest is None or int(table.estimable.sum()) < FEWEST:
        return ""
    scale = MEASURES[finding.plan.measure].scale(finding.plan.scale).name
    if scale not in ("log", "identity", "raw"):
        return ""
    try:
        rows = cumulative(table, numbers_of(table, "year"), interval="wald", level=0.95)
        errors = [(row.interval.upper - row.interval.lower) / (2 * _WALD_95) for row in rows]
        names, estimates = [row.study for row in rows], [row.estimate for row in rows]
        last = looks(names, estimates, errors, smallest=smallest)[-1]
    except MetakitError:
        return ""
    thresholds = certainty.body.thresholds
    important = f"{thresholds.smallest:.3g} {thresholds.unit}" if thresholds else ""
    start = (
        f"{finding.title} ({MEASURES[finding.plan.measure].label}): looked at after each of {len(rows)} "
        f"studies in the order of their years, the "
        f"evidence holds {100 * last.information:.0f} % of the information that would show the smallest "
        f"important difference ({important})"
    )
    if math.isinf(last.boundary):
        return f"{start}; so early, no answer can pass a boundary for repeated looks."
    verdict = "is at or beyond it" if last.beyond else "is not beyond it"
    return (
        f"{start}; the boundary for repeated looks stands at {fixed(last.boundary, 2)}, and the answer, at "
        f"{fixed(abs(last.z), 2)} standard errors from no difference, {verdict}."
    )
