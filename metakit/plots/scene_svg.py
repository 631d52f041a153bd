"""A laid-out scene as SVG at once, without matplotlib: for pictures that move while somebody chooses.

Marks carry attributes, no style sheet and no inline style, so that a page with a strict content security
policy shows them; what is drawn is what `plots/draw.py` draws of the same scene. Every text is as wide as it
was laid out, whatever font the browser has.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterable
from xml.sax.saxutils import escape, quoteattr

from metakit.plots import style
from metakit.plots.scene import CAPITAL, Bubble, Line, Scene, Shape, Stroke
from metakit.plots.text import clean_text, text_width

FAMILY = f"{style.FONT}, Verdana, sans-serif"
_ANCHORS = {"left": "start", "center": "middle", "right": "end"}
Font = tuple[str, str]
"""A family for the whole picture, and the element that brings it along, "" for none."""
SPARE = 1.01
"""What `text_width` adds to the width of a text."""
_TEXT_ORDER = 6.0
_BUBBLE_ORDER = 3.0


def scene_svg(
    scene: Scene, title: str, description: str = "", *, font: Callable[[str], Font] | None = None
) -> str:
    """Return a scene as an `<svg>` element to be put into a page.

    Parameters
    ----------
    scene : Scene
        In points, y downwards.
    title, description : str
        What the picture is called, and words for those who cannot see it.
    font : callable, optional
        Gets the id of the picture, returns the font that goes along with it. Without one each text is
        stretched to the width that it was laid out with, whatever font the browser has.
    """
    drawn: list[tuple[float, str]] = [(1.0, _tile(tile)) for tile in scene.tiles]
    drawn += [(shape.order, _shape(shape)) for shape in scene.shapes]
    drawn += [(stroke.order, _stroke(stroke)) for stroke in scene.strokes]
    drawn += [(_BUBBLE_ORDER, _bubble(bubble)) for bubble in scene.bubbles]
    drawn += [(_TEXT_ORDER, _line(line, stretched=font is None)) for line in scene.lines]
    marks = "".join(mark for _, mark in sorted(drawn, key=lambda item: item[0]))
    name = ("scene-" if font is None else "figure-") + hashlib.sha256(
        (marks + title + description).encode()
    ).hexdigest()[:10]
    labels = f"{name}-title" + (f" {name}-words" if description else "")
    words = f'<desc id="{name}-words">{_plain(description)}</desc>' if description else ""
    width, height = _number(scene.width), _number(scene.height)
    own, family, sheet = ("", FAMILY, "") if font is None else (f' id="{name}"', *font(name))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}pt" '
        f'height="{height}pt"{own} role="img" aria-labelledby="{labels}" font-family={quoteattr(family)}>'
        f'<title id="{name}-title">{_plain(title or "Figure")}</title>{words}{sheet}'
        f'<rect width="{width}" height="{height}" fill="{style.PAPER}"/>{marks}</svg>'
    )


def _line(line: Line, *, stretched: bool) -> str:
    shown = clean_text(line.text)
    fit = ""
    if stretched:
        width = text_width(shown, line.size, line.bold)
        fit = f' textLength="{_number(width / SPARE)}" lengthAdjust="spacingAndGlyphs"'
    weight = ' font-weight="bold"' if line.bold else ""
    return (
        f'<text x="{_number(line.x)}" y="{_number(line.y + CAPITAL * line.size)}" '
        f'font-size="{_number(line.size)}"{weight} fill="{line.colour}" '
        f'text-anchor="{_ANCHORS[line.align]}"{fit}{_role(line.role)}>{_plain(shown)}</text>'
    )


def _stroke(stroke: Stroke) -> str:
    dash = f' stroke-dasharray="{" ".join(map(_number, stroke.dash))}"' if stroke.dash else ""
    return (
        f'<polyline points="{_points(stroke.points)}" fill="none" stroke="{stroke.colour}" '
        f'stroke-width="{_number(stroke.width)}"{dash}{_role(stroke.role)}/>'
    )


def _shape(shape: Shape) -> str:
    edge = f' stroke="{shape.edge}" stroke-width="{_number(shape.width)}"' if shape.edge else ""
    return f'<polygon points="{_points(shape.points)}" fill="{shape.face}"{edge}{_role(shape.role)}/>'


def _tile(tile: Shape) -> str:
    return (
        f'<polygon points="{_points(tile.points)}" fill="{tile.face}" stroke="{tile.face}" '
        f'stroke-width="0.25"{_role(tile.role)}/>'
    )


def _bubble(bubble: Bubble) -> str:
    edged = bubble.hollow or bubble.edged
    edge = f' stroke="{style.STUDY_LINE}" stroke-width="{_number(style.THIN)}"' if edged else ""
    face = style.PAPER if bubble.hollow else style.STUDY
    radius = math.sqrt(max(bubble.area, 0.0) / math.pi)
    return (
        f'<circle cx="{_number(bubble.x)}" cy="{_number(bubble.y)}" r="{_number(radius)}" fill="{face}"{edge}'
        f"{_role('bubbles-outside' if bubble.hollow else 'bubbles')}/>"
    )


def _points(points: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{_number(x)},{_number(y)}" for x, y in points)


def _number(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _role(role: str) -> str:
    return f" class={quoteattr(_plain(role))}" if role else ""


def _plain(text: str) -> str:
    """Return a text that stays text: signs that XML forbids left out, the others escaped."""
    return escape("".join(sign for sign in text if sign.isprintable()))
