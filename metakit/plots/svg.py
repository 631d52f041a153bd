"""SVG that stands by itself: text stays text, its glyphs come along, nothing clashes with another figure.

Text in the picture can be searched, copied and edited, and a study called `<script>` is only ever text. So
that it has the widths it was laid out with on any computer, the glyphs used are embedded as a font.
"""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache, lru_cache
from io import BytesIO
from typing import TYPE_CHECKING
from xml.etree import ElementTree

from metakit.plots.scene import Scene
from metakit.plots.scene_svg import scene_svg
from metakit.plots.style import FONT
from metakit.plots.text import clean_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SVG = "http://www.w3.org/2000/svg"
LINK = "http://www.w3.org/1999/xlink"
_REFERENCE = re.compile(r"url\(#([^)]+)\)")
# Letters of European names, Greek, and the signs that our figures draw.
_COMMON = frozenset(
    map(chr, (*range(0x20, 0x7F), *range(0xA0, 0x180), *range(0x391, 0x3CA), *range(0x2010, 0x2027)))
) | frozenset("‰′″⁰⁴⁵⁶⁷⁸⁹₀₁₂₃₄₅₆₇₈₉←↑→↓−∞≈≠≤≥●○■▲")
_BLOCKS = (
    frozenset(map(chr, range(0x20, 0x7F))) | frozenset("–−’“”±×·²τχ³≤≥→←…"),
    frozenset(map(chr, range(0xC0, 0x100))),
)
"""Glyphs that come together: plain letters, digits and the signs of our figures; accented letters."""
FALLBACK = "Verdana, sans-serif"


def figure_svg(figure: Figure, description: str = "") -> str:
    """Return a figure as an `<svg>` element to be put into an HTML page.

    All ids carry a prefix that depends on the content, so that several figures live in one page; the
    style sheet inside reaches only this figure. A page with a content security policy must allow
    `style-src 'unsafe-inline'` and `font-src data:`; without the latter the text falls back to a
    font at hand of much the same widths.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        From one of the functions of this package.
    description : str
        Text for those who cannot see the picture.
    """
    return _element_text(figure, description)


def svg_text(figure: Figure) -> str:
    """Return a figure as the text of an SVG file."""
    return '<?xml version="1.0" encoding="utf-8"?>\n' + _element_text(figure, "") + "\n"


def _element_text(figure: Figure, description: str) -> str:
    from metakit.plots.style import styled

    scene: Scene | None = getattr(figure, "scene", None)
    if scene is not None:
        return scene_svg(scene, str(figure.get_label()), description, font=lambda name: _font_of(scene, name))
    stream = BytesIO()
    with styled():
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    raw = stream.getvalue()
    digest = hashlib.sha256(raw + description.encode()).hexdigest()[:10]
    root = parsed(raw)
    for metadata in root.findall(f"{{{SVG}}}metadata"):
        root.remove(metadata)
    prefix = f"figure-{digest}"
    _rename_ids(root, prefix)
    _scope_styles(root, prefix)
    _bring_fonts(root, prefix)
    _describe(root, prefix, str(figure.get_label()), description)
    ElementTree.register_namespace("", SVG)
    ElementTree.register_namespace("xlink", LINK)
    return ElementTree.tostring(root, encoding="unicode")


def _font_of(scene: Scene, name: str) -> tuple[str, str]:
    """Return the family of a picture's own font, and the style sheet with the glyphs that it uses."""
    used: dict[str, set[str]] = {"normal": set(), "bold": set()}
    for line in scene.lines:
        used["bold" if line.bold else "normal"].update(clean_text(line.text))
    family = f"{FONT} {name}"
    rules = "".join(
        font_rule(family, weight, characters) for weight, characters in used.items() if characters
    )
    return f"'{family}', '{FONT}', {FALLBACK}", f'<style type="text/css">{rules}</style>'


def _rename_ids(root: ElementTree.Element, prefix: str) -> None:
    """Prefix ids that something refers to; turn the others, which name the marks, into classes."""
    used: set[str] = set()
    for element in root.iter():
        for name, value in element.attrib.items():
            used.update(_REFERENCE.findall(value))
            if name in {f"{{{LINK}}}href", "href"} and value.startswith("#"):
                used.add(value[1:])
    for element in root.iter():
        for name, value in list(element.attrib.items()):
            if name == "id":
                del element.attrib[name]
                element.set(*(("id", f"{prefix}-{value}") if value in used else ("class", value)))
            elif name in {f"{{{LINK}}}href", "href"} and value.startswith("#"):
                element.set(name, f"#{prefix}-{value[1:]}")
            elif "url(#" in value:
                element.set(name, _REFERENCE.sub(rf"url(#{prefix}-\1)", value))
    root.set("id", prefix)
    root.attrib.pop("class", None)


