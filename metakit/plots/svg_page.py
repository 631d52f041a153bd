"""SVG figures made to share one page: one font for all of them, styles told once, no needless digits.

A figure as a file stands by itself; in a page of fifty figures the same glyphs and styles fifty times
would be most of the page.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Sequence
from html import unescape
from xml.etree import ElementTree

from metakit.plots.scene import Scene
from metakit.plots.scene_svg import scene_svg
from metakit.plots.style import FONT
from metakit.plots.svg import FALLBACK, LINK, SVG, font_rule, parsed

PAGE_FONT = f"{FONT} page"
"""Name of the font that all figures of a page share."""

_LOOKS = {
    "fill", "stroke", "stroke-width", "stroke-dasharray", "font-size", "font-weight", "text-anchor",
}  # fmt: skip
_MARK = re.compile(r"<(?P<tag>text|polyline|polygon|circle)(?P<marks>(?: [a-z-]+=\"[^\"]*\")+)")
_SHEET = re.compile(r'<style type="text/css">(?:\.look-\w+ {[^}]*})+</style>')
_ATTRIBUTE = re.compile(r' ([A-Za-z-]+)="([^"]*)"')
_COORDINATES = {"d", "x", "y", "x1", "y1", "x2", "y2", "cx", "cy", "width", "height", "points"}
_LONG = re.compile(r"-?\d+\.\d{3,}")
_AROUND_LETTERS = re.compile(r"\s*([A-Za-z])\s*")
_FAMILY = re.compile(rf"'{re.escape(FONT)} [^']*', '{re.escape(FONT)}', {re.escape(FALLBACK)}")
_NO_TURN = re.compile(r"rotate\(-?0(?: [-.\d]+ [-.\d]+)?\)")
_COUNTED = re.compile(r"[A-Za-z0-9]+_\d+")
_ENOUGH = 2
_STRAIGHT = 0.02
"""Points of a drawing by which a line may miss a place that is left out of it: 0.007 mm."""


def page_svg(svg: str) -> str:
    """Return a figure from `figure_svg` for a page that has the font of `page_font_rules`.

    Coordinates keep two decimals of a point, a three-hundredth of a millimetre.
    """
    root = parsed(svg)
    _drop_fonts(root)
    _drop_whole_clips(root)
    _drop_idle_groups(root)
    for element in root.iter():
        for name in _COORDINATES & set(element.attrib):
            element.set(name, _LONG.sub(_rounded, element.attrib[name]))
        if "d" in element.attrib:
            element.set("d", _AROUND_LETTERS.sub(r"\1", element.attrib["d"]).strip())
        if _NO_TURN.fullmatch(element.get("transform", "")):
            del element.attrib["transform"]
        style = element.get("style")
        if style:
            element.set("style", _FAMILY.sub(f"'{PAGE_FONT}'", style))
    _share_styles(root)
    ElementTree.register_namespace("", SVG)
    ElementTree.register_namespace("xlink", LINK)
    text = re.sub(r">\s+<", "><", ElementTree.tostring(root, encoding="unicode"))
    return _with_short_ids(text, str(root.get("id")))


def page_scene(scene: Scene, title: str, description: str = "") -> str:
    """Return a scene for a page that has the font of `page_font_rules`: each look of its marks told once."""
    text = scene_svg(scene, title, description, font=lambda name: (f"'{PAGE_FONT}'", ""))
    (name,) = re.findall(r'<svg [^>]* id="([^"]+)"', text)
    known: dict[str, str] = {}

    def mark(found: re.Match[str]) -> str:
        looks, rest = [], []
        for key, value in _ATTRIBUTE.findall(found["marks"]):
            if key in _LOOKS:
                looks.append(f"{key}: {value}{'px' if key == 'font-size' else ''}")
            elif key == "points":
                rest.append(f' points="{bare_points(value)}"')
            elif key != "class":
                rest.append(f' {key}="{value}"')
        look = "; ".join(looks)
        short = known.setdefault(look, f"look-{hashlib.sha256(look.encode()).hexdigest()[:8]}")
        return f'<{found["tag"]} class="{short}"{"".join(rest)}'

    drawn = _MARK.sub(mark, text)
    rules = "".join(f".{short} {{{look}}}" for look, short in known.items())
    start = drawn.index("</desc>") + 7 if description else drawn.index("</title>") + 8
    return _with_short_ids(f'{drawn[:start]}<style type="text/css">{rules}</style>{drawn[start:]}', name)


def bare_points(written: str) -> str:
    """Return the places of a line or an area without those that lie between two others on a straight line.

    Halves the line at the place that lies farthest from the chord, until none lies farther than `_STRAIGHT`.
    """
    texts = written.split()
    if not texts:
        return written
    places = [complex(*map(float, text.split(","))) for text in texts]
    kept, open_parts = {0, len(places) - 1}, [(0, len(places) - 1)]
    while open_parts:
        first, last = open_parts.pop()
        far = [(from_chord(places[n], places[first], places[last]), n) for n in range(first + 1, last)]
        away, farthest = max(far, default=(0.0, first))
        if away > _STRAIGHT:
            kept.add(farthest)
            open_parts += [(first, farthest), (farthest, last)]
    return " ".join(texts[n] for n in sorted(kept))


def from_chord(place: complex, start: complex, end: complex) -> float:
    """Return how far a place is from the piece of a straight line between two others."""
    chord = end - start
    along = ((place - start) * chord.conjugate()).real / abs(chord) ** 2 if chord else 0.0
    return abs(place - start - min(1.0, max(0.0, along)) * chord)


def looks_once(parts: Sequence[str]) -> tuple[list[str], str]:
    """Return parts of a page without the looks of `page_scene`, under short names, and one rule for each."""
    rules: dict[str, str] = {}

    def taken(found: re.Match[str]) -> str:
        rules.update(re.findall(r"\.(look-\w+) {([^}]*)}", found[0]))
        return ""

    bare = [_SHEET.sub(taken, part) for part in parts]
    short = {name: f"v{number}" for number, name in enumerate(rules)}
    written = [
        re.sub(r'class="(look-\w+)"', lambda found: f'class="{short[found[1]]}"', part) for part in bare
    ]
    return written, "\n".join(f".{short[name]} {{{look}}}" for name, look in rules.items())


def page_font_rules(page: str) -> str:
    """Return the style rules with the glyphs that the figures in a page's HTML use; none without figures."""
    used: set[str] = set()
    for figure in re.findall(r"<svg\b.*?</svg>", page, re.DOTALL):
        for text in re.findall(r"<text\b[^>]*>(.*?)</text>", figure, re.DOTALL):
            used.update(unescape(re.sub(r"<[^>]*>", "", text)))
    return "\n".join(font_rule(PAGE_FONT, weight, used) for weight in ("normal", "bold") if used)


