"""Figures that share a page: the same picture with one font for all, styles told once, ids of its own."""

from __future__ import annotations

import itertools
import math
import re
from xml.etree.ElementTree import Element

import pytest
from matplotlib.figure import Figure

from metakit.plots.forests.forest import forest_figure
from metakit.plots.forests.funnel import funnel_figure
from metakit.plots.save import figure_bytes
from metakit.plots.scene_svg import scene_svg
from metakit.plots.svg import SVG, figure_svg, parsed
from metakit.plots.svg_page import (
    PAGE_FONT,
    bare_points,
    from_chord,
    looks_once,
    page_font_rules,
    page_scene,
    page_svg,
)
from tests.unit.plots.samples import forests, funnels


def marks(root: Element) -> list[Element]:
    """Return the elements without the shapes of clips, which draw nothing."""
    clips = {part for clip in root.iter(f"{{{SVG}}}clipPath") for part in clip.iter()}
    return [element for element in root.iter() if element not in clips]


def looked_into(figure: Figure) -> Figure:
    """Return a figure that somebody looked into: it is written as matplotlib draws it."""
    assert figure.axes
    return figure


def looks(svg: str) -> list[tuple[str, str, str]]:
    """Return tag, text and effective style of each mark, whichever way the style is told, without fonts."""
    root = parsed(svg)
    rules = dict(
        re.findall(
            r"\.(s\d+) \{([^}]*)\}", "".join(sheet.text or "" for sheet in root.iter(f"{{{SVG}}}style"))
        )
    )
    found = []
    for element in marks(root):
        if element.tag == f"{{{SVG}}}style":
            continue
        told = [rules[name] for name in element.get("class", "").split() if name in rules]
        if element.tag in (f"{{{SVG}}}g", f"{{{SVG}}}clipPath", f"{{{SVG}}}defs", f"{{{SVG}}}rect"):
            continue  # groups of one mark and clips to the whole sheet are not kept
        style = re.sub(r"font-family: .*?(;|$)", "", ";".join([*told, element.get("style", "")])).strip("; ")
        found.append((element.tag, (element.text or "").strip(), style))
    return found


@pytest.mark.walk
def test_the_page_form_of_a_figure_is_leaner_and_looks_the_same() -> None:
    for figure in (forest_figure(forests()["nasty_names"]), funnel_figure(funnels()["contours"])):
        whole = figure_svg(looked_into(figure), "in words")
        lean = page_svg(whole)
        assert len(lean) < 0.6 * len(whole)
        assert looks(lean) == looks(whole)
        assert "font-face" not in lean and PAGE_FONT in lean


def test_coordinates_move_by_less_than_a_hundredth_of_a_point() -> None:
    whole = figure_svg(looked_into(forest_figure(forests()["eighteen"])))
    before, after = (
        [
            float(number)
            for element in marks(parsed(svg))
            for number in re.findall(r"-?\d+(?:\.\d+)?", element.get("d", "") + " " + element.get("x", ""))
        ]
        for svg in (whole, page_svg(whole))
    )
    assert len(before) == len(after) > 100
    assert max(abs(a - b) for a, b in zip(before, after, strict=True)) <= 0.0051


def test_clips_as_large_as_the_drawing_are_left_out_and_others_stay() -> None:
    whole = figure_svg(looked_into(forest_figure(forests()["eighteen"])))
    assert whole.count("clip-path=") > 20
    assert "clip-path=" not in page_svg(whole)
    assert "clipPath" not in page_svg(whole)
    smaller = re.sub(r'(<clipPath[^>]*>\s*<rect [^>]*width=")[^"]*', r"\g<1>100", whole)
    assert page_svg(smaller).count("clip-path=") == smaller.count("clip-path=")


def test_styles_of_one_figure_do_not_reach_another() -> None:
    for name in ("two", "eighteen"):
        lean = page_svg(figure_svg(looked_into(forest_figure(forests()[name]))))
        root = parsed(lean)
        sheets = "".join(sheet.text or "" for sheet in root.iter(f"{{{SVG}}}style"))
        assert re.findall(r"\.s\d+ \{", sheets)
        assert all(
            selector.startswith(f"#{root.get('id')} ") for selector in re.findall(r"[^{}]+(?=\{)", sheets)
        )


