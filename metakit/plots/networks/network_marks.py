"""The marks of network estimates: what kind of evidence stands behind one is told by its shape. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from metakit.plots import style
from metakit.plots.marks import ARROW, Panel, arrow_head, prediction_mark, span
from metakit.plots.scale import Interval
from metakit.plots.scene import Scene, Shape, Stroke
from metakit.synthesis.networking.network_words import Evidence

HALF = 4.2
"""Half the height of a mark in points."""

SHAPES: dict[Evidence, str] = {
    "direct": "Full diamond: studies compare the two directly, nothing else is known",
    "direct_and_indirect": "half-full diamond: direct and indirect evidence together",
    "indirect": "hollow diamond: indirect evidence only",
    "extrapolated": "hollow triangle on a dotted line: extrapolated by adding up components",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimateMark:
    """An estimate with its interval, `drop` points below the middle of its row."""

    interval: Interval
    evidence: Evidence
    prediction: tuple[float, float] | None = None
    drop: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BridgeMark:
    """What lies between two estimates of one row, the first `rise` above its middle, the second below."""

    first: float
    second: float
    rise: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SpindleMark:
    """How likely each place is, as a spindle around the row's middle; places count from 1.

    `tallest` is the height in points of a place that is certain.
    """

    probabilities: tuple[float, ...]
    mean: float
    lower: float
    upper: float
    tallest: float


Mark = EstimateMark | BridgeMark | SpindleMark


def draw_mark(scene: Scene, panel: Panel, mark: Mark, y: float, role: str) -> None:
    """Add one mark of a row whose middle is at y."""
    if isinstance(mark, EstimateMark):
        _estimate(scene, panel, mark, y, role)
    elif isinstance(mark, BridgeMark):
        ends = ((panel.x(mark.first), y - mark.rise), (panel.x(mark.second), y + mark.rise))
        scene.strokes.append(
            Stroke(points=ends, width=style.THICK, colour=style.QUIET, order=3.5, role=f"{role}-bridge")
        )
    else:
        _spindle(scene, panel, mark, y, role)


def _estimate(scene: Scene, panel: Panel, mark: EstimateMark, y: float, role: str) -> None:
    estimate, lower, upper = mark.interval
    y += mark.drop
    if mark.prediction is not None:
        prediction_mark(scene, panel, *mark.prediction, y=y + HALF + 3.2, role=f"{role}-prediction")
    if not panel.axis.holds(estimate):
        right = estimate > panel.axis.high
        end, side = (panel.right, "right") if right else (panel.left, "left")
        arrow_head(scene, end, y, style.MEAN, right=right, role=f"{role}-arrow-{side}")
        tail = end - ARROW if right else end + ARROW
        tip = min(panel.x(lower), tail - 6) if right else max(panel.x(upper), tail + 6)
        scene.strokes.append(
            Stroke(points=((tip, y), (tail, y)), colour=style.MEAN, order=4, role=f"{role}-interval")
        )
        return
    left, right_end = span(scene, panel, lower, upper, y, style.MEAN, role)
    dash = (1.2, 1.6) if mark.evidence == "extrapolated" else ()
    scene.strokes.append(
        Stroke(points=((left, y), (right_end, y)), width=style.HEAVY, colour=style.MEAN, dash=dash, order=4,
               role=f"{role}-interval")
    )  # fmt: skip
    x = panel.x(estimate)
    _shape(scene, mark.evidence, x, y, f"{role}-{mark.evidence}")


def _shape(scene: Scene, evidence: Evidence, x: float, y: float, role: str) -> None:
    def add(points: Sequence[tuple[float, float]], face: str, order: float) -> None:
        scene.shapes.append(
            Shape(points=tuple(points), face=face, edge=style.MEAN, width=style.LINE, order=order, role=role)
        )

    if evidence == "extrapolated":
        add([(x, y - HALF), (x + HALF, y + 0.8 * HALF), (x - HALF, y + 0.8 * HALF)], style.PAPER, 4.5)
        return
    diamond = [(x - HALF, y), (x, y - HALF), (x + HALF, y), (x, y + HALF)]
    add(diamond, style.MEAN if evidence == "direct" else style.PAPER, 4.5)
    if evidence == "direct_and_indirect":
        add([(x - HALF, y), (x, y - HALF), (x, y + HALF)], style.MEAN, 4.6)


def _spindle(scene: Scene, panel: Panel, mark: SpindleMark, y: float, role: str) -> None:
    height = 0.5 * mark.tallest * max(mark.probabilities)
    inset = 0.06
    for place, share in enumerate(mark.probabilities, 1):
        half = 0.5 * mark.tallest * share
        if half < 0.2:
            continue
        left, right = panel.x(place - 0.5 + inset), panel.x(place + 0.5 - inset)
        inside = mark.lower <= place <= mark.upper
        scene.shapes.append(
            Shape(
                points=((left, y - half), (right, y - half), (right, y + half), (left, y + half)),
                face=style.STUDY if inside else style.HAIRLINE, order=3, role=f"{role}-place",
            )
        )  # fmt: skip
    below = y + height + 3.0
    low, high = panel.x(mark.lower - 0.42), panel.x(mark.upper + 0.42)
    bracket = ((low, below - 2.2), (low, below), (high, below), (high, below - 2.2))
    scene.strokes.append(
        Stroke(points=bracket, width=style.LINE, colour=style.STUDY_LINE, order=4, role=f"{role}-range")
    )
    x = panel.x(mark.mean)
    scene.strokes.append(
        Stroke(
            points=((x, y - height - 1), (x, y + height + 1)), width=style.HEAVY, order=5, role=f"{role}-mean"
        )
    )