def _scope_styles(root: ElementTree.Element, prefix: str) -> None:
    """Let the style sheet that matplotlib writes for everything reach only this figure."""
    for sheet in root.iter(f"{{{SVG}}}style"):
        sheet.text = re.sub(r"^\s*\*\s*\{", f"#{prefix} * {{", sheet.text or "")


def _bring_fonts(root: ElementTree.Element, prefix: str) -> None:
    """Embed the glyphs of our font that this figure's text uses, under a name of its own."""
    quoted, family = f"'{FONT}'", f"{FONT} {prefix}"
    for element in root.iter(f"{{{SVG}}}text"):
        style = element.get("style", "")
        element.set("style", style.replace(quoted, f"'{family}', {quoted}, {FALLBACK}"))
    sheet = ElementTree.Element(f"{{{SVG}}}style", {"type": "text/css"})
    sheet.text = "".join(
        font_rule(family, weight, characters) for weight, characters in glyphs(root).items() if characters
    )
    root.insert(0, sheet)


def glyphs(root: ElementTree.Element) -> dict[str, set[str]]:
    """Return the characters of a figure's texts by the weight of the font."""
    used: dict[str, set[str]] = {"normal": set(), "bold": set()}
    for element in root.iter(f"{{{SVG}}}text"):
        bold = re.search(r"font(?:-weight)?:[^;]*\b(?:bold|700)\b", element.get("style", ""))
        used["bold" if bold else "normal"].update("".join(element.itertext()))
    return used


def font_rule(family: str, weight: str, characters: set[str]) -> str:
    """Return the style rule that brings these glyphs of our font under a name."""
    font = base64.b64encode(_subset(weight, "".join(sorted(characters)))).decode()
    return (
        f"@font-face {{font-family: '{family}'; font-weight: {weight}; "
        f"src: url(data:font/woff;base64,{font}) format('woff')}}"
    )


def parsed(svg: str | bytes) -> ElementTree.Element:
    """Read the text of a figure back."""
    from defusedxml.ElementTree import fromstring

    root: ElementTree.Element = fromstring(svg)
    return root


def _subset(weight: str, characters: str) -> bytes:
    """Return a font of these glyphs and others of the same blocks, so that many figures share its making."""
    wanted = set(characters)
    blocks = "".join(sorted(wanted.union(*(block for block in _BLOCKS if wanted & block))))
    return _font(weight, blocks)


@lru_cache(maxsize=256)
def _font(weight: str, characters: str) -> bytes:
    """Return a font of these glyphs alone; out of the common ones where those are enough, which is faster."""
    from matplotlib.font_manager import FontProperties, findfont

    if set(characters) <= _COMMON:
        return _glyphs_of(BytesIO(_common_font(weight)), characters, flavor="woff")
    return _glyphs_of(findfont(FontProperties(family=FONT, weight=weight)), characters, flavor="woff")


@cache
def _common_font(weight: str) -> bytes:
    from matplotlib.font_manager import FontProperties, findfont

    font = findfont(FontProperties(family=FONT, weight=weight))
    return _glyphs_of(font, "".join(sorted(_COMMON)), flavor=None, joined=False)


def _glyphs_of(source: str | BytesIO, characters: str, *, flavor: str | None, joined: bool = True) -> bytes:
    """Return a font of these glyphs; `joined` keeps how letters of other scripts are put together."""
    from fontTools.subset import Options, Subsetter  # type: ignore[import-untyped]
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped]

    options = Options()
    options.drop_tables += ["FFTM", "MATH", *(() if joined else ("GDEF", "GPOS", "GSUB"))]
    options.hinting = False
    options.layout_features = ["mark", "mkmk", "ccmp", "init", "medi", "fina", "isol", "rlig"]
    font = TTFont(source, lazy=True, recalcTimestamp=False)
    with font:
        subsetter = Subsetter(options)
        subsetter.populate(text=characters)
        subsetter.subset(font)
        font.flavor = flavor
        stream = BytesIO()
        font.save(stream)
    return stream.getvalue()


def _describe(root: ElementTree.Element, prefix: str, title: str, description: str) -> None:
    """Name the picture for screen readers."""
    root.set("role", "img")
    root.set("aria-labelledby", f"{prefix}-title" + (f" {prefix}-description" if description else ""))
    for position, (tag, suffix, text) in enumerate(
        (("title", "title", title), ("desc", "description", description))
    ):
        if text or tag == "title":
            element = ElementTree.Element(f"{{{SVG}}}{tag}", {"id": f"{prefix}-{suffix}"})
            element.text = "".join(character for character in text or "Figure" if character.isprintable())
            root.insert(position, element)
