"""What stands under the rows of a forest plot: axis, directions in words, key, notes. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.written import Axis, raised
from metakit.plots import style
from metakit.plots.forests.columns import MARGIN
from metakit.plots.forests.content import ForestContent
from metakit.plots.forests.wording import Wording
from metakit.plots.look import current
from metakit.plots.marks import Panel, arrow_head
from metakit.plots.scene import LEADING, Scene, Stroke
from metakit.plots.text import STAND_IN, TextWidth, clean_text, wrap


def add_axis(
    scene: Scene,
    panel: Panel,
    *,
    null: float | None,
    name: str,
    top: float,
    bottom: float,
    type_: style.Type,
    measure: TextWidth,
) -> float:
    """Add the null line from `top`, the axis at `bottom`, ticks and name; return the next free place."""
    if null is not None and panel.axis.holds(null):
        x = panel.x(null)
        scene.strokes.append(Stroke(points=((x, top), (x, bottom)), order=2, role="null"))
    scene.strokes.append(Stroke(points=((panel.left, bottom), (panel.right, bottom)), role="axis"))
    for value, label in panel.axis.ticks:
        x = panel.x(value)
        scene.strokes.append(Stroke(points=((x, bottom), (x, bottom + 3)), role="tick"))
        scene.paragraph((label,), x=x, top=bottom + 3.5, size=type_.small, align="center", role="tick-label")
    below = bottom + 3.5 + LEADING * type_.small
    if name:
        lines = wrap(name, type_.small, 0.6 * scene.width, measure)
        widest = max(measure(line, type_.small, False) for line in lines)
        middle = _inside(scene, (panel.left + panel.right) / 2, widest)
        below = scene.paragraph(
            lines, x=middle, top=below, size=type_.small, align="center", role="axis-name"
        )
    return below


def axis_name(heading: str, unit: str, axis: Axis) -> str:
    """Return the name of the axis: what is estimated, its unit, and that it is logarithmic."""
    name = clean_text(heading)
    extras = [extra for extra in (shown_unit(unit, axis), "log scale" if axis == "log" else "") if extra]
    extras = [extra for extra in extras if extra not in name]
    return f"{name} ({', '.join(extras)})" if extras else name


def shown_unit(unit: str, axis: Axis) -> str:
    """Return the unit in which numbers are shown, "" for a bare ratio."""
    return clean_text(unit) or ("%" if axis == "percent" else "")


def _inside(scene: Scene, x: float, width: float) -> float:
    """Return a centre near x from which a text of this width stays on the figure."""
    return min(max(x, MARGIN + width / 2), scene.width - MARGIN - width / 2)


def add_directions(
    scene: Scene,
    panel: Panel,
    *,
    null: float | None,
    left_words: str,
    right_words: str,
    top: float,
    type_: style.Type,
    measure: TextWidth,
) -> float:
    """Add an arrow to either side of the null value with plain words under it."""
    if null is None or not (left_words or right_words):
        return top
    middle = panel.x(null)
    arrows, words = top + 4, top + 8
    bottoms = [top]
    for text, right in ((clean_text(left_words), False), (clean_text(right_words), True)):
        if not text:
            continue
        start = middle + 5 if right else middle - 5
        end = max(panel.right, start + 24) if right else min(panel.left, start - 24)
        end = min(max(end, MARGIN), scene.width - MARGIN)
        scene.strokes.append(
            Stroke(points=((start, arrows), (end, arrows)), colour=style.QUIET, role="direction")
        )
        arrow_head(scene, end, arrows, style.QUIET, right=right, role="direction")
        room = (scene.width - MARGIN - start) if right else (start - MARGIN)
        room = min(room, max(abs(end - start), 0.34 * scene.width))
        lines = wrap(text, type_.small, room, measure)
        bottoms.append(
            scene.paragraph(
                lines,
                x=start,
                top=words,
                size=type_.small,
                align="left" if right else "right",
                role="direction",
            )
        )
    return max(bottoms)


def key_sentence(content: ForestContent, wording: Wording, scene: Scene) -> str:
    """Say what each mark means, for the marks that were drawn."""
    parts = []
    level = f"{100 * content.level:.4g} %"
    if scene.bubbles:
        area = ", its area in proportion to the weight" if wording.weighted else ""
        parts.append(f"Bubble: estimate of a study{area}; line: its {level} interval.")
    if any(bubble.hollow for bubble in scene.bubbles):
        dotted = "Dotted" if current().tone == "line_art" else "Hollow"
        parts.append(f"{dotted} bubble: study outside the mean.")
    if any(row.pooled for row in content.rows):
        parts.append(f"Pale diamond: {clean_text(content.row_words)}, with its {level} interval.")
    if content.summaries:
        band = "" if current().tone == "line_art" else " and shaded band"
        parts.append(f"Diamond{band}: mean and its {level} interval.")
    if wording.predictions:
        parts.append(
            f"Dashed line in brackets: {level} prediction interval, the range expected in a new centre."
        )
    if any("-arrow-" in shape.role for shape in scene.shapes):
        parts.append("Arrow head: goes on beyond the axis.")
    parts += _gauge_words(content)
    if wording.weights_within_groups:
        parts.append("Weights add up to 100 % within each group.")
    return " ".join(parts)


def _gauge_words(content: ForestContent) -> list[str]:
    """Say what the bars of judgements mean, from the shortest to the full one."""
    if not any(place.gauge for place in content.places):
        return []
    known = sorted((fill, word) for word, fill in content.gauges.items() if fill is not None and word)
    parts = [f"Bar: the longer, the more concern ({', '.join(word for _, word in known)})."] if known else []
    if any(fill is None and word for word, fill in content.gauges.items()):
        parts.append("Dashed bar: not known.")
    if any(not word for word in content.gauges):
        parts.append("No bar: not judged.")
    return parts


def forest_notes(content: ForestContent, wording: Wording, scene: Scene) -> list[str]:
    """Return the key, the numbered notes of studies and the footnotes."""
    numbered = [f"{raised(number)} {note}" for number, note in enumerate(wording.notes, 1) if note]
    return [key_sentence(content, wording, scene), *numbered, *content.footnotes]


def add_notes(
    scene: Scene, paragraphs: Sequence[str], *, top: float, type_: style.Type, measure: TextWidth
) -> float:
    """Add sentences across the figure, and what the stand-in for missing glyphs means; return the bottom.

    Where a caption is asked for, they go into it instead.
    """
    texts = [clean_text(text) for text in paragraphs]
    if any(STAND_IN in text for text in (*texts, *(line.text for line in scene.lines))):
        texts.append(f"{STAND_IN} stands for a character that no font of this computer can draw.")
    if current().caption:
        scene.caption += [text for text in texts if text]
        return top
    top += 5
    for text in texts:
        if text:
            lines = wrap(text, type_.small, scene.width - 2 * MARGIN, measure)
            top = scene.paragraph(lines, x=MARGIN, top=top, size=type_.small, colour=style.QUIET, role="note")
    return top
