"""Long folds of a large page stand in its appendix: nothing is lost, every link leads somewhere."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser

import pytest

from metakit.report.appendix import APPENDIX, LONGEST_FOLD, apart
from metakit.report.drawing.figures import beside_the_page, draw_all
from metakit.report.page import Page
from metakit.report.render import render_brief, render_page, render_page_with_appendix
from tests.unit.report.drawing.test_figures import carried_out

LONG = "x" * (LONGEST_FOLD + 1)


def fold(inside: str, title: str = "Numbers (3)", marks: str = "") -> str:
    return f"<details>\n<summary{marks}>{title}</summary>\n{inside}\n</details>"


class _Texts(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_data(self, data: str) -> None:
        self.found += data.split()


def words(html: str) -> list[str]:
    parser = _Texts()
    parser.feed(html)
    return parser.found


def test_a_fold_longer_than_a_paragraph_moves_and_leaves_a_link() -> None:
    html = f"<h4>Any complication</h4>\n<p>An answer.</p>\n{fold(LONG)}\n<p>After.</p>"
    (kept,), (moved,) = apart([("Results", html, False)], "report.html")
    assert (moved.section, moved.heading, moved.title, moved.html) == (
        "Results",
        "Any complication",
        "Numbers (3)",
        LONG,
    )
    assert f'<a href="{APPENDIX}#{moved.name}">Numbers (3)</a>' in kept
    assert kept.startswith("<h4>Any complication</h4>\n<p>An answer.</p>\n<p class=") and kept.endswith(
        "<p>After.</p>"
    )
    short = fold("x" * LONGEST_FOLD)
    assert apart([("Results", short, False)], "report.html") == ([short], [])


def test_an_article_and_what_the_page_links_into_stay() -> None:
    article = fold(LONG, title="<h5 id='a'>An analysis</h5>")
    linked = fold(f'<p id="there">{LONG}</p>') + '\n<a href="#there">there</a>'
    for html in (article, linked):
        assert apart([("Results", html, False)], "report.html") == ([html], [])
    elsewhere = [
        ("Results", fold(f'<p id="there">{LONG}</p>'), False),
        ("Plan", '<a href="#there">there</a>', False),
    ]
    assert apart(elsewhere, "report.html")[1] == []


def test_cautions_stay_on_the_page() -> None:
    html = fold(LONG, "More that this report cannot do")
    assert apart([("Before you read", html, True)], "report.html") == ([html], [])


def test_the_inner_of_two_folds_moves_and_its_links_lead_back() -> None:
    inner = fold(f'<a href="#reference-1">[1]</a>{LONG}', marks=' dir="auto"')
    outer = f"<details>\n<summary>Outer</summary>\n<p>Words.</p>\n{inner}\n</details>"
    (kept,), (moved,) = apart([("Results", outer, False)], "report.html")
    assert moved.html.startswith('<a href="report.html#reference-1">')
    assert "<summary>Outer</summary>" in kept and 'class="quiet apart" dir="auto"' in kept
    typed = fold(f"href=&#34;#x{LONG}")  # a text that somebody typed is escaped, and stays what it is
    assert apart([("Results", typed, False)], "report.html")[1][0].html == f"href=&#34;#x{LONG}"


def test_each_fold_stands_under_the_heading_before_it() -> None:
    about = '<h5 id="a">One</h5><span class="what">A against B</span>'
    (one,) = apart([("Results", f"<p>{about}</p>{fold(LONG)}", False)], "report.html")[1]
    assert (
        one.heading == 'One<span class="sub">A against B</span>'
    )  # the same outcome stands in many comparisons
    html = "\n".join(("<h4>One</h4>", fold(LONG), fold(LONG), "<h4>Two</h4>", fold("x"), fold(LONG)))
    _, folds = apart([("Results", html, False), ("Plan", fold(LONG), False)], "report.html")
    assert [(one.section, one.heading, one.name) for one in folds] == [
        ("Results", "One", "fold-1"), ("Results", "One", "fold-2"), ("Results", "Two", "fold-3"), ("Plan", "", "fold-4"),
    ]  # fmt: skip


@pytest.mark.lengthy
def test_page_and_appendix_say_together_what_the_page_alone_says() -> None:
    findings = carried_out()
    figures = draw_all(findings, kinds=(".svg",), progress=lambda text: None)
    alone = Page(findings=findings, figures=figures)
    assert render_page_with_appendix(alone, "report.html") == (render_page(alone), "")
    large = replace(alone, figures=beside_the_page(figures))
    whole = render_page(replace(large))
    text, appendix = render_page_with_appendix(replace(large), "report.html")
    assert len(text) < len(whole)
    assert "More that this report cannot do" in text and "More that this report cannot do" not in appendix
    for page, may_ask in (
        (text, True),
        (render_page(alone), False),
        (render_brief(large, "report.html"), False),
    ):
        assert ('src="figures/' in page) is may_ask is ("img-src 'self' data:" in unescape(page))
    assert ('src="figures/' in appendix) is ("img-src 'self' data:" in unescape(appendix))
    names = set(re.findall(rf'href="{APPENDIX}#(fold-\d+)"', text))
    assert names and names == set(re.findall(r'<div id="(fold-\d+)"', appendix))
    assert set(re.findall(r'href="#([^"]+)"', text)) <= set(re.findall(r'\bid="([^"]+)"', text))
    assert set(re.findall(r'href="report\.html#([^"]+)"', appendix)) <= set(
        re.findall(r'\bid="([^"]+)"', text)
    )
    assert set(words(whole)) <= {*words(text), *words(appendix)}
    assert "script-src" in appendix and "http" not in re.sub(
        r"https?://(doi|www)[^<\"]*", "", appendix
    ).replace("http-equiv", "")
