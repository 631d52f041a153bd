"""Facts behind a row of the summary of findings: time, designs, means, counts of the same outcome."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.written import count, listed
from metakit.decision.evidence import EvidenceBody
from metakit.decision.information import thumbs_of
from metakit.measures.kind import HAZARDS, MEANS
from metakit.measures.natural import natural_values
from metakit.measures.registry import MEASURES
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.windows import time_of, when_words
from metakit.synthesis.words import lower_first

WIDE = 2.0
"""How many times longer one study may follow than another without a caution; common practice, no source."""
GROUPS = {"randomised": "trials", "comparative": "not randomised"}


def months_of(finding: AnalysisFinding) -> tuple[float, float] | None:
    """Return the shortest and the longest time of the studies in months, None where none is known."""
    times = [
        time
        for study in finding.numbers
        for side in study.sides
        for part in side.arms
        if (time := time_of(part.value, part.arm.follow_up)) is not None
    ]
    return (min(times), max(times)) if times else None


def when_of(finding: AnalysisFinding) -> tuple[str, str]:
    """Return when an outcome was met, as a range where studies differ, and a caution where it is wide."""
    kind = MEASURES[finding.plan.measure].kind
    label = when_words(kind, finding.outcome_plan.window)
    months = months_of(finding)
    if months is None:
        return label, ""
    low, high = months
    if f"{low:.0f}" == f"{high:.0f}":
        known = f"{low:.0f} months"
        return (label if label == known else f"{label} ({known} in the studies)"), ""
    caution = ""
    if low > 0 and high / low >= WIDE:
        caution = f"Follow-up runs from {low:.0f} to {high:.0f} months: the studies do not tell of one time."
    return f"{label} ({low:.0f} to {high:.0f} months in the studies)", caution


def participants_of(finding: AnalysisFinding) -> str:
    """Return thumbs and studies of an answer, and how many studies can tell its effect where not all can."""
    groups = {"randomised": "randomised", "comparative": "not randomised"}
    designs = [
        f"{sum(study.study.design_group == group for study in finding.numbers)} {label}"
        for group, label in groups.items()
        if any(study.study.design_group == group for study in finding.numbers)
    ]
    studies = count(len(finding.numbers), "study", "studies")
    thumbs = sum(thumbs_of(study) for study in finding.numbers)
    text = f"{thumbs:.0f} thumbs in {studies} ({', '.join(designs)})"
    result = finding.result
    if result is not None and result.k < len(finding.numbers):
        text += f"; {result.k} can tell a {MEASURES[finding.plan.measure].label}"
    return text


def designs_of(finding: AnalysisFinding) -> tuple[str, ...]:
    """Return the answer of each design alone, trials first; nothing where there is one design."""
    if len(finding.by_design) < 2:
        return ()
    measure = MEASURES[finding.plan.measure]
    told = []
    for part in sorted(finding.by_design, key=lambda item: item.name != "randomised"):
        name = f"{GROUPS.get(part.name, lower_first(part.label))} alone ({len(part.studies)})"
        if part.answer.result is None:
            told.append(f"{name}: no answer")
            continue
        values = natural_values(part.answer.result, measure, finding.plan.scale)
        told.append(f"{name}: {values.told()}")
    return tuple(told)


def comparator_mean(finding: AnalysisFinding) -> tuple[float, float, float] | None:
    """Return the mean of the comparator arms, by thumbs, with the lowest and the highest of the studies.

    None where a study gives no mean of an arm, or one a change and another a final value.
    """
    if MEASURES[finding.plan.measure].kind is not MEANS or not finding.numbers:
        return None
    rows = [study.sides[1] for study in finding.numbers if len(study.sides) > 1]
    if len(rows) != len(finding.numbers) or any("mean" not in side.numbers for side in rows):
        return None
    if len({value.kind for side in rows for value in side.values}) != 1:
        return None
    means, sizes = [side.numbers["mean"] for side in rows], [side.numbers.get("total", 0.0) for side in rows]
    if sum(sizes) <= 0:
        return None
    mean = sum(m * n for m, n in zip(means, sizes, strict=True)) / sum(sizes)
    return mean, min(means), max(means)


def beside_counts(
    finding: AnalysisFinding, body: EvidenceBody, others: Sequence[tuple[AnalysisFinding, EvidenceBody]]
) -> str:
    """Hold a hazard ratio against counts of the same outcome, or say that there are none.

    Parameters
    ----------
    finding, body
        Of the hazard ratio; any other measure gives "".
    others : sequence of tuple
        The other answers of the same comparison.
    """
    if MEASURES[body.measure].kind is not HAZARDS:
        return ""
    same = [
        (other, of)
        for other, of in others
        if other.term.id == finding.term.id and MEASURES[of.measure].kind is not HAZARDS and of.ratio
    ]
    if not same:
        return "No answer from counts of the same outcome stands beside this hazard ratio."
    told = []
    for other, of in same:
        measure = MEASURES[of.measure]
        values = natural_values(other.result, measure, other.plan.scale) if other.result else None
        if values is None:  # pragma: no cover - a body has a result
            continue
        mine, theirs = {s.name for s in finding.numbers}, {s.name for s in other.numbers}
        more = [f"without {listed(sorted(mine - theirs))}"] if mine - theirs else []
        more += [f"with {listed(sorted(theirs - mine))} besides"] if theirs - mine else []
        sides = [_side(item) for item in (body, of)]
        agree = "on the same side" if sides[0] == sides[1] else "not on the same side"
        told.append(
            f"Counts of the same outcome say {measure.label} {values.show(values.estimate)} "
            f"({values.interval}){' ' + ' and '.join(more) if more else ''}; the intervals lie {agree}. "
            "A hazard ratio weighs when thumbs failed and who was lost, counts do not."
        )
    return " ".join(told)


def _side(body: EvidenceBody) -> int:
    """Return the side on which an interval lies, 0 where it holds no difference."""
    low, high = body.effect[1:]
    return -1 if high < body.null else 1 if low > body.null else 0
