"""Blocks as text for a terminal: lines of a width, tables in columns where they fit, no pictures."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from metakit.report.shown import shown_text
from metakit.telling.blocks import Block, Cell, Part, Picture, Points, Say, Table, Words, filled, plain

WIDTH = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Terminal:
    """Writes blocks as lines of text."""

    width: int = WIDTH

    def blocks(self, blocks: Sequence[Block]) -> str:
        """Write blocks one after another, an empty line between them."""
        return "\n\n".join(text for text in map(self.block, blocks) if text)

    def block(self, block: Block) -> str:
        """Write one block."""
        if isinstance(block, Say):
            return self._filled(_text(block.words))
        if isinstance(block, Points):
            told = (
                " ".join(filter(None, (item.lead and f"{item.lead}:", plain(item.words), plain(item.under))))
                for item in block.items
            )
            return "\n".join(self._filled(shown_text(text), "- ", "  ") for text in told)
        if isinstance(block, Table):
            return self._table(block)
        return "" if isinstance(block, Picture) else self._part(block)

    def _filled(self, text: str, first: str = "", later: str = "") -> str:
        return textwrap.fill(text, self.width, initial_indent=first, subsequent_indent=later)

    def _part(self, part: Part) -> str:
        inside, title = self.blocks(part.blocks), _text(part.title)
        about = self._filled(_text(part.about)) if part.about else ""
        return "\n\n".join(filter(None, (f"{title}\n{'-' * len(title)}", about, inside))) if inside else ""

    def _table(self, block: Table) -> str:
        heads = [shown_text(column.name) for column in block.columns]
        rows = filled(block, _text)
        whole = [row for row in (heads, *rows) if len(row) == len(heads)]
        wide = [max(len(row[n]) for row in whole) for n in range(len(heads))]
        caption = self._filled(_text(block.caption))
        if sum(wide) + 2 * len(wide) > self.width:
            return "\n".join((caption, *(self._entry(heads, row) for row in rows)))
        lines = [
            "  ".join(
                text.rjust(size) if column.number else text.ljust(size)
                for text, size, column in zip(row, wide, block.columns, strict=True)
            ).rstrip()
            if len(row) == len(heads)
            else " ".join(row)
            for row in (heads, *rows)
        ]
        return "\n".join((caption, *(f"  {line}" for line in lines)))

    def _entry(self, heads: Sequence[str], row: Sequence[str]) -> str:
        """Return a row that is too wide for columns as a paragraph."""
        told = "; ".join(
            f"{head}: {cell}" if head else cell
            for head, cell in zip(heads[1:], row[1:], strict=False)
            if cell
        )
        return self._filled(f"{row[0]}: {told}" if told else row[0], "  ", "    ")


def _text(words: Cell | Words) -> str:
    return shown_text(plain(words))
