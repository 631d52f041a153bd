"""Every two options at a source of trouble against each other, within studies, in all thumbs and by band.

The plan of a review asks some of these questions; here stand all the others that studies hold, so that none
is chosen for its answer: every pair of options of which one at least is a treatment, every outcome of the
source, all thumbs and each band of the MP angle before surgery that reports count by. They are answered as
planned comparisons are, but nobody judged their certainty, and many are looked at side by side.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from metakit.core.plans import ARM_OPTIONS, AnalysisPlan, ComparisonPlan, OptionPairsPlan, Protocol
from metakit.core.records import StudyRecord
from metakit.core.results import PoolResult
from metakit.forms.library import vocabulary
from metakit.measures.kind import MEANS
from metakit.measures.natural import natural_values
from metakit.measures.registry import MEASURES
from metakit.synthesis.estimate import estimate
from metakit.synthesis.gathering.gather import Task, gather
from metakit.synthesis.gathering.rows import Choices
from metakit.synthesis.gathering.source_options import Source
from metakit.synthesis.returning.co_procedures import co_procedures, differing_words
from metakit.synthesis.terms import label_of, outcome_term
from metakit.synthesis.words import answer_numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionContrast:
    """One option against another within studies, outside of the plan; `band` is "" for all thumbs.

    `answer` says estimate and interval in words, `differ` in what else the arms differ; where nothing is
    estimable, `result` is None and `answer` gives the reason.
    """

    option: str
    against: str
    band: str
    outcome: str
    measure: str
    studies: tuple[str, ...]
    thumbs: tuple[int, int]
    result: PoolResult | None
    answer: str
    differ: str = ""


def option_contrasts(
    source: Source, protocol: Protocol, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> tuple[OptionContrast, ...]:
    """Return every contrast of two options that some study holds within itself and the plan does not ask for.

    Parameters
    ----------
    source : Source
    protocol : Protocol
        Its time windows and correlation of thumbs serve here too; what it asks for itself is left out.
    studies : sequence of StudyRecord
    names : mapping of str to str
        Name of each study (by id) as shown.
    """
    found = []
    standing = [(study, _told(study, source)) for study in studies]
    for comparison in held_pairs(source, studies):
        both = _both(source, comparison)
        told = [study for study, options in standing if both <= options]
        for outcome in source.judged_by:
            paired = any(_in_pairs(item, source, comparison, outcome) for item in protocol.option_pairs)
            if paired or planned_itself(protocol, source, comparison, outcome):
                continue
            answer = _contrast(comparison, outcome, protocol, told, names)
            if answer is not None:
                found.append(answer)
    return tuple(found)


def held_pairs(source: Source, studies: Sequence[StudyRecord]) -> Iterator[ComparisonPlan]:
    """Yield every two options of which one at least is a treatment, in all thumbs and in each reported band.

    Those that no study holds are among them; techniques are those of the studies that do.
    """
    bands = {
        str(entry.mp_before): entry.mp_before
        for study in studies
        for entry in study.subgroups
        if entry.mp_before is not None
    }
    standing = [(study, _told(study, source)) for study in studies]
    # "up to 30" before "over 30": by lower end, then by upper end.
    ordered = sorted(bands.values(), key=lambda band: (_end(band.lower, -1), _end(band.upper, 1)))
    for (one, _, first), (other, _, second) in combinations(source.options, 2):
        if "treated" not in (first, second):
            continue
        option, against = (other, one) if first == "left" else (one, other)
        for band in (None, *ordered):
            pair = ComparisonPlan(
                id="--".join((option, against, *([str(band).replace(" ", "_")] if band else []))),
                label="",
                technique=(),
                technique_label=label_of(ARM_OPTIONS[source.kind], option),
                comparator=(),
                comparator_label=label_of(ARM_OPTIONS[source.kind], against),
                mp_before=band,
                **{f"{source.kind}_1": (option,), f"{source.kind}_2": (against,)},
            )
            told = [study for study, options in standing if {option, against} <= options]
            techniques = tuple(
                dict.fromkeys(name for study in told for name in _techniques(study, source, option, against))
            )
            yield replace(pair, technique=techniques, comparator=techniques)


def _end(value: float | None, side: int) -> float:
    return side * float("inf") if value is None else value


def _techniques(study: StudyRecord, source: Source, one: str, other: str) -> list[str]:
    """Return the techniques within which a study holds both options, in arms or in parts of them."""

    def having(option: str) -> set[str]:
        parts = {entry.value.arm for entry in study.subgroups if getattr(entry, source.kind) == option}
        return {arm.technique for arm in study.arms if arm.id in parts or getattr(arm, source.kind) == option}

    both = having(one) & having(other)
    return [name for name in dict.fromkeys(arm.technique for arm in study.arms) if name in both]


def holds_both(study: StudyRecord, source: Source, comparison: ComparisonPlan) -> bool:
    """Say whether both options of a comparison stand in one study, in arms or in parts of them."""
    return _both(source, comparison) <= _told(study, source)


def _both(source: Source, comparison: ComparisonPlan) -> set[str]:
    return {*getattr(comparison, f"{source.kind}_1"), *getattr(comparison, f"{source.kind}_2")}


def _told(study: StudyRecord, source: Source) -> set[str]:
    """Return the options that stand in a study, in arms or in parts of them."""
    told = {getattr(arm, source.kind) for arm in study.arms}
    return told | {getattr(entry, source.kind) for entry in study.subgroups}


def _in_pairs(plan: OptionPairsPlan, source: Source, asked: ComparisonPlan, outcome: str) -> bool:
    """Say whether the plan asks for this by pairs."""
    return plan.source == source.id and outcome in plan.outcomes and (plan.by_band or not asked.mp_before)


def planned_itself(protocol: Protocol, source: Source, asked: ComparisonPlan, outcome: str) -> bool:
    """Say whether an analysis of the plan asks the same.

    Each option stands on a side of its own, the band is the same, and no technique is left out.
    """
    kind = source.kind
    covering = {
        item.id
        for item in protocol.comparisons
        if source.asked_by(item)
        and asked.options(1)[kind][0] in item.options(1).get(kind, ())
        and asked.options(2)[kind][0] in item.options(2).get(kind, ())
        and item.mp_before == asked.mp_before
        and set(asked.technique) <= set(item.technique)
    }
    return any(plan.outcome == outcome and plan.comparison in covering for plan in protocol.analyses)


def _window(kind: str) -> str:
    """Return the window of outcomes of a kind for which the protocol names none."""
    return next(term.id for term in vocabulary("time_windows") if term.facts.text("unplanned") == kind)


def _contrast(
    comparison: ComparisonPlan,
    outcome: str,
    protocol: Protocol,
    studies: Sequence[StudyRecord],
    names: Mapping[str, str],
) -> OptionContrast | None:
    if outcome_term(outcome).kind == "continuous":
        return _answered(comparison, outcome, "mean_difference", protocol, studies, names)
    ratio = _answered(comparison, outcome, "risk_ratio", protocol, studies, names)
    if ratio is None or ratio.result is not None:
        return ratio
    # Without an event in either arm a ratio says nothing, a difference does.
    return _answered(comparison, outcome, "risk_difference", protocol, studies, names)


def _answered(
    comparison: ComparisonPlan,
    outcome: str,
    measured_by: str,
    protocol: Protocol,
    studies: Sequence[StudyRecord],
    names: Mapping[str, str],
) -> OptionContrast | None:
    term, measure = outcome_term(outcome), MEASURES[measured_by]
    window = next((item.window for item in protocol.outcomes if item.outcome == outcome), _window(term.kind))
    plan = AnalysisPlan(id="options", outcome=outcome, measure=measure.name, comparison=comparison.id)
    task = Task(
        plan=plan,
        protocol=replace(protocol, comparisons=(comparison,)),
        measure=measure,
        term=term,
        window=window,
        choices=Choices(icc=protocol.icc, adjusted=""),
        beside=False,
    )
    gathered = gather(task, studies, names)
    if not gathered.studies:
        return None
    _, found = estimate(task, gathered.studies)
    unit = " percentage points" if measured_by == "risk_difference" else ""
    unit = f" {term.unit}" if measure.kind is MEANS and term.unit else unit
    answer = found.reason
    if found.result is not None:
        answer = answer_numbers(found.result, measure, natural_values(found.result, measure, None), unit)
    sizes = [
        sum(int(side.numbers.get("total", 0)) for study in gathered.studies for side in (study.sides[place],))
        for place in (0, 1)
    ]
    return OptionContrast(
        option=comparison.technique_label,
        against=comparison.comparator_label,
        band="" if comparison.mp_before is None else str(comparison.mp_before),
        outcome=outcome,
        measure=measure.name,
        studies=tuple(study.name for study in gathered.studies),
        thumbs=(sizes[0], sizes[1]),
        result=found.result,
        answer=answer,
        differ=differing_words(co_procedures(gathered.studies, comparison)),
    )
