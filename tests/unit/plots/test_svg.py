from __future__ import annotations

import re
from xml.etree.ElementTree import Element

import html5lib
import pytest
from defusedxml.ElementTree import fromstring

from metakit.plots.forests.forest import forest_figure
from metakit.plots.forests.funnel import funnel_figure
from metakit.plots.forests.overview import overview_figure
from metakit.plots.svg import figure_svg, svg_text
from tests.unit.plots.samples import forests, funnels, overviews

SVG = "{http://www.w3.org/2000/svg}"


def parsed(text: str) -> Element:
    root: Element = fromstring(text)
    return root


@pytest.fixture(scope="module")
def nasty() -> str:
    return figure_svg(
        forest_figure(forests()["nasty_names"], width_mm=400), "What it shows <i>in words</i> & more"
    )


def test_a_study_called_script_is_text_and_nothing_else(nasty: str) -> None:
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in nasty
    assert "<script" not in nasty
    texts = ["".join(element.itertext()) for element in parsed(nasty).iter(f"{SVG}text")]
    assert "<script>alert(1)</script>" in texts
    page = html5lib.parse(f"<!doctype html><body>{nasty}</body>", namespaceHTMLElements=False)
    assert not [element for element in page.iter() if str(element.tag).endswith(("script", "}i", "}b"))]


@pytest.mark.walk
def test_ids_are_unique_in_a_page_of_several_figures() -> None:
    pictures = [
        figure_svg(forest_figure(forests()["two"])),
        figure_svg(forest_figure(forests()["eighteen"])),
        figure_svg(funnel_figure(funnels()["contours"])),
        figure_svg(overview_figure(overviews()["mixed"])),
    ]
    ids = re.findall(r'\bid="([^"]*)"', "".join(pictures))
    assert len(ids) == len(set(ids))
    for picture in pictures:
        root = parsed(picture)
        own = {element.get("id") for element in root.iter() if element.get("id")}
        used = set(re.findall(r"url\(#([^)]+)\)", picture)) | set(re.findall(r'href="#([^"]+)"', picture))
        assert used <= own
        assert set((root.get("aria-labelledby") or "").split()) <= own


def test_the_style_sheet_reaches_only_its_own_figure() -> None:
    figure = forest_figure(forests()["nasty_names"], width_mm=400)
    assert figure.axes, "whoever looks into a figure may change it: it is written as matplotlib draws it"
    root = parsed(figure_svg(figure))
    sheets = "".join(sheet.text or "" for sheet in root.iter(f"{SVG}style"))
    assert not re.search(r"(^|\})\s*\*", sheets)
    assert f"#{root.get('id')} *" in sheets


def test_the_glyphs_come_along_and_nothing_else_is_fetched(nasty: str) -> None:
    assert nasty.count("data:font/woff;base64,") == 2
    assert all(address.startswith("#") for address in re.findall(r'(?:href|src)="([^"]*)"', nasty))
    assert not re.findall(r"url\((?!#|data:)", nasty)


def test_the_picture_has_a_name_and_a_description(nasty: str) -> None:
    root = parsed(nasty)
    assert root.get("role") == "img"
    title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert title.text == forests()["nasty_names"].title
    assert description is not None
    assert description.text == "What it shows <i>in words</i> & more"


def test_a_file_is_an_svg_document_without_dates() -> None:
    text = svg_text(forest_figure(forests()["two"]))
    assert text.startswith('<?xml version="1.0" encoding="utf-8"?>\n<svg ')
    assert "<dc:date>" not in text
    assert not re.search(r"20\d\d-\d\d-\d\dT", text)
    assert parsed(text.split("\n", 1)[1]).tag == f"{SVG}svg"


def test_marks_are_named_by_classes() -> None:
    classes = {element.get("class") for element in parsed(figure_svg(forest_figure(forests()["two"]))).iter()}
    assert {"bubbles", "mean-overall", "null", "axis"} <= classes
