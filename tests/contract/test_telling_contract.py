"""Every section that is told says the same on the page, in Word and on a terminal. All studies are invented."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from metakit.core.plans import NetworkPlan
from metakit.report.citations import Citations
from metakit.report.html import Html
from metakit.report.registry import ORDER
from metakit.report.terminal import Terminal
from metakit.report.word_documents.word import Word
from metakit.report.word_documents.word_document import new_document
from metakit.report.word_documents.word_manuscript import Manuscript
from metakit.synthesis.run import synthesise
from metakit.telling.blocks import Block, Cell, Part, Points, Say, Table, Words, plain
from metakit.telling.facts import Facts
from metakit.telling.sections import SECTIONS, Told
from tests.unit.synthesis.invented import Folder, counted, plan, protocol, series_plan, study, trial
from tests.unit.synthesis.invented import arm as one_arm
from tests.unit.telling.test_blocks import on_page, squeezed


@pytest.fixture(scope="module")
def facts() -> Facts:
    network = NetworkPlan(
        id="net",
        label="Techniques together",
        outcome="any_complication",
        measure="odds_ratio",
        reference="trapeziectomy",
        components=False,
    )
    third = study(
        "5",
        counted("A", 5, 40),
        counted("B", 9, 40),
        arms=(one_arm("A", "suspension"), one_arm("B", "trapeziectomy")),
    )
    series = study(
        "6",
        counted("A", 3, 40),
        arms=(one_arm("A", "denervation"),),
        design="case_series",
        design_group="series",
    )
    asked = protocol(plan(), plan("odds_ratio", id="other"), series_plan(id="alone"), networks=(network,))
    typed = {
        "outcomes": [{"outcome": "any_complication", "window": "12_months"}, {"outcome": "dash"}],
        "analyses": [{"id": item.id, "measure": item.measure} for item in asked.analyses],
        "networks": [{"id": "net", "label": "Techniques together"}],
        "sensitivity": ["icc: 0 and 0.5", "without the largest study"],
        "note": "written before the search",
    }
    asked = replace(asked, fields=typed)
    studies = (*(trial(str(n), 4 + n, 9) for n in range(1, 5)), third, series)
    return Facts.of(synthesise(Folder(protocol=asked, studies=studies)))


def in_word(title: str, blocks: tuple[Block, ...]) -> str:
    """Return the texts of both Word documents."""
    word, more = (
        Word(text=Manuscript(new_document(title)), figures={}, citations=Citations(), keeping=keeping)
        for keeping in (True, False)
    )
    word.section(title, blocks)
    word.appendix(more)
    bodies = [one.text.document.element.body for one in (word, more)]
    return " ".join(node.text or "" for body in bodies for node in body.iter("{*}t"))


def told(block: Block) -> list[Words | Cell]:
    """Return every piece of words of a block, in order."""
    if isinstance(block, Say):
        return [block.words]
    if isinstance(block, Points):
        return [words for item in block.items for words in (item.lead, item.words, item.under) if words]
    if isinstance(block, Table):
        lines = [block.caption, *(cell for row in block.rows for cell in row)]
        return [
            words
            for cell in lines
            for words in ((cell.words, *cell.under) if isinstance(cell, Cell) else (cell,))
        ]
    if isinstance(block, Part):
        inside = [words for one in block.blocks for words in told(one)]
        return [block.title, *([block.about] if block.about else []), *inside] if inside else []
    return []


@pytest.mark.walk
@pytest.mark.parametrize("section", SECTIONS, ids=lambda section: section.name)
def test_page_word_and_terminal_say_the_same(facts: Facts, section: Told) -> None:
    blocks = section.tell(facts)
    pieces = [
        text for block in blocks for words in told(block) if (text := squeezed(plain(words)).rstrip("."))
    ]
    assert len(pieces) > 5 or section.name == "why-thumbs-come-back"
    for form in (on_page(blocks), in_word(section.title, blocks), Terminal().blocks(blocks)):
        said = squeezed(form)
        missing = [text for text in pieces if text not in said]
        assert missing == []


@pytest.mark.parametrize("section", SECTIONS, ids=lambda section: section.name)
def test_anchors_lead_somewhere_and_names_of_tables_are_their_own(facts: Facts, section: Told) -> None:
    everything = Html(figures={}, citations=Citations()).blocks(
        tuple(block for one in SECTIONS for block in one.tell(facts))
    )
    own = Html(figures={}, citations=Citations()).blocks(section.tell(facts))
    anchors = {*re.findall(r' id="([^"]+)"', everything), *ORDER}
    for target in re.findall(r'href="#([^"]+)"', own):
        assert target in anchors or target.startswith("reference-"), target
    labels = re.findall(r'role="region" tabindex="0" aria-label="([^"]*)"', own)
    assert len(labels) == len(set(labels))