def _rounded(found: re.Match[str]) -> str:
    text = f"{float(found.group()):.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _with_short_ids(text: str, name: str) -> str:
    """Return a figure with its ids, which stand in every mark, cut to what tells figures apart."""
    if not name.startswith("figure-"):
        return text
    short = f"f{name.removeprefix('figure-')[:8]}"
    known: dict[str, str] = {}

    def written(found: re.Match[str]) -> str:
        rest = found["rest"]
        return short + (f"-{known.setdefault(rest, f'{len(known):x}')}" if rest else "")

    return re.sub(rf"{re.escape(name)}(?:-(?P<rest>[A-Za-z0-9_]+))?", written, text)


def _drop_fonts(root: ElementTree.Element) -> None:
    for sheet in root.findall(f"{{{SVG}}}style"):
        if (sheet.text or "").startswith("@font-face"):
            root.remove(sheet)


def _drop_whole_clips(root: ElementTree.Element) -> None:
    """Drop clips as large as the drawing, at whose edge a browser clips anyway."""
    box = [float(number) for number in root.get("viewBox", "0 0 0 0").split()]
    whole = set()
    for clips in root.iter(f"{{{SVG}}}defs"):
        for clip in clips.findall(f"{{{SVG}}}clipPath"):
            rect = clip.find(f"{{{SVG}}}rect")
            if rect is None:
                continue
            x, y, width, height = (float(rect.get(name, "0")) for name in ("x", "y", "width", "height"))
            if x <= box[0] and y <= box[1] and x + width >= box[2] - 0.01 and y + height >= box[3] - 0.01:
                whole.add(f"url(#{clip.get('id')})")
                clips.remove(clip)
    for element in root.iter():
        if element.get("clip-path") in whole:
            del element.attrib["clip-path"]


def _drop_idle_groups(root: ElementTree.Element) -> None:
    """Give a group's name to its only mark; drop names that only count, and groups that hold nothing."""
    for parent in list(root.iter()):
        for place, group in enumerate(list(parent)):
            if group.tag != f"{{{SVG}}}g" or set(group.attrib) - {"class"}:
                continue
            if _COUNTED.fullmatch(group.get("class", "")):
                del group.attrib["class"]
            if len(group) == 1 and "class" not in group[0].attrib:
                (only,) = group
                if "class" in group.attrib:
                    only.set("class", group.attrib["class"])
                parent[place] = only


def _share_styles(root: ElementTree.Element) -> None:
    """Turn styles that several marks have into classes of this figure."""
    counted = Counter(element.get("style", "") for element in root.iter())
    names = {
        style: f"s{number}"
        for number, (style, times) in enumerate(counted.most_common())
        if style and times >= _ENOUGH
    }
    for element in root.iter():
        name = names.get(element.get("style", ""))
        if name:
            del element.attrib["style"]
            element.set("class", f"{element.get('class', '')} {name}".strip())
    sheet = ElementTree.Element(f"{{{SVG}}}style", {"type": "text/css"})
    sheet.text = "".join(f"#{root.get('id')} .{name} {{{style}}}" for style, name in names.items())
    position = next(
        (i for i, child in enumerate(root) if child.tag not in (f"{{{SVG}}}title", f"{{{SVG}}}desc")), 0
    )
    root.insert(position, sheet)
