"""A scene as SVG: the marks that matplotlib draws of it, no style, and text that stays text."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from metakit.plots import style
from metakit.plots.draw import scene_figure
from metakit.plots.scene import Bubble, Line, Scene, Shape, Stroke
from metakit.plots.scene_svg import scene_svg
from metakit.plots.svg import SVG, parsed


def scene() -> Scene:
    return Scene(
        width=200,
        height=100,
        lines=[
            Line(x=10, y=20, text="Quillmere 2016", size=8, role="study"),
            Line(x=190, y=20, text="1.20", size=8, bold=True, align="right"),
        ],
        strokes=[Stroke(points=((60, 40), (140, 40)), width=1.2, dash=(3, 1.6), role="interval")],
        shapes=[Shape(points=((80, 60), (100, 55), (120, 60), (100, 65)), face=style.MEAN, edge=style.MEAN)],
        bubbles=[Bubble(x=100, y=40, area=78.5), Bubble(x=150, y=80, area=20, hollow=True)],
        tiles=[Shape(points=((0, 90), (20, 90), (20, 100), (0, 100)), face="#dddddd")],
    )


def test_every_thing_of_a_scene_is_a_mark() -> None:
    root = parsed(scene_svg(scene(), "Complications", "Two studies."))
    counts = {tag: len(root.findall(f"{{{SVG}}}{tag}")) for tag in ("text", "polyline", "polygon", "circle")}
    assert counts == {"text": 2, "polyline": 1, "polygon": 2, "circle": 2}
    circle = root.find(f"{{{SVG}}}circle")
    assert circle is not None
    assert float(circle.get("r", "")) == pytest.approx((78.5 / np.pi) ** 0.5, abs=0.01)
    assert (root.get("role"), root.findtext(f"{{{SVG}}}desc")) == ("img", "Two studies.")


def test_a_strict_policy_has_nothing_to_refuse() -> None:
    text = scene_svg(scene(), "x")
    assert not re.search(r"\bstyle=|<style|\bon\w+=|href|url\(|<script", text)


def test_a_hostile_name_stays_text() -> None:
    bad = scene()
    bad.lines.append(
        Line(x=1, y=1, text='<script>alert("1")</script>\x00&\u202e', size=8, role='a" onload="x')
    )
    root = parsed(scene_svg(bad, "<b>", "</desc>"))
    assert [element.text for element in root.iter(f"{{{SVG}}}text")][-1] == '<script>alert("1")</script> &'
    assert not any(name.startswith("on") for element in root.iter() for name in element.attrib)
    assert root.findtext(f"{{{SVG}}}title") == "<b>"


def test_the_same_scene_gives_the_same_text() -> None:
    assert scene_svg(scene(), "x") == scene_svg(scene(), "x")


@pytest.mark.walk
def test_a_browser_shows_what_matplotlib_draws(tmp_path) -> None:
    from playwright.sync_api import sync_playwright

    page_file = tmp_path / "page.html"
    made = scene_svg(scene(), "x").replace('width="200pt" height="100pt"', 'width="800" height="400"')
    page_file.write_text(
        f'<!doctype html><meta charset="utf-8"><body style="margin:0">{made}', encoding="utf-8"
    )

    def picture() -> bytes:
        with sync_playwright() as browsers:
            browser = browsers.chromium.launch(executable_path="/usr/bin/chromium")
            page = browser.new_page(viewport={"width": 800, "height": 400})
            page.goto(page_file.as_uri())
            made = page.screenshot()
            browser.close()
        return bytes(made)

    with ThreadPoolExecutor(1) as apart_from_others:  # the browser of other tests may be open in this thread
        shown = Image.open(BytesIO(apart_from_others.submit(picture).result())).convert("L")
    stream = BytesIO()
    scene_figure(scene(), "x").savefig(stream, dpi=288, format="png")
    drawn = Image.open(stream).convert("L").resize(shown.size)
    apart = np.abs(np.asarray(shown, dtype=float) - np.asarray(drawn, dtype=float))
    assert (apart > 90).mean() < 0.01  # a font at hand may differ by its hairlines; marks may not
