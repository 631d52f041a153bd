"""Blocks in Word: what is folded on the page goes into a document of its own, links are words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from metakit.report.citations import Citations
from metakit.report.drawing.figure_parts import FigurePart
from metakit.report.methods_text import Cited
from metakit.report.word_documents.word_manuscript import Manuscript
from metakit.report.word_documents.word_tables import WordRow
from metakit.telling.blocks import Block, Cell, Part, Picture, Points, Say, Table, Words, filled, plain, runs

MOST_COLUMNS_UPRIGHT = 8
DEEPEST = 3
WORDS_AHEAD = 2_000
"""Letters of the words after a picture that are written before it: about 40 % of a page."""


def words_ahead(blocks: Sequence[Block], letters: int = WORDS_AHEAD) -> tuple[list[Block], list[Block]]:
    """Return the words with which blocks begin, about this many letters of them, and what is left.

    A paragraph and a point stay whole.
    """
    ahead, rest = list[Block](), list(blocks)
    while rest and letters > 0 and isinstance(first := rest[0], (Say, Points)):
        del rest[0]
        if isinstance(first, Say):
            ahead.append(first)
            letters -= len(plain(first.words))
            continue
        many = 0
        while many < len(first.items) and letters > 0:
            item = first.items[many]
            letters -= len(f"{item.lead}{plain(item.words)}{plain(item.under)}")
            many += 1
        ahead.append(replace(first, items=first.items[:many]))
        if many < len(first.items):
            rest.insert(0, replace(first, items=first.items[many:]))
    return ahead, rest


@dataclass(slots=True, kw_only=True)
class Word:
    """Writes blocks into a manuscript; with `keeping` folded parts wait for `appendix`, with their places."""

    text: Manuscript
    figures: Mapping[str, FigurePart]
    citations: Citations
    level: int = 2
    kept: list[tuple[tuple[str, ...], Part]] = field(default_factory=list)
    _within: tuple[str, ...] = ()
    keeping: bool = True

    def blocks(self, blocks: Sequence[Block]) -> None:
        """Write blocks one after another, a picture after the first words that follow it.

        Words may go on in the next page, a picture may not: it would leave its page half empty.
        """
        waiting = list(blocks)
        while waiting:
            block = waiting.pop(0)
            if isinstance(block, Picture):
                ahead, waiting = words_ahead(waiting)
                for words in ahead:
                    self.block(words)
            self.block(block)

    def block(self, block: Block) -> None:
        """Write one block."""
        if isinstance(block, Say):
            self._say(block)
        elif isinstance(block, Points):
            told = (
                " ".join(filter(None, (item.lead and f"{item.lead}:", plain(item.words), plain(item.under))))
                for item in block.items
            )
            self.text.bullets(told, warning=block.look == "caution")
        elif isinstance(block, Table):
            self._table(block)
        elif isinstance(block, Picture):
            if "narrow" not in block.look:
                part = self.figures.get(block.name)
                where = ": ".join(self._within[1:3])
                self.text.figure(part, caption=f"{where}. {part.caption}" if part and where else "")
        elif block.folded and self.keeping:
            self.kept.append((self._within, block))
        else:
            self._part(block)

    def section(self, title: str, blocks: Sequence[Block], *, headed: bool = True) -> None:
        """Write a section, nothing where it has nothing to say; `headed` for a heading of its own."""
        if headed and blocks:
            self._part(Part(title=title, blocks=tuple(blocks)))
            return
        self._within = (title,)
        self.blocks(blocks)
        self._within = ()

    def appendix(self, other: Word) -> None:
        """Write what was kept into another document: a heading a section, in it one a place."""
        before: tuple[str, ...] = ()
        for within, part in self.kept:
            if within[:1] != before[:1]:
                other.text.heading(within[0], 1)
            if within[1:] and within != before:
                other.text.heading(": ".join(within[1:]), 2)
            before = within
            other._within = within
            other._part(part, 3 if within[1:] else 2)

    def _say(self, block: Say) -> None:
        parts = runs(block.words)
        if any(run.cites for run in parts):
            self.text.cite([Cited(text=run.text, numbers=self.citations.numbers(run.cites)) for run in parts])
        else:
            self.text.say(plain(block.words), small=block.look == "quiet", warning=block.look == "warning")

    def _part(self, part: Part, level: int | None = None) -> None:
        if not any(map(self._shows, part.blocks)):
            return
        before, title = (self.level, self._within), plain(part.title)
        depth = self.level if level is None else level
        if not self.keeping or not all(isinstance(block, Part) and block.folded for block in part.blocks):
            self.text.heading(title, min(depth, DEEPEST))
        if part.about:
            self._say(Say(words=part.about, look="quiet"))
        self.level, self._within = depth + 1, (*self._within, title)
        self.blocks(part.blocks)
        self.level, self._within = before

    def _shows(self, block: Block) -> bool:
        """Whether anything of a block would be seen; a figure that was not drawn would not."""
        if isinstance(block, Part):
            return any(map(self._shows, block.blocks))
        return not isinstance(block, Picture) or block.name in self.figures

    def _table(self, block: Table) -> None:
        lying = self.text.lying
        if len(block.columns) > MOST_COLUMNS_UPRIGHT:
            self.text.turn(lying=True)
        self.text.table(
            tuple(column.name for column in block.columns),
            [
                WordRow(cells=row, whole=len(row) < len(block.columns), heading=len(row) < len(block.columns))
                for row in filled(block, self._cell)
            ],
            caption=f"{plain(block.caption).rstrip('.')}.",
            shares=tuple(column.share for column in block.columns),
        )
        self.text.turn(lying=lying)

    def _cell(self, cell: Cell | Words) -> str:
        words = cell.words if isinstance(cell, Cell) else cell
        numbers = [number for run in runs(words) for number in self.citations.numbers(run.cites)]
        return plain(cell, "\n") + "".join(f" [{number}]" for number in numbers)
