"""Looks at evidence that grows, against boundaries that allow for looking again and again.

A note beside what changed, for answers with a smallest important difference; see `decision/information.py`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import special

from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.core.written import fixed
from metakit.decision.certainty import Certainty
from metakit.decision.information import CONTESTED, looks
from metakit.errors import MetakitError
from metakit.measures.registry import MEASURES
from metakit.models.differing.again import method_of
from metakit.models.differing.exploring import numbers_of
from metakit.synthesis.findings import AnalysisFinding

FEWEST = 2
HOW = (
    "At each look the studies so far are answered as the analysis itself is, and the distance from no "
    "difference is counted in standard errors of that answer's own interval: where the interval holds no "
    "difference, no boundary is passed. Information and boundaries are those of the smallest important "
    "difference at the comparator's own baseline, with a power of 80 % and the two-sided error that the "
    "answer's interval leaves: 5 % for one of 95 %."
)


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
    if body.measure == "risk_difference" and not body.absolute:
        return -size / 100  # no baseline takes the whole interval, and none is needed
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


def _answers(finding: AnalysisFinding, table: EffectTable) -> list[tuple[str, PoolResult]]:
    """Answer the studies up to each year as the analysis answers all of them; bounded answers only."""
    headline = finding.result
    if headline is None:
        return []
    method = method_of(headline)
    order = np.argsort(numbers_of(table, "year"), kind="stable")
    found: list[tuple[str, PoolResult]] = []
    for number in range(1, len(order) + 1):
        chosen = np.zeros(len(order), dtype=bool)
        chosen[order[:number]] = True
        if number == len(order):
            answer = headline
        else:
            try:
                answer = method.pool(table.select(chosen))
            except MetakitError:
                continue  # no answer yet: nothing to look at
        if all(map(math.isfinite, answer.interval)) and answer.interval.lower < answer.interval.upper:
            found.append((table.study[order[number - 1]], answer))
    return found if found and found[-1][1] is headline else []


def _reach(answer: PoolResult) -> float:
    """Return how many standard errors of a normal distribution an interval of this level reaches."""
    return float(special.ndtri((1 + answer.level) / 2))


def _distance(answer: PoolResult, null: float) -> float:
    """Return the distance from no difference in standard errors of the side of the interval that faces it."""
    gap = answer.estimate - null
    facing = gap - (answer.interval.lower - null) if gap > 0 else (answer.interval.upper - null) - gap
    return gap / (facing / _reach(answer)) if facing > 0 else 0.0


def _sentence(finding: AnalysisFinding, certainty: Certainty) -> str:
    table, smallest = finding.table, smallest_on_scale(finding, certainty)
    if table is None or smallest is None or int(table.estimable.sum()) < FEWEST:
        return ""
    scale = MEASURES[finding.plan.measure].scale(finding.plan.scale).name
    if scale not in ("log", "identity", "raw"):
        return ""
    try:
        answers = _answers(finding, table)
        if not answers:
            return ""
        null = MEASURES[finding.plan.measure].null_value or 0.0
        far = [_distance(item, null) for _, item in answers]
        last = looks(
            [name for name, _ in answers],
            [item.estimate for _, item in answers],
            [abs(item.interval.upper - item.interval.lower) / (2 * _reach(item)) for _, item in answers],
            smallest=smallest,
            null=null,
            z=far,
            # With another error than that of the interval, a boundary could be passed inside of it.
            alpha=1 - answers[-1][1].level,
        )[-1]
    except MetakitError:
        return ""
    rows = answers
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
        f"{start}; the boundary for repeated looks stands at {fixed(last.boundary, 2)}, and the answer, by "
        f"its own interval {fixed(abs(last.z), 2)} standard errors from no difference, {verdict}."
    )