def test_the_page_has_the_glyphs_of_all_its_figures_once() -> None:
    figures = [
        page_svg(figure_svg(looked_into(forest_figure(forests()[name])))) for name in ("two", "eighteen")
    ]
    rules = page_font_rules("<p>words ∮</p>" + "".join(figures))
    assert rules.count("@font-face") == 2 and rules.count("data:font/woff;base64,") == 2
    alone = page_font_rules(figures[0])
    assert len(alone) <= len(rules)
    assert page_font_rules("<p>no figure</p>") == ""


def test_a_scene_on_the_page_has_the_marks_and_looks_of_its_file() -> None:
    figure = forest_figure(forests()["eighteen"])
    whole = scene_svg(figure.scene, "x", "in words", font=lambda name: ("serif", ""))
    lean = page_scene(figure.scene, "x", "in words")
    (first, second), rules = looks_once([lean, lean])
    assert first == second and "<style" not in first and len(first) < 0.75 * len(whole)
    told = dict(re.findall(r"\.(v\d+) \{([^}]*)\}", rules))
    assert len(told) == len(set(told.values())) > 5
    names = ("fill", "stroke", "stroke-width", "stroke-dasharray", "font-size", "font-weight", "text-anchor")
    before = [
        (mark.tag, mark.get("points"), mark.text, *(mark.get(name) for name in names))
        for mark in parsed(whole).iter()
        if mark.tag.rpartition("}")[2] in ("text", "polyline", "polygon", "circle")
    ]
    after = []
    for mark in parsed(first).iter():
        if mark.tag.rpartition("}")[2] in ("text", "polyline", "polygon", "circle"):
            look = dict(part.split(": ") for part in told[mark.get("class", "")].split("; "))
            if "font-size" in look:
                look["font-size"] = look["font-size"].removesuffix("px")
            after.append((mark.tag, mark.get("points"), mark.text, *(look.get(name) for name in names)))
    assert before == after and len(before) > 100
    assert page_font_rules(first).count("@font-face") == 2


def test_a_line_on_the_page_misses_no_place_by_more_than_a_hair() -> None:
    bent = [(float(x), round(40 + 30 * math.sin(x / 60), 2)) for x in range(200)]
    straight = [(round(2.72 * n, 2), round(4.13 * n, 2)) for n in range(60)]
    there_and_back = [(0.0, 0.0), (5.0, 0.0), (10.0, 0.0), (4.0, 0.0), (0.0, 0.0)]
    for places, most in ((bent, 90), (straight, 2), (there_and_back, 3), (straight[:1], 1), ([], 0)):
        lean = bare_points(" ".join(f"{x},{y}" for x, y in places))
        kept = [tuple(map(float, text.split(","))) for text in lean.split()]
        assert len(kept) <= most
        assert kept[:1] == places[:1] and kept[-1:] == places[-1:]
        assert set(kept) <= set(places), "no place is invented"
        for place in places if len(kept) > 1 else ():
            ends = itertools.pairwise(complex(*one) for one in kept)
            assert min(from_chord(complex(*place), *pair) for pair in ends) <= 0.02
    assert bare_points("7,310.59 16,310.59 16,317.59 7,317.59") == "7,310.59 16,310.59 16,317.59 7,317.59"
    assert from_chord(3 + 4j, 0j, 0j) == 5 and from_chord(3 + 4j, 0j, 2 + 0j) == pytest.approx(
        math.hypot(1, 4)
    )


@pytest.mark.lengthy
def test_a_figure_is_the_same_file_before_and_after_it_was_drawn() -> None:
    figure = forest_figure(forests()["eighteen"])
    before = figure_svg(figure, "in words")
    figure_bytes(figure, ".png", dpi=50)
    figure_bytes(figure, ".pdf")
    assert figure_svg(figure, "in words") == before
    assert figure_svg(looked_into(figure), "in words") != before
