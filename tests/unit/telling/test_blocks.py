"""Five kinds of block in three forms: the same words and numbers on the page, in Word and on a terminal."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from metakit.report.citations import Citations
from metakit.report.html import Html
from metakit.report.terminal import Terminal
from metakit.report.word_documents.word import Word
from metakit.report.word_documents.word_document import new_document
from metakit.report.word_documents.word_manuscript import Manuscript
from metakit.telling.blocks import (
    Block,
    Cell,
    Column,
    Part,
    Picture,
    Point,
    Points,
    Run,
    Say,
    Table,
    filled,
    folded,
    plain,
    points,
    says,
)

HOSTILE = '<script>alert(1)</script> & "quotes" \u202eevil'
TABLE = Table(
    caption="What was counted",
    columns=(Column(name="Study"), Column(name="Events", number=True), Column(name="Why")),
    rows=(
        (Cell(words="Trials", across=3),),
        ("Study one", "3/40", Cell(words="as typed", under=("a quiet line",))),
        (Cell(words="Study two", rows=2), Run(text="7/41", look="changed"), "other"),
        ("9/39", "two lines of one study"),
    ),
    label="Counts",
    look="stacked",
)
ALL: tuple[Block, ...] = (
    Say(words=("The answer is ", Run(text="0.55", look="strong"), " (0.31 to 0.98)", Run(cites=("handbook",)))),
    *says(("First sentence.", "Second sentence."), first="answer"),
    Say(words="Take care.", look="warning"),
    Points(items=(Point(words="with care", lead="Read", under="below it"),), look="caution"),
    Points(items=(Point(words="told", lead="Name"),), look="named"),
    TABLE,
    Picture(name="never-drawn"),
    Part(
        title="An answer", anchor="one", about="Planned",
        blocks=(Say(words="Inside."), *folded("More of it", (Say(words="Deep inside."),), number=1)),
    ),
    Part(title="Nothing but a picture", blocks=(Picture(name="never-drawn"),), folded=True),
)  # fmt: skip


class _Texts(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.found.append(data)


def on_page(blocks: tuple[Block, ...]) -> str:
    parser = _Texts()
    parser.feed(Html(figures={}, citations=Citations()).blocks(blocks))
    assert not parser.open
    return " ".join(parser.found)


def in_word(blocks: tuple[Block, ...]) -> str:
    word, more = (
        Word(text=Manuscript(new_document("Invented")), figures={}, citations=Citations(), keeping=keeping)
        for keeping in (True, False)
    )
    word.section("A section", blocks)
    word.appendix(more)
    bodies = [one.text.document.element.body for one in (word, more)]
    return " ".join(node.text or "" for body in bodies for node in body.iter("{*}t"))


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


FORMS = {"page": on_page, "Word": in_word, "terminal": lambda blocks: Terminal().blocks(blocks)}


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize(
    "words",
    [
        "The answer is 0.55 (0.31 to 0.98)", "First sentence.", "Second sentence.", "Take care.", "Read", "below it",
        "Name", "What was counted", "Events", "Trials", "Study one", "3/40", "as typed", "a quiet line", "7/41",
        "two lines of one study", "An answer", "Planned", "Inside.", "More of it (1)", "Deep inside.",
    ],
)  # fmt: skip
def test_every_word_stands_in_every_form(form: str, words: str) -> None:
    assert squeezed(words) in squeezed(FORMS[form](ALL))


@pytest.mark.parametrize("form", FORMS)
def test_what_is_empty_is_dropped(form: str) -> None:
    text = FORMS[form](ALL)
    assert "Nothing but a picture" not in text
    assert FORMS[form](()) == ""


def test_typed_text_never_becomes_markup() -> None:
    blocks = (
        Say(words=HOSTILE),
        Points(items=(Point(words=HOSTILE, lead=HOSTILE, under=HOSTILE),)),
        Table(
            caption=HOSTILE,
            columns=(Column(name=HOSTILE),),
            rows=((HOSTILE,),),
            label=HOSTILE,
            look="stacked",
        ),
        Part(title=HOSTILE, about=HOSTILE, blocks=(Say(words=HOSTILE),)),
    )
    html = Html(figures={}, citations=Citations()).blocks(blocks)
    assert "<script" not in html
    assert "\u202e" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &#34;quotes&#34;" in html
    for form in FORMS.values():
        assert "\u202e" not in form(blocks)


def test_rows_over_several_lines_keep_their_columns() -> None:
    html = Html(figures={}, citations=Citations()).blocks((TABLE,))
    assert '<tr class="group"><th scope="rowgroup" colspan="3">Trials</th></tr>' in html
    assert '<th scope="row" data-label="Study" rowspan="2">Study two</th>' in html
    assert '<tr><td class="number" data-label="Events">9/39</td>' in html


def test_a_certainty_has_its_steps() -> None:
    run = Run(text="Low", look="level", steps=2)
    assert Html(figures={}, citations=Citations()).words(run).count('class="full"') == 2
    assert plain(run) == "Low"


def test_lists_and_folds_of_nothing_are_nothing() -> None:
    assert points([]) == ()
    assert folded("Title", ()) == ()
    assert plain(Cell(words="a", under=("b", "", "c"))) == "a, b, c"


def test_a_table_too_wide_for_a_terminal_becomes_paragraphs() -> None:
    text = Terminal(width=40).blocks((TABLE,))
    assert max(map(len, text.splitlines())) <= 40
    assert squeezed("Study one: Events: 3/40; Why: as typed, a quiet line") in squeezed(text)


def test_the_browser_finds_the_direction_of_text_that_reads_from_the_right() -> None:
    html = Html(figures={}, citations=Citations()).blocks((Say(words="שלום 12"), Say(words="plain")))
    assert html == '<p dir="auto">שלום 12</p>\n<p>plain</p>'


def test_a_cell_over_rows_at_either_end_leaves_its_columns_to_the_rows_below() -> None:
    rows = (
        (Cell(words="study", rows=2), "arm 1", "3/40", Cell(words="0.55", rows=2)),
        ("arm 2", "7/41"),
        ("other", "arm", "1/2", "–"),
    )
    table = Table(
        caption="c",
        columns=tuple(Column(name=name, number=name == "n") for name in "abnd"),
        rows=rows,
        label="l",
    )
    assert filled(table, plain) == [
        ("study", "arm 1", "3/40", "0.55"), ("", "arm 2", "7/41", ""), ("other", "arm", "1/2", "–"),
    ]  # fmt: skip
    assert '<td class="number">7/41</td>' in Html(figures={}, citations=Citations()).blocks((table,))
