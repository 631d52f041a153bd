"""Whether an answer would survive without one of its studies, and whether small studies say something else.

All of this is exploration, not planned analysis, and is labelled so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from metakit.core.written import count, fixed, listed, p_value, ratio
from metakit.errors import MetakitError
from metakit.measures.registry import MEASURES
from metakit.models.differing.again import spread_estimator_of
from metakit.models.differing.influence import Influence, influence
from metakit.models.small_studies.small_study import FEWEST, SmallStudyTest, small_study_test
from metakit.models.small_studies.small_study_adjustments import (
    SMALL_STUDY_ADJUSTMENTS,
    AdjustmentOptions,
    small_study_adjustment,
)
from metakit.models.small_studies.trim_and_fill import TrimAndFill, trim_and_fill
from metakit.synthesis.choices.variations import VariationFact
from metakit.synthesis.findings import AnalysisFinding


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedLine:
    """One adjustment for small-study effects as shown, or why it has no answer."""

    label: str
    estimate: str
    interval: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Robustness:
    """What one comparative answer rests on.

    `without` holds the answer without each study in turn, by the answer's own method; `turning` the studies
    without which the mean changes its direction; `settling` those without which the interval starts or stops
    to include no difference; `small` the test of small-study effects where there is one; `filled` trim and
    fill, where there are studies enough for such methods.
    """

    finding: AnalysisFinding
    without: tuple[VariationFact, ...]
    rows: tuple[tuple[str, str, str], ...]
    influences: tuple[Influence, ...]
    turning: tuple[str, ...]
    settling: tuple[str, ...]
    small: SmallStudyTest | None
    sentences: tuple[str, ...]
    adjusted: tuple[AdjustedLine, ...] = ()
    filled: TrimAndFill | None = None


def robustness(finding: AnalysisFinding) -> Robustness | None:
    """Explore one comparative answer; None where fewer than 4 studies have an effect."""
    table, result = finding.table, finding.result
    if table is None or result is None or not finding.comparative:
        return None
    rows = tuple(item for item in finding.variations if item.way == "without_study")
    without = tuple(row for row in rows if row.result is not None)
    if not without:
        reasons = "; ".join(dict.fromkeys(row.reason for row in rows))
        told = (f"Leaving studies out gives no answer here: {reasons}.",) if rows else ()
        return (
            Robustness(
                finding=finding, without=(), rows=(), influences=(), turning=(), settling=(), small=None,
                sentences=told,
            )
            if told
            else None
        )  # fmt: skip
    try:
        influences = influence(table, tau2=spread_estimator_of(result))
    except MetakitError:  # the answers stand; only the diagnostics of single studies have none
        influences = ()
    measure = MEASURES[finding.plan.measure]
    null = measure.null_value or 0.0
    scale = measure.scale(finding.plan.scale)

    def show(value: float) -> str:
        natural = float(scale.to_natural(np.asarray(value))) * measure.natural_factor
        return ratio(natural) if scale.axis == "log" else fixed(natural, 2)

    enough = len(rows) >= FEWEST
    filled, unfilled = None, ""
    if enough:
        usable = table.select(table.estimable)
        try:
            filled = trim_and_fill(usable.effect, usable.variance, level=finding.plan.level)
        except MetakitError as error:
            unfilled = str(error)

    def adjusted() -> Iterator[AdjustedLine]:
        options = AdjustmentOptions(level=finding.plan.level)
        if filled is None:
            yield AdjustedLine(label="trim and fill", estimate="–", interval="–", remarks=(unfilled,))
        else:
            side = f" on the {filled.side}" if filled.number_missing else ""
            yield AdjustedLine(
                label=f"trim and fill, {count(filled.number_missing, 'study', 'studies')} added{side}",
                estimate=show(filled.result.estimate),
                interval=" to ".join(show(limit) for limit in filled.result.interval),
                remarks=filled.notes,
            )
        for entry in SMALL_STUDY_ADJUSTMENTS:
            try:
                answer = small_study_adjustment(table, entry.name, options=options)
            except MetakitError as error:
                yield AdjustedLine(label=entry.label, estimate="–", interval="–", remarks=(str(error),))
            else:
                yield AdjustedLine(
                    label=entry.label,
                    estimate=show(answer.estimate),
                    interval=" to ".join(show(limit) for limit in answer.interval),
                    remarks=(answer.cannot_tell, *answer.notes),
                )

    answers = [(row.label, row.result) for row in without if row.result is not None]
    side = np.sign(result.estimate - null)
    turning = tuple(
        study for study, found in answers if np.sign(found.estimate - null) == -side and side != 0
    )
    open_now = result.interval.lower <= null <= result.interval.upper
    settling = tuple(row.label for row in without if not row.same_side)
    small, untested = None, f"{len(rows)} studies, at least {FEWEST} are needed"
    if enough:
        try:
            small = small_study_test(table)
        except MetakitError as error:
            untested = str(error)
    (lowest, low), (highest, high) = (pick(answers, key=lambda item: item[1].estimate) for pick in (min, max))
    sentences = [
        f"With each study left out in turn, the {measure.label} lies between {show(low.estimate)} (without "
        f"{lowest}) and {show(high.estimate)} (without {highest})."
    ]
    sentences += [f"Without {row.label} there is no answer: {row.reason}." for row in rows if row.reason]
    if turning:
        sentences.append(f"Without {listed(list(turning))} the mean falls on the other side.")
    else:
        sentences.append("No single study decides on which side the mean falls.")
    if settling:
        now = "leaves the direction open" if open_now else "lies on one side"
        sentences.append(
            f"The interval {now}; without {listed(list(settling))} alone that would be different, so the "
            "answer hangs on one study."
        )
    flagged = [f"{row.study} ({', '.join(row.flagged)})" for row in influences if row.flagged]
    if flagged:
        sentences.append(f"Worth a second look at the paper: {'; '.join(flagged)}.")
    if small is not None:
        sentences.append(
            f"Whether small studies say something else than large ones was tested ({small.label}): "
            f"{p_value(small.p_value)}. {small.notes[0]}"
        )
    else:
        sentences.append(f"Whether small studies say something else was not tested: {untested}.")
    lines = tuple(
        (study, show(found.estimate), " to ".join(show(limit) for limit in found.interval))
        for study, found in answers
    )
    return Robustness(
        finding=finding,
        without=without,
        rows=lines,
        influences=influences,
        turning=turning,
        settling=settling,
        small=small,
        sentences=tuple(sentences),
        adjusted=tuple(adjusted()) if enough else (),
        filled=filled,
    )
