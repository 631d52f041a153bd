"""What subgroups and meta-regressions say, in short sentences and small tables for no statistician."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits
from metakit.core.written import count, fixed, listed, p_value, ratio
from metakit.measures.registry import MEASURES
from metakit.models.differing.meta_regression_result import Coefficient, MetaRegressionResult
from metakit.synthesis.analysis import DESIGN_GROUPS
from metakit.synthesis.choices.robustness_words import Differences
from metakit.synthesis.common_unit import common_unit
from metakit.synthesis.exploring.explorations import PERMUTATIONS, Exploration
from metakit.synthesis.exploring.explored import Explored, Line
from metakit.synthesis.exploring.moderator_shapes import ModeratorColumn
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.terms import label_of
from metakit.synthesis.words import lower_first

SHARED = "The spread between studies within groups was estimated once for all groups."
BOTH_ARMS = ", arm 1 against arm 2"


def moderator_label(column: ModeratorColumn, *, comparative: bool = True) -> str:
    """Return what a moderator is called; a single arm has no arm 1 and arm 2."""
    return column.label if comparative else column.label.replace(BOTH_ARMS, "")


def level_label(moderator: str, level: str) -> str:
    """Return what a group of studies is called; the names of codes never reach a reader."""
    if moderator == "design_group":
        return DESIGN_GROUPS.get(level, level)
    if moderator == "concern":
        known = f"{_begun(level)} concern about bias"
        return "Concern about bias not known" if level == "not_known" else known
    if moderator == "design":
        return label_of("study_designs", level)
    return _begun(level.replace("_", " "))


def _rank(moderator: str, level: str) -> tuple[int, str]:
    """Order groups as people do, where there is such an order."""
    order = {"design_group": tuple(DESIGN_GROUPS), "concern": ("low", "some", "high", "not_known")}
    known = order.get(moderator, ())
    return (known.index(level) if level in known else len(known), level)


def in_words(text: str, columns: Sequence[ModeratorColumn]) -> str:
    """Put the labels of moderators and groups into a text that has the names of their codes."""
    for column in sorted(columns, key=lambda item: -len(item.name)):
        for level in {str(value.value) for value in column.values if isinstance(value.value, str)}:
            text = text.replace(f"'{level}'", f"“{level_label(column.name, level)}”")
        text = re.sub(rf"\b{re.escape(column.name)}\b", lower_first(column.label), text)
    return text


def explored(finding: AnalysisFinding, exploration: Exploration) -> Explored:
    """Tell one exploration of an analysis."""
    columns = exploration.moderators
    labels = [lower_first(moderator_label(column, comparative=finding.comparative)) for column in columns]
    named = listed(labels) or "what the plan names"
    groups = exploration.kind == "subgroups"
    question = (
        f"whether the results differ between groups of studies by {named}"
        if groups
        else f"whether the results change with {named}"
    )
    if exploration.planned:
        asked = f"Asked in the plan, before results were known: {question}."
        expected = f" Expected: {exploration.expected}."
        asked += expected if exploration.expected else " No direction was expected."
    else:
        asked = f"Asked when results were known: {question}."
        asked += f" The protocol notes: {exploration.expected}." if exploration.expected else ""
    told = Explored(
        exploration=exploration,
        title=f"{'Subgroups by' if groups else 'Regression on'} {named}",
        asked=asked,
        left_out=tuple(f"{item.study}: {in_words(item.reason, columns)}" for item in exploration.missing),
    )
    if exploration.subgroups is not None:
        return _groups(finding, exploration, told)
    if exploration.meta_regression is not None:
        return _regression(finding, exploration, exploration.meta_regression, told)
    return replace(
        told,
        refusal=f"No answer: {in_words(exploration.reason, columns)}. The question stays open.",
        short="No answer was possible",
        short_sure="The reason stands below",
    )


def _groups(finding: AnalysisFinding, exploration: Exploration, told: Explored) -> Explored:
    found = exploration.subgroups
    if found is None:  # pragma: no cover - the caller has seen it
        return told
    show = Shown(finding)
    lines = tuple(
        Line(
            what=level_label(found.moderator, level.level),
            studies=str(level.k),
            estimate=show.value(level.estimate, level.interval),
            interval=show.limits(level.interval, level.interval),
            difference=show.difference(level.estimate, level.interval),
            names="; ".join(level.studies),
        )
        for level in sorted(found.levels, key=lambda level: _rank(found.moderator, level.level))
    )
    alone = [line.what for line in lines if line.studies == "1"]
    out = [
        f"{line.what} ({count(int(line.studies), 'study', 'studies')}): {show.heading} {line.estimate}"
        f"{show.own_unit} ({show.level} % interval {line.interval})"
        + (f"; difference {show.unit} {line.difference}" if line.difference else "")
        + "."
        for line in lines
    ]
    sure = [
        chance_words(
            found.between.p_value, "the groups did not differ", "a gap between them at least this wide"
        )
    ]
    if alone:
        sure.append(f"A group of one study tells that study, not its kind: {listed(alone)}.")
    sure.append("Whether one group's interval holds no difference and another's does not says nothing here.")
    values = [line.estimate for line in lines]
    return replace(
        told,
        out=tuple(out),
        sure=tuple(sure),
        lines=lines,
        unit=show.unit,
        studies=sum(level.k for level in found.levels),
        short=f"{show.heading} {' / '.join(values)} ({' / '.join(lower_first(line.what) for line in lines)})",
        short_sure=f"{p_value(found.between.p_value)} between the groups",
        notes=(SHARED,) if found.common_tau2 else (),
    )


def _regression(
    finding: AnalysisFinding, exploration: Exploration, found: MetaRegressionResult, told: Explored
) -> Explored:
    show, columns = Shown(finding), exploration.moderators
    slopes = [(_term(item.term, columns), item) for item in found.coefficients[1:]]
    out = [f"{show.change(what, item)}." for what, item in slopes]
    lines: tuple[Line, ...] = ()
    if len(slopes) == 1 and len(columns) == 1 and columns[0].kind == "number":
        lines = _expected(finding, columns[0], found, show)
        out.append(_ends(lines, show))
    sure = []
    for what, item in slopes:
        lead = f"{what}: " if len(slopes) > 1 else ""
        words = chance_words(
            item.p_value,
            "it had nothing to do with the results",
            "a relation at least this strong",
            lead=lead,
        )
        if item.permutation_p is not None:
            tries = min(math.factorial(min(found.k, 20)), PERMUTATIONS)
            words += (
                f" With its values dealt out to the studies in other orders it did in "
                f"{round(item.permutation_p * tries)} of {tries} (permutation {p_value(item.permutation_p)})."
            )
        sure.append(words)
    if found.r2 is not None:
        part = f"{100 * found.r2:.0f} %" if found.r2 > 0 else "nothing"
        sure.append(
            f"It takes away {part} of the variance between studies; with so few studies that is a guess."
        )
    first = slopes[0][1]
    tested = first.permutation_p if first.permutation_p is not None else first.p_value
    notes = [in_words(note, columns) for note in found.notes if ": compared with" not in note]
    notes += [
        f"Groups are compared with “{level_label(name, level)}”."
        for name, level in found.reference_levels.items()
    ]
    return replace(
        told,
        out=tuple(out),
        sure=tuple(sure),
        lines=lines,
        unit=show.unit,
        studies=found.k,
        short="; ".join(show.change(what, item, short=True) for what, item in slopes),
        short_sure=f"{'permutation ' if first.permutation_p is not None else ''}{p_value(tested)}",
        notes=tuple(notes),
    )


def _term(term: str, columns: Sequence[ModeratorColumn]) -> str:
    name, _, level = term.partition(": ")
    column = next(item for item in columns if item.name == name)
    if level:
        return level_label(name, level)
    unit = column.unit.removesuffix("s") if column.unit not in ("per cent",) else "percentage point"
    if name == "year":
        return "For each later year of publication"
    label = lower_first(column.label)
    return f"For each {unit} more of {label}" if unit else f"For one more of {label}"


def _expected(
    finding: AnalysisFinding, column: ModeratorColumn, found: MetaRegressionResult, show: Shown
) -> tuple[Line, ...]:
    """Return what the line expects at the lowest, the middle and the highest value that a study has."""
    table = finding.table
    if table is None:  # pragma: no cover - a regression had a table
        return ()
    known = {value.study: value.value for value in column.values}
    values = [
        float(value)
        for study, usable in zip(table.study, table.estimable, strict=True)
        if usable and isinstance(value := known.get(study), int | float)
    ]
    lines = []
    for at in dict.fromkeys((min(values), float(np.median(values)), max(values))):
        estimate, mean, new = found.predict((1.0, at))
        year = column.name == "year"
        unit = "" if year or not column.unit else f" {column.unit}"
        lines.append(
            Line(
                what=f"{at:.0f}" if year else f"{fixed(at, 1)}{unit}",
                studies="",
                estimate=show.value(estimate, mean),
                interval=show.limits(mean, mean),
                difference=show.difference(estimate, mean),
                new_study=show.limits(new, mean),
            )
        )
    return tuple(lines)


def _ends(lines: Sequence[Line], show: Shown) -> str:
    def at(line: Line) -> str:
        more = f"; difference {show.unit} {line.difference}" if line.difference else ""
        return f"{line.what}: {show.heading} {line.estimate}{show.own_unit} ({line.interval}){more}"

    return f"What the line through the studies expects. At {at(lines[0])}. At {at(lines[-1])}."


def chance_words(p: float, unless: str, what: str, *, lead: str = "") -> str:
    """Say what a p value is: how often chance alone does as much."""
    times = f"about {100 * p:.0f}" if p >= 0.015 else "about 1" if p >= 0.01 else "fewer than 1"
    text = f"if {unless}, {what} would still turn up in {times} of 100 reviews like this one"
    return f"{lead}{text if lead else _begun(text)} ({p_value(p)})."


class Shown:
    """How the effects of one analysis are written."""

    def __init__(self, finding: AnalysisFinding) -> None:
        self._measure = MEASURES[finding.plan.measure]
        scale_name = finding.table.scale if finding.table is not None else finding.plan.scale
        self._scale = self._measure.scale(scale_name)
        self._scale_name = scale_name
        self.level = f"{100 * finding.plan.level:g}"
        self.heading = self._measure.label
        unit = common_unit(self._measure, finding.term, finding.absolute, finding.numbers)
        absolute = finding.comparative and unit is not None and unit.baseline is not None
        self._common = unit if absolute else None
        self.unit = self._common.label if self._common else ""
        smallest = finding.outcome_plan.smallest_important_difference
        self._say = Differences.of(self.unit, smallest)
        own = finding.term.unit if self._measure.name in ("mean_difference", "mean") else self._measure.unit
        self.own_unit = f" {own}" if own else ""

    def natural(self, values: Sequence[float]) -> FloatArray:
        """Bring values to natural units."""
        natural: FloatArray = np.asarray(self._scale.to_natural(np.asarray(values, dtype=float)), dtype=float)
        return natural * self._measure.natural_factor

    def value(self, value: float, limits: Limits) -> str:
        """Write an estimate with the decimals that its interval deserves."""
        return self._written(value, limits)

    def limits(self, pair: Limits, width: Limits) -> str:
        """Write an interval."""
        return f"{self._written(pair[0], width)} to {self._written(pair[1], width)}"

    def difference(self, estimate: float, limits: Limits) -> str:
        """Write the difference per 100 with its interval, "" where the measure has none."""
        if self._common is None:
            return ""
        found = self._common.differences(
            self._measure.name, self._scale_name, np.array([estimate, *limits], dtype=float)
        )
        if found is None:
            return ""
        middle, low, high = found.tolist()
        return f"{self._say.signed(middle)} ({self._say.limits((low, high))})"

    def change(self, what: str, slope: Coefficient, *, short: bool = False) -> str:
        """Say what one unit more of a moderator, or another group, does."""
        triple = (slope.estimate, *slope.interval)
        if self._scale.name == "identity":
            values = [self._measure.natural_factor * value for value in triple]
            places = 2 if max(map(abs, values)) < 10 else 1
            size, low, high = (fixed(value, places) for value in values)
            verb, unit = "changes by", self.own_unit
        else:
            kind = "odds are" if self._scale.name == "logit" else f"{self.heading} is"
            if self._scale.name not in ("log", "logit"):
                size, low, high = (fixed(value, 3) for value in triple)
                verb, unit = "changes by", " on the scale of the analysis"
            else:
                size, low, high = (ratio(math.exp(min(value, 700.0))) for value in triple)
                if short:
                    return f"{what}: times {size} ({low} to {high})"
                return f"{what} the {kind} multiplied by {size} ({self.level} % interval {low} to {high})"
        if short:
            return f"{what}: {size}{unit} ({low} to {high})"
        return f"{what} the {self.heading} {verb} {size}{unit} ({self.level} % interval {low} to {high})"

    def _written(self, value: float, limits: Limits) -> str:
        middle, low, high = self.natural((value, *limits)).tolist()
        if self._scale.axis == "log":
            return ratio(middle)
        width = high - low
        if width <= 0 or not math.isfinite(width):
            return fixed(middle, 1)
        return fixed(middle, min(max(1 - math.floor(math.log10(width / 3)), 0), 2))


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]
