"""Tables of a network: all against all, agreement of evidence, likeness of studies, fragility."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from metakit.core.written import count, fixed, p_value
from metakit.forms.library import vocabulary
from metakit.measures.registry import Measure
from metakit.networks.answer import PartAnalysis
from metakit.networks.characteristics import Characteristic
from metakit.synthesis.networking.network_arms import node_label
from metakit.synthesis.networking.network_findings import NetworkFinding
from metakit.synthesis.networking.network_words import EVIDENCE_SHORT, Evidence, natural, shown
from metakit.synthesis.terms import label_of
from metakit.synthesis.words import lower_first
from metakit.telling.blocks import Block, Cell, Column, Part, Run, Say, Table, Words, folded

FRAGILE = 10
"""Lines of the table of thresholds: those that the least shift changes."""
FIRST = Column(name="Comparison", share=74)


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkTables:
    """Writes the numbers of one network in natural units, and its tables, each under a name of its own."""

    finding: NetworkFinding

    @property
    def measure(self) -> Measure:
        """What the network estimates."""
        return self.finding.measure

    @property
    def called(self) -> str:
        """The measure at the start of a sentence."""
        return self.measure.label[:1].upper() + self.measure.label[1:]

    @property
    def level(self) -> str:
        """The level of its intervals."""
        return f"{100 * self.finding.plan.level:g} %"

    @property
    def parts(self) -> tuple[PartAnalysis, ...]:
        """Its connected parts, none without an answer."""
        return self.finding.analysis.parts if self.finding.analysis else ()

    def values(self, *values: float) -> tuple[str, ...]:
        """Write values of the analysis scale."""
        return tuple(shown(natural(self.measure, value), self.measure) for value in values)

    def effect(self, estimate: float, limits: Sequence[float]) -> str:
        """Write an estimate of the analysis scale with its limits."""
        said, low, high = self.values(estimate, *limits)
        return f"{said} ({low} to {high})"

    def table(
        self,
        what: str,
        caption: str,
        columns: Sequence[Column],
        rows: Iterable[Sequence[Cell | Words]],
        look: Literal["sortable", "league"] = "sortable",
    ) -> Table:
        """Return a table whose name no other of the report has."""
        label = f"{what}: {self.finding.title}, {self.measure.label}"
        made = tuple(map(tuple, rows))
        return Table(caption=caption, columns=tuple(columns), rows=made, label=label, look=look)

    def splits(self) -> tuple[Table, ...]:
        """Return direct beside indirect evidence for each comparison that has both."""
        rows = [
            (
                pair_words(split.technique, split.comparator),
                self.effect(split.direct, split.direct_interval),
                self.effect(split.indirect, split.indirect_interval),
                self.effect(split.difference, split.interval),
                p_value(split.p_value),
            )
            for item in self.parts
            for split in (item.inconsistency.splits if item.inconsistency else ())
        ]
        apart = "Direct over indirect" if self.measure.ratio else "Direct minus indirect"
        columns = (FIRST, *_numbers("Direct", "Indirect", apart, "p"))
        caption = (
            f"{self.called} with {self.level} intervals from the studies that compare the two, from all "
            "others, and how far they are apart"
        )
        return (self.table("Direct beside indirect evidence", caption, columns, rows),) if rows else ()

    def likeness(self) -> tuple[Part, ...]:
        """Return the characteristics of the studies by comparison, nothing where none were asked for."""
        found = self.finding.analysis.characteristics if self.finding.analysis else ()
        rows: dict[tuple[str, str], list[Characteristic]] = {}
        for row in found:
            rows.setdefault((row.technique, row.comparator), []).append(row)
        names = dict.fromkeys(row.name for row in found)
        columns = (FIRST, *_numbers("Studies", share=18), *(_heading(name) for name in names))
        above = Say(
            words="An indirect comparison holds only if what changes the effect is distributed alike over "
            "the comparisons that it passes through. Mean with range of the studies; for words, how many "
            "studies.",
            look="quiet",
        )
        cells = (
            (pair_words(*pair), str(items[0].studies), *map(_characteristic, items))
            for pair, items in rows.items()
        )
        table = self.table(
            "Studies by comparison",
            "Characteristics of the studies that compare each pair directly",
            columns,
            cells,
        )
        title = f"Are the studies of different comparisons alike? ({len(rows)} comparisons)"
        return folded(title, (above, table) if rows else ())

    def moderator(self) -> tuple[Part, ...]:
        """Return the coefficients of the moderator, and each technique's effect at three of its values."""
        found = self.finding.analysis.moderator if self.finding.analysis else None
        if found is None:
            return ()
        ends = [fixed(value, 1) for value in (found.lowest, found.mean, found.highest)]
        common = "One coefficient that all techniques but the reference share."
        lead = (
            f"{count(found.studies, 'study', 'studies')} with values from {ends[0]} to {ends[2]}. "
            f"{common if found.form == 'common' else 'One coefficient a technique.'} It describes studies, "
            "not patients."
        )
        changes = [
            (
                node_label(item.technique) if item.technique else "all techniques alike",
                "cannot be told" if item.estimate is None or item.interval is None
                else self.effect(item.estimate, item.interval),
                item.reason if item.p_value is None else p_value(item.p_value),
            )
            for item in found.coefficients
        ]  # fmt: skip
        effects: dict[str, list[str]] = {}
        for item in found.effects:
            effects.setdefault(node_label(item.technique), []).append(
                self.effect(item.estimate, item.interval)
            )
        unit = vocabulary("moderators")[self.finding.plan.moderator].facts.text("unit")
        changed = (
            f"{self.called} {'multiplied' if self.measure.ratio else 'changed'} by this for one more"
            f"{f' ({unit})' if unit else ''} of {found.name}, with {self.level} interval"
        )
        slopes = (
            Column(name="Technique"),
            *_numbers("Change", share=1),
            Column(name="p, or why it cannot be told"),
        )
        at = (Column(name="Technique"), *_numbers(*(f"at {value}" for value in ends), share=1))
        lowest = f"{self.called} against the reference at the lowest, mean and highest value of the studies"
        return folded(
            f"Do effects change with {found.name}?",
            (
                Say(words=lead, look="quiet"),
                self.table(f"Coefficients of {found.name}", changed, slopes, changes),
                self.table(
                    f"Effects by {found.name}", lowest, at, ((who, *cells) for who, cells in effects.items())
                ),
            ),
        )  # fmt: skip

    def leagues(self) -> tuple[Part, ...]:
        """Return every technique against every other, both directions, one table a connected part."""
        kinds: dict[frozenset[str], Evidence] = {
            frozenset((item.technique, item.comparator)): item.evidence for item in self.finding.comparisons
        }
        caption = (
            f"{self.called} ({self.level} interval) of the technique of the row against that of the column. "
            "Each pair stands twice, once in either direction."
        )
        made: list[Part] = []
        for number, item in enumerate(self.parts, 1):
            names = item.part.techniques
            which = f", group {number}" if len(self.parts) > 1 else ""
            what = f"Every technique against every other{which}"
            table = self.table(
                what,
                caption,
                (Column(name="against:", share=1.4), *(Column(name=node_label(name)) for name in names)),
                (
                    (node_label(one), *(self.league_cell(item, one, two, kinds) for two in names))
                    for one in names
                ),
                look="league",
            )
            made += folded(what, (table,) if len(names) > 1 else (), number=len(names))
        return tuple(made)

    def league_cell(
        self, item: PartAnalysis, one: str, two: str, kinds: dict[frozenset[str], Evidence]
    ) -> Cell:
        """Return the technique of the row against that of the column, a dash on the diagonal."""
        if one == two:
            return Cell(words="–")
        contrast = item.part.contrast(one, two)
        estimate, low, high = self.values(contrast.estimate, *contrast.interval)
        under = (f"{low} to {high}", EVIDENCE_SHORT[kinds[frozenset((one, two))]])
        return Cell(words=Run(text=estimate, look="strong"), under=under)

    def fragile(self) -> tuple[Part, ...]:
        """Return the arms that the least shift changes, most fragile first."""
        lines: list[tuple[str, ...]] = []
        for row in self.parts[0].thresholds if self.parts else ():
            shift, then = (row.up, row.next_up) if row.up <= -row.down else (row.down, row.next_down)
            if math.isfinite(shift) and len(lines) < FRAGILE:
                errors = fixed(row.in_standard_errors, 1)
                lines.append(
                    (row.study, node_label(row.technique), self._shift(shift), errors, node_label(then))
                )
        above = (
            f"{self.best()} has the best estimate. Each line moves one arm of one study alone, all else as "
            "it is, until another technique has. A shift below about two standard errors lies within chance."
        )
        columns = (
            Column(name="Study"), Column(name="Arm"),
            *_numbers("Would have to be", "Standard errors", share=1), Column(name="Best would then be"),
        )  # fmt: skip
        caption = "The arms whose least shift changes which technique has the best estimate"
        table = self.table("Shifts that change the best estimate", caption, columns, lines)
        blocks: tuple[Block, ...] = (Say(words=above, look="quiet"), table) if lines else ()
        return folded("How far would one study have to be wrong?", blocks, number=len(lines))

    def _shift(self, shift: float) -> str:
        if not self.measure.ratio:
            return f"{shown(abs(shift), self.measure)} {'higher' if shift > 0 else 'lower'}"
        what = {"odds_ratio": "odds", "rate_ratio": "rate"}.get(self.measure.name, "risk")
        return f"{what} {self.values(shift)[0]} times as high"

    def best(self) -> str:
        """Return the technique with the best estimate in the part of the reference, "" without ranks."""
        item = self.parts[0] if self.parts else None
        if item is None or item.ranking is None:
            return ""
        effects = list(map(float, item.part.effects))
        best = min(effects) if item.ranking.lower_is_better else max(effects)
        return node_label(item.part.techniques[effects.index(best)])


def pair_words(technique: str, comparator: str) -> str:
    """Return `one against the other` by their labels."""
    return f"{node_label(technique)} against {lower_first(node_label(comparator))}"


def _numbers(*names: str, share: float = 30) -> tuple[Column, ...]:
    return tuple(Column(name=name, number=True, share=share) for name in names)


def _heading(moderator: str) -> Column:
    term = vocabulary("moderators")[moderator]
    unit = term.facts.text("unit")
    return Column(name=f"{term.label}, {unit}" if unit else term.label, share=30)


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
