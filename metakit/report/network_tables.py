"""Tables of one network: everything against everything, agreement, likeness of studies, fragility."""

from __future__ import annotations

import math
from dataclasses import dataclass

from metakit.core.written import count, fixed, listed, p_value
from metakit.forms.library import vocabulary
from metakit.network.analysis import PartAnalysis
from metakit.network.characteristics import Characteristic
from metakit.network.inconsistency import Inconsistency
from metakit.plots.network_forest import KINDS
from metakit.synthesis.network_arms import node_label
from metakit.synthesis.network_findings import NetworkFinding
from metakit.synthesis.network_words import Evidence, natural, shown
from metakit.synthesis.terms import label_of
from metakit.synthesis.words import lower_first

FRAGILE = 10
"""Lines of the table of thresholds: those that the least shift changes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeagueCell:
    """The technique of the row against that of the column; empty on the diagonal."""

    estimate: str = ""
    interval: str = ""
    evidence: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class League:
    """One connected part: the techniques, and a row of cells for each."""

    techniques: tuple[str, ...]
    rows: tuple[tuple[str, tuple[LeagueCell, ...]], ...]


def leagues(finding: NetworkFinding) -> tuple[League, ...]:
    """Return every technique against every other, both directions, one table a connected part."""
    if finding.analysis is None:
        return ()
    kinds: dict[frozenset[str], Evidence] = {
        frozenset((item.technique, item.comparator)): item.evidence for item in finding.comparisons
    }
    found = []
    for item in finding.analysis.parts:
        names = item.part.techniques

        def cell(one: str, two: str, item: PartAnalysis = item) -> LeagueCell:
            if one == two:
                return LeagueCell()
            contrast = item.part.contrast(one, two)
            estimate, lower, upper = shown_values(finding, contrast.estimate, *contrast.interval)
            return LeagueCell(
                estimate=estimate,
                interval=f"{lower} to {upper}",
                evidence=KINDS[kinds[frozenset((one, two))]],
            )

        found.append(
            League(
                techniques=tuple(map(node_label, names)),
                rows=tuple((node_label(one), tuple(cell(one, two) for two in names)) for one in names),
            )
        )
    return tuple(found)


def interval_words(finding: NetworkFinding, estimate: float, lower: float, upper: float) -> str:
    """Return an estimate of the analysis scale with its limits in natural units."""
    values = shown_values(finding, estimate, lower, upper)
    return f"{values[0]} ({values[1]} to {values[2]})"


def shown_values(finding: NetworkFinding, *values: float) -> tuple[str, ...]:
    """Return values of the analysis scale as they are shown, in natural units."""
    return tuple(shown(natural(finding.measure, value), finding.measure) for value in values)


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitLine:
    """One comparison with direct and indirect evidence."""

    comparison: str
    direct: str
    indirect: str
    difference: str
    p: str


def split_lines(finding: NetworkFinding) -> tuple[SplitLine, ...]:
    """Return direct beside indirect evidence for each comparison that has both."""
    if finding.analysis is None:
        return ()
    lines = []
    for item in finding.analysis.parts:
        for split in item.inconsistency.splits if item.inconsistency else ():
            lines.append(
                SplitLine(
                    comparison=pair_words(split.technique, split.comparator),
                    direct=interval_words(finding, split.direct, *split.direct_interval),
                    indirect=interval_words(finding, split.indirect, *split.indirect_interval),
                    difference=interval_words(finding, split.difference, *split.interval),
                    p=p_value(split.p_value),
                )
            )
    return tuple(lines)


def pair_words(technique: str, comparator: str) -> str:
    """Return `one against the other` by their labels."""
    return f"{node_label(technique)} against {lower_first(node_label(comparator))}"


def inconsistency_sentences(finding: NetworkFinding) -> tuple[str, ...]:
    """Say whether sources of evidence agree, in the whole network and comparison by comparison."""
    if finding.analysis is None:
        return ()
    found = finding.analysis.parts[0].inconsistency
    if found is None:
        return (
            "This model keeps direct and indirect evidence together; whether they agree is not tested here.",
        )
    told = []
    test = found.design_by_treatment
    if test is None:
        told.append(
            "No loop of comparisons closes through different studies, so the whole network cannot be tested."
        )
    else:
        told.append(
            f"All at once: do studies of different sets of techniques tell the same story? "
            f"{_doubt(test.p_value)} (Q {test.value:.1f} on {count(int(test.df), 'degree')} of freedom, "
            f"{p_value(test.p_value)})."
        )
    told += _split_sentences(found)
    told.append("With few studies such tests miss much: no disagreement found is not agreement shown.")
    return tuple(told)


def _doubt(p: float) -> str:
    return "There are signs that they do not" if p < 0.1 else "No sign that they do not"


def _split_sentences(found: Inconsistency) -> list[str]:
    doubtful = [split for split in found.splits if split.p_value < 0.1]
    checked = count(len(found.splits), "comparison has", "comparisons have")
    if not found.splits:
        return ["No comparison has both direct and indirect evidence, so nothing can be set side by side."]
    if not doubtful:
        return [f"{checked} both direct and indirect evidence; in none is there a sign that they disagree."]
    named = listed([pair_words(split.technique, split.comparator) for split in doubtful])
    return [
        f"{checked} both direct and indirect evidence; they may disagree in {named}. Read those "
        "answers apart."
    ]


def additivity_sentence(finding: NetworkFinding) -> str:
    """Say whether the parts of an operation add up, empty without a component model."""
    model = finding.components
    if model is None:
        return ""
    test = model.additivity
    if test is None:
        return "Whether parts of an operation add up cannot be tested with these studies."
    doubt = "There are signs that they do not" if test.p_value < 0.1 else "No sign that they do not"
    return (
        f"Do parts of an operation add up, as all this assumes? {doubt} (Q {test.value:.1f} on "
        f"{count(int(test.df), 'degree')} of freedom, {p_value(test.p_value)})."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Likeness:
    """The table of study characteristics: headings, and a line of cells for each direct comparison."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, int, tuple[str, ...]], ...]


