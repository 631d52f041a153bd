"""A document in five kinds of block: told once, before anybody knows whether it becomes page, Word or text.

A section is a function from facts to blocks. It says words and names pictures; how a paragraph, a list, a
table or a fold looks is the business of the renderers (`report.html`, `report.word`, `report.terminal`).
What is folded on the page is an appendix in Word.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

Look = Literal["plain", "strong", "quiet", "mark", "place", "tag", "changed", "level"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Some words with a look.

    `to` is the anchor that they lead to, `cites` are the keys of the sources behind them. With the look
    `level` they are a certainty, and `steps` (1 to 4) how many of its four steps are filled.
    """

    text: str = ""
    look: Look = "plain"
    to: str = ""
    cites: tuple[str, ...] = ()
    steps: int = 0


Words = str | Run | tuple[str | Run, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Say:
    """A paragraph."""

    words: Words
    look: Literal["plain", "quiet", "answer", "lead", "warning"] = "plain"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceShown:
    """A picture of a place in a paper: its `file` beside the page, "" without one; `why` says why then."""

    file: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One point of a list: its words, before them the name of what it is about, below them a quiet line.

    `pictures` are files beside the page that it shows there, each with the words for who cannot see it; they
    stay out of paper and terminal.
    """

    words: Words
    lead: str = ""
    under: Words = ""
    pictures: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """A list. `named` sets leads and words side by side; `label` names the list for those who hear it."""

    items: tuple[Point, ...]
    look: Literal["list", "caution", "quiet", "named"] = "list"
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A cell with quiet lines under its words, over several rows or columns where these are not 1.

    `opens` is a part that the page opens beside the cell; it stays out of paper and terminal.
    """

    words: Words
    under: tuple[Words, ...] = ()
    rows: int = 1
    across: int = 1
    opens: Part | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of a table; `share` of the width where a page is paper."""

    name: str
    number: bool = False
    share: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table; the first cell of a row is its heading. `label` is its name for those who cannot see it.

    A row of one cell across all columns is a heading for the rows below it. The first `leading` rows stay
    first and stand out.
    """

    caption: Cell | Words
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell | Words, ...], ...]
    label: str
    look: Literal["", "sortable", "stacked", "league", "narrow", "facts"] = "sortable"
    leading: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure of the report by its name, dropped where it was not drawn; `look` as in the style sheet."""

    name: str
    look: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Blocks under a heading: folded (opened by who wants more), or an article with an `anchor`.

    `level` is the depth of the heading below the section, `about` a quiet line under it, `look` that of the
    heading. An empty part is dropped.
    """

    title: Words
    blocks: tuple[Block, ...]
    level: int = 1
    folded: bool = False
    anchor: str = ""
    about: Words = ""
    look: Literal["", "question-heading"] = ""


Block = Say | Points | Table | Picture | Part


class Renderer(Protocol):
    """Turns blocks into the form that it stands for."""

    def blocks(self, blocks: Sequence[Block]) -> Any:
        """Render blocks one after another."""
        ...


def placed(table: Table) -> tuple[tuple[tuple[int, Cell | Words], ...], ...]:
    """Return each cell of each row with its column: what spans from above takes its column away."""
    left, rows = [0] * len(table.columns), []
    for row in table.rows:
        free = (n for n, taken in enumerate(left) if taken == 0)
        found, after = [], [max(taken - 1, 0) for taken in left]
        for cell in row:
            column = next(free)
            found.append((column, cell))
            if isinstance(cell, Cell):
                after[column] = cell.rows - 1
                for _ in range(cell.across - 1):
                    next(free)
        left = after
        rows.append(tuple(found))
    return tuple(rows)


def filled(table: Table, write: Callable[[Cell | Words], str]) -> list[tuple[str, ...]]:
    """Return rows of texts, one a column, "" where another cell spans; a row that is a heading has one."""
    rows = []
    for row in placed(table):
        texts = [""] * len(table.columns)
        for column, cell in row:
            texts[column] = write(cell)
        heads = len(row) == 1 and isinstance(row[0][1], Cell) and row[0][1].across == len(table.columns)
        rows.append(tuple(texts[:1]) if heads else tuple(texts))
    return rows


def runs(words: Words) -> tuple[Run, ...]:
    """Return words as runs."""
    parts = words if isinstance(words, tuple) else (words,)
    return tuple(part if isinstance(part, Run) else Run(text=part) for part in parts)


def plain(words: Cell | Words, joint: str = ", ") -> str:
    """Return words without their look; the quiet lines of a cell follow after `joint`."""
    if isinstance(words, Cell):
        return joint.join(text for text in (plain(words.words), *map(plain, words.under)) if text)
    return "".join(run.text for run in runs(words))


def says(sentences: Iterable[Words], *, first: Literal["plain", "answer"] = "plain") -> tuple[Say, ...]:
    """Return one paragraph a sentence, the first in a look of its own."""
    return tuple(Say(words=words, look="plain" if place else first) for place, words in enumerate(sentences))


def points(items: Iterable[Point | Words], **facts: Any) -> tuple[Points, ...]:
    """Return a list, nothing where there are no items."""
    made = tuple(item if isinstance(item, Point) else Point(words=item) for item in items)
    return (Points(items=made, **facts),) if made else ()


def folded(title: str, blocks: Sequence[Block], *, number: int | None = None) -> tuple[Part, ...]:
    """Return a folded part, nothing where it would be empty; `number` of things stands behind its title."""
    counted = title if number is None else f"{title} ({number})"
    return (Part(title=counted, blocks=tuple(blocks), folded=True),) if blocks else ()
