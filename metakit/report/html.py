"""Blocks as HTML: one way to write a paragraph, a list, a table, a figure and a fold; all texts escaped."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from metakit.report.citations import Citations
from metakit.report.drawing.figure_parts import FigurePart
from metakit.report.shown import shown_text
from metakit.telling.blocks import (
    Block,
    Cell,
    Part,
    Picture,
    Point,
    Points,
    Run,
    Say,
    Table,
    Words,
    placed,
    plain,
    runs,
)

_RUNS = {
    "plain": Markup("{}"), "strong": Markup("<strong>{}</strong>"),
    "quiet": Markup('<span class="sub">{}</span>'),
    "mark": Markup('<span class="sub mark">{}</span>'), "tag": Markup('<span class="tag">{}</span>'),
    "place": Markup('<span class="sub place">{}</span>'),
    "changed": Markup('<strong class="changed">{}</strong>'),
}  # fmt: skip
_LEVEL = Markup(
    '<span class="level"><span class="steps" aria-hidden="true">{}</span> <strong>{}</strong></span>'
)
_STEPS = (Markup("<span></span>"), Markup('<span class="full"></span>'))
_OPENS = Markup('<button type="button" class="trace-open" popovertarget="{}" aria-label="{}">Trace</button>')
_OPENED = Markup(
    '\n<div popover id="{0}" class="trace" role="dialog" aria-labelledby="{0}-title">\n'
    '<p class="trace-title" id="{0}-title" dir="auto">{1}</p>\n{2}\n'
    '<button type="button" class="trace-close" popovertarget="{0}" popovertargetaction="hide">Close</button>'
    "\n</div>"
)
_FOLDED = Markup(
    '<article class="result" aria-labelledby="{0}-title">\n<details>\n'
    '<summary><h{1} id="{0}-title" dir="auto">{2}</h{1}>{3}</summary>\n'
    '<div id="{0}" class="inside">\n{4}\n</div>\n</details>\n</article>'
)
"""A folded article; its anchor is inside, so that whoever follows a link finds it opened."""
_SHOWN = Markup(
    '\n<a class="in-paper" href="{0}"><img src="{0}" loading="lazy" alt="Picture of the paper: {1}"></a>'
)
_UNDER = Markup('\n<span class="sub">{}</span>')
_NOTHING = Markup()
_FROM_RIGHT = re.compile(
    "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufeff\U00010800-\U00010fff\U0001e800-\U0001efff]"
)
_LINES = Markup("\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class Html:
    """Writes blocks as HTML, with the figures (by name) and the citations of one page.

    `home` is the page that anchors are on, "" for the one that is written.
    """

    figures: Mapping[str, FigurePart]
    citations: Citations
    home: str = ""

    def blocks(self, blocks: Sequence[Block]) -> Markup:
        """Write blocks one after another; what is empty is dropped."""
        return _LINES.join(text for text in map(self.block, blocks) if text)

    def block(self, block: Block) -> Markup:
        """Write one block."""
        if isinstance(block, Say):
            said = _element("p", self.words(block.words), _class(block.look))
            return _filled("<div{}>{}</div>", _class("warning"), said) if block.look == "warning" else said
        if isinstance(block, Points):
            return self._points(block)
        if isinstance(block, Table):
            return self._table(block)
        return self._picture(block) if isinstance(block, Picture) else self._part(block)

    def words(self, words: Words) -> Markup:
        """Write the runs of a line."""
        return _NOTHING.join(map(self._run, runs(words)))

    def _run(self, run: Run) -> Markup:
        if run.look == "level":
            said = _filled(
                _LEVEL, _NOTHING.join(_STEPS[n < run.steps] for n in range(4)), shown_text(run.text)
            )
        else:
            said = _filled(_RUNS[run.look], shown_text(run.text)) if run.text else _NOTHING
        if run.to:
            said = _filled('<a href="{}#{}">{}</a>', self.home, run.to, said)
        for number in self.citations.numbers(run.cites):
            said += _filled(' <a class="cite" href="#reference-{0}">[{0}]</a>', number)
        return said

    def _points(self, block: Points) -> Markup:
        if block.look == "named":
            pairs = (
                _LINES.join(
                    (
                        _element("dt", shown_text(item.lead)),
                        _element("dd", self.words(item.words) + self._under(item)),
                    )
                )
                for item in block.items
            )
            return _filled('<dl class="glance">\n{}\n</dl>', _LINES.join(pairs))
        name = _filled(' aria-label="{}"', shown_text(block.label)) if block.label else _NOTHING
        items = (
            _element(
                "li", self._lead(item) + self.words(item.words) + self._under(item) + self._pictures(item)
            )
            for item in block.items
        )
        return _filled("<ul{}{}>\n{}\n</ul>", _class(block.look), name, _LINES.join(items))

    def _lead(self, item: Point) -> Markup:
        return _filled("<strong>{}</strong>: ", shown_text(item.lead)) if item.lead else _NOTHING

    def _under(self, item: Point) -> Markup:
        return _filled('\n<span class="sub">{}</span>', self.words(item.under)) if item.under else _NOTHING

    def _pictures(self, item: Point) -> Markup:
        return _NOTHING.join(_filled(_SHOWN, file, shown_text(words)) for file, words in item.pictures)

    def _table(self, block: Table) -> Markup:
        head = _NOTHING.join(
            _element("th", shown_text(column.name), Markup(' scope="col"')) for column in block.columns
        )
        together = any(isinstance(row[0], Cell) and row[0].rows > 1 for row in block.rows)
        return _filled(
            '<div class="table-scroll" role="region" tabindex="0" aria-label="{}">\n<table{}>\n'
            "<caption>{}</caption>\n<thead><tr>{}</tr></thead>\n<tbody>\n{}\n</tbody>\n</table>\n</div>",

            shown_text(block.label), _class(block.look), self._lines(block.caption), head,
            _LINES.join(
                self._row(block, row, "headline" if n < block.leading else "first" if together else "")
                for n, row in enumerate(placed(block))
            ),
        ) + _NOTHING.join(self._opened(row[0]) for row in block.rows)  # fmt: skip

    def _opened(self, cell: Cell | Words) -> Markup:
        """Write the part that a cell opens; it stands after the table, which may not hold it."""
        part = cell.opens if isinstance(cell, Cell) else None
        if part is None:
            return _NOTHING
        return _filled(_OPENED, part.anchor, self.words(part.title), self.blocks(part.blocks))

    def _row(self, block: Table, row: Sequence[tuple[int, Cell | Words]], look: str) -> Markup:
        first, cell = row[0]
        if len(row) == 1 and isinstance(cell, Cell) and cell.across == len(block.columns):
            marks = _filled(' scope="rowgroup" colspan="{}"', cell.across)
            return _filled('<tr class="group">{}</tr>', _element("th", self._lines(cell), marks))
        cells = (self._cell(block, column, item) for column, item in row)
        return _filled("<tr{}>{}</tr>", _class("" if first else look), _NOTHING.join(cells))

    def _cell(self, block: Table, place: int, cell: Cell | Words) -> Markup:
        column = block.columns[place]
        marks = Markup(' scope="row"') if place == 0 else _NOTHING
        if column.number:
            marks += _class("number")
        if block.look == "stacked":
            marks += _filled(' data-label="{}"', shown_text(column.name))
        if isinstance(cell, Cell):
            marks += _filled(' rowspan="{}"', cell.rows) if cell.rows > 1 else _NOTHING
            marks += _filled(' colspan="{}"', cell.across) if cell.across > 1 else _NOTHING
        return _element("td" if place else "th", self._lines(cell), marks)

    def _lines(self, cell: Cell | Words) -> Markup:
        if not isinstance(cell, Cell):
            return self.words(cell)
        quiet = (
            self.words(line)
            if isinstance(line, Run) and line.look != "plain"
            else _filled(_UNDER, self.words(line))
            for line in cell.under
        )
        opens = cell.opens and _filled(_OPENS, cell.opens.anchor, shown_text(plain(cell.opens.about)))
        return self.words(cell.words) + _NOTHING.join(quiet) + (opens or _NOTHING)

    def _picture(self, block: Picture) -> Markup:
        part = self.figures.get(block.name)
        if part is None:
            return _NOTHING
        return _filled(
            '<figure{}>\n<div class="figure-scroll" role="region" tabindex="0" aria-label="Figure {}">\n{}\n'
            '</div>\n<figcaption>{} <a href="figures/{}.svg">Figure as a file</a></figcaption>\n</figure>',

            _class(block.look), part.name.replace("_", " "), part.markup, shown_text(part.caption), part.name
        )  # fmt: skip

    def _part(self, part: Part) -> Markup:
        inside = self.blocks(part.blocks)
        if not inside:
            return _NOTHING
        title = self.words(part.title)
        if part.folded and part.anchor:
            about = _filled('<span class="what">{}</span>', self.words(part.about))
            return _filled(_FOLDED, part.anchor, 2 + part.level, title, about if part.about else "", inside)
        if part.folded:
            return _filled("<details>\n<summary>{}</summary>\n{}\n</details>", title, inside)
        about = _filled('\n<p class="what">{}</p>', self.words(part.about)) if part.about else _NOTHING
        if part.anchor:
            return _filled(
                '<article id="{0}" class="result" aria-labelledby="{0}-title">\n'
                '<h{1} id="{0}-title" dir="auto">{2}</h{1}>{3}\n{4}\n</article>',
                part.anchor,
                2 + part.level,
                title,
                about,
                inside,
            )
        look = part.look or ("small" if part.level > 1 else "")
        return _element(f"h{2 + part.level}", title, _class(look)) + about + _LINES + inside


def _filled(pattern: str, *values: object) -> Markup:
    """Put values into a pattern of our own, escaped unless they are markup; `Markup.format` takes long."""
    safe = [value if isinstance(value, Markup) else escape(value) for value in values]
    return Markup(str.format(pattern, *safe))  # noqa: S704 - the patterns stand here, values are escaped


def _element(tag: str, inside: str, marks: Markup = _NOTHING) -> Markup:
    """Write an element; where its text reads from the right, the browser shall find out."""
    way = Markup(' dir="auto"') if _FROM_RIGHT.search(inside) else _NOTHING
    return _filled("<{0}{1}{2}>{3}</{0}>", tag, marks, way, inside)


def _class(name: str) -> Markup:
    return _filled(' class="{}"', name) if name not in ("", "plain", "list") else _NOTHING