def likeness(finding: NetworkFinding) -> Likeness | None:
    """Return the characteristics of the studies by comparison, None where none were asked for."""
    analysis = finding.analysis
    if analysis is None or not analysis.characteristics:
        return None
    names = tuple(dict.fromkeys(row.name for row in analysis.characteristics))
    rows: dict[tuple[str, str], list[Characteristic]] = {}
    for row in analysis.characteristics:
        rows.setdefault((row.technique, row.comparator), []).append(row)
    headings = []
    for name in names:
        term = vocabulary("moderators")[name]
        unit = term.facts.text("unit")
        headings.append(f"{term.label}, {unit}" if unit else term.label)
    return Likeness(
        headings=tuple(headings),
        rows=tuple(
            (pair_words(*pair), items[0].studies, tuple(map(_characteristic, items)))
            for pair, items in rows.items()
        ),
    )


def _characteristic(row: Characteristic) -> str:
    if row.mean is not None and row.lowest is not None and row.highest is not None:
        decimals = 0 if row.name == "year" else 1
        said = fixed(row.mean, decimals)
        if row.known > 1:
            said += f" ({fixed(row.lowest, decimals)} to {fixed(row.highest, decimals)})"
    else:
        said = ", ".join(f"{_word(row.name, word)} {number}" for word, number in row.counts) or "no value"
    return said if row.known == row.studies else f"{said}; {row.studies - row.known} without"


def _word(name: str, word: str) -> str:
    """Return a value in words: a design by its label, others without underscores."""
    return lower_first(label_of("study_designs", word)) if name == "design" else word.replace("_", " ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fragile:
    """One arm: how far it alone would have to move before another technique had the best estimate."""

    study: str
    arm: str
    shift: str
    errors: str
    then: str


def fragile_lines(finding: NetworkFinding) -> tuple[Fragile, ...]:
    """Return the arms that the least shift changes, most fragile first."""
    if finding.analysis is None:
        return ()
    lines: list[Fragile] = []
    for row in finding.analysis.parts[0].thresholds:
        shift, then = (row.up, row.next_up) if row.up <= -row.down else (row.down, row.next_down)
        if math.isfinite(shift) and len(lines) < FRAGILE:
            lines.append(
                Fragile(
                    study=row.study, arm=node_label(row.technique), shift=_shift(finding, shift),
                    errors=fixed(row.in_standard_errors, 1), then=node_label(then),
                )
            )  # fmt: skip
    return tuple(lines)


def _shift(finding: NetworkFinding, shift: float) -> str:
    measure = finding.measure
    if measure.scale(None).axis == "log":
        what = "odds" if measure.name == "odds_ratio" else "rate" if measure.name == "rate_ratio" else "risk"
        return f"{what} {shown(natural(measure, shift), measure)} times as high"
    return f"{shown(abs(shift), measure)} {'higher' if shift > 0 else 'lower'}"


def best_estimate(finding: NetworkFinding) -> str:
    """Return the technique with the best estimate of the part of the reference, empty without ranks."""
    if finding.analysis is None or finding.analysis.parts[0].ranking is None:
        return ""
    item = finding.analysis.parts[0]
    assert item.ranking is not None  # noqa: S101 - for the type checker
    effects = list(map(float, item.part.effects))
    best = min(effects) if item.ranking.lower_is_better else max(effects)
    return node_label(item.part.techniques[effects.index(best)])


def moderator_lines(finding: NetworkFinding) -> tuple[tuple[str, str, str], ...]:
    """Return each coefficient of the moderator: technique, change for one more, p value or reason."""
    found = finding.analysis.moderator if finding.analysis else None
    if found is None:
        return ()
    lines = []
    for item in found.coefficients:
        who = node_label(item.technique) if item.technique else "all techniques alike"
        if item.estimate is None or item.interval is None or item.p_value is None:
            lines.append((who, "cannot be told", item.reason))
        else:
            lines.append((who, interval_words(finding, item.estimate, *item.interval), p_value(item.p_value)))
    return tuple(lines)


def moderator_effects(finding: NetworkFinding) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return each technique's effect at the lowest, mean and highest value of the moderator."""
    found = finding.analysis.moderator if finding.analysis else None
    rows: dict[str, list[str]] = {}
    for item in found.effects if found else ():
        rows.setdefault(node_label(item.technique), []).append(
            interval_words(finding, item.estimate, *item.interval)
        )
    return tuple((name, tuple(cells)) for name, cells in rows.items())
