"""Comparison-adjusted funnel: contrasts less the mean of their comparison, newer against older techniques."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

from metakit.core.written import count
from metakit.errors import NotEstimableError
from metakit.measures.natural import Natural
from metakit.networks.answer import NetworkAnalysis
from metakit.plots import style
from metakit.plots.footing import add_axis, add_directions, add_notes
from metakit.plots.forests.columns import MARGIN
from metakit.plots.frame import (
    Frame,
    add_caption,
    add_vertical_axis,
    gutter,
    start_scene,
    with_vertical_ticks,
)
from metakit.plots.marks import Panel
from metakit.plots.networks.network_registry import (
    NETWORK_FIGURES,
    NetworkFigure,
    NetworkWords,
    network_natural,
)
from metakit.plots.point_labels import Named, add_names
from metakit.plots.registry import Built
from metakit.plots.scale import AxisPlan, Interval, plan_axis
from metakit.plots.scene import Bubble, Stroke
from metakit.plots.text import TextWidth

if TYPE_CHECKING:
    from metakit.plots.scene import Scene


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedPoint:
    """One contrast: its distance from its comparison's mean on the analysis scale, and which comparison."""

    study: str
    centred: float
    standard_error: float
    comparison: int
    alone: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedFunnelContent:
    """Everything the picture shows; `comparisons` are named in words and counted from 1 in the picture."""

    title: str
    natural: Natural
    points: tuple[AdjustedPoint, ...]
    comparisons: tuple[str, ...]
    order: tuple[str, ...]
    level: float
    notes: tuple[str, ...]


def adjusted_funnel_content(
    found: NetworkAnalysis, words: NetworkWords, *, title: str = ""
) -> AdjustedFunnelContent:
    """Return the points of the funnel.

    Raises
    ------
    NotEstimableError
        Where the analysis has no comparison-adjusted funnel.
    """
    funnel = found.funnel
    if funnel is None:
        raise NotEstimableError("no comparison-adjusted funnel without the order of all techniques (--order)")
    met = Counter((item.technique, item.comparator) for item in funnel.contrasts)
    members: dict[str, set[str]] = {}
    for study, technique in zip(found.arms.study, found.arms.technique, strict=True):
        members.setdefault(study, set()).add(technique)
    compared = {pair: sum(set(pair) <= names for names in members.values()) for pair in met}
    numbers = {pair: number for number, pair in enumerate(sorted(met, key=lambda pair: (-met[pair], pair)))}
    return AdjustedFunnelContent(
        title=title,
        natural=network_natural(found),
        points=tuple(
            AdjustedPoint(
                study=item.study, centred=item.centred, standard_error=item.standard_error,
                comparison=numbers[item.technique, item.comparator],
                alone=compared[item.technique, item.comparator] == 1,
            )
            for item in funnel.contrasts
        ),
        comparisons=tuple(
            f"{words.pair(*pair)} ({count(compared[pair], 'study', 'studies')})" for pair in numbers
        ),
        order=tuple(words.within(name) for name in funnel.order),
        level=found.parts[0].part.level,
        notes=tuple(note for note in funnel.notes if not note.startswith("Compared by one study")),
    )  # fmt: skip


def lay_out_adjusted_funnel(content: AdjustedFunnelContent, *, width_mm: float, measure: TextWidth) -> Scene:
    """Lay out the funnel at its final size."""
    scene, type_, top = start_scene(content.title, width_mm=width_mm, measure=measure)
    natural = content.natural
    log = natural.axis == "log"
    where = " (log scale)" if log else ""
    top = add_caption(scene, f"Standard error{where}", top, type_, measure)
    bottom = top + min(0.45 * scene.width, 95 * style.MM)
    largest = max(point.standard_error for point in content.points)
    vertical = with_vertical_ticks(AxisPlan(kind="linear", low=0.0, high=1.08 * largest), bottom - top, type_)
    left, right = MARGIN + gutter(vertical, type_, measure), scene.width - MARGIN - 8
    reach = NormalDist().inv_cdf(0.5 + content.level / 2)
    shown: list[Interval] = [(place, place, place) for place in map(natural.value, _effects(content))]
    half = reach * largest
    if not log or half < 4.5:
        shown.append((natural.value(0.0), natural.value(-half), natural.value(half)))
    axis = plan_axis(
        natural.axis, studies=[], means=shown, null=natural.value(0.0),
        label_width=lambda label: measure(label, type_.small, False), width=right - left,
    )  # fmt: skip
    panel = Panel(left=left, right=right, axis=axis)
    frame = Frame(scene=scene, panel=panel, top=top, bottom=bottom, vertical=vertical, downwards=True)
    add_vertical_axis(frame, type_)
    for sign in (-1, 1):
        edge = []
        for step in range(49):
            error = vertical.high * step / 48
            value = natural.value(sign * reach * error)
            edge.append((frame.x(value), frame.y(error)))
            if not axis.holds(value):
                break
        scene.strokes.append(
            Stroke(points=tuple(edge), colour=style.QUIET, dash=(4, 2), order=2.2, role="limit")
        )
    named = []
    for row, point in enumerate(content.points):
        x, y = frame.x(natural.value(point.centred)), frame.y(point.standard_error)
        scene.bubbles.append(Bubble(x=x, y=y, area=26.0, edged=True, hollow=point.alone, row=row))
        named.append(Named(x=x, y=y, radius=2.9, name=str(point.comparison + 1)))
    middle = frame.x(natural.value(0.0))
    left_out = add_names(
        scene,
        named,
        keep_clear=[(middle - 1, top, middle + 1, bottom)],
        bounds=(left, top, scene.width - MARGIN, bottom),
        size=type_.small,
        measure=measure,
    )
    name = (
        "Effect over the mean of its comparison (log scale)"
        if log
        else "Effect minus the mean of its comparison"
    )
    below = add_axis(
        scene, panel, null=natural.value(0.0), name=name, top=top, bottom=bottom, type_=type_, measure=measure
    )
    below = add_directions(
        scene, panel, null=natural.value(0.0),
        left_words="newer technique lower than in the mean of its comparison",
        right_words="newer technique higher than in the mean", top=below, type_=type_, measure=measure,
    )  # fmt: skip
    notes = [
        "Bubble: a study's contrast, hollow where it is the only one of its comparison and so its own mean. "
        f"Dashed: where {100 * content.level:.4g} % of contrasts would lie by chance alone.",
        "Numbers: " + "; ".join(f"{n} {text}" for n, text in enumerate(content.comparisons, 1)) + ".",
        f"Order stated by the user, oldest first: {'; '.join(content.order)}.",
        *content.notes,
    ]
    if left_out:
        notes.append(f"{count(len(left_out), 'bubble')} without a number: no room beside it.")
    scene.height = MARGIN + add_notes(scene, notes, top=below, type_=type_, measure=measure)
    return scene


def _effects(content: AdjustedFunnelContent) -> list[float]:
    return [point.centred for point in content.points]


def adjusted_funnel_text(content: AdjustedFunnelContent) -> str:
    """Return the words that stand for the picture."""
    sides = Counter("alone" if p.alone else "left" if p.centred < 0 else "right" for p in content.points)
    return (
        f"Comparison-adjusted funnel of {count(len(content.points), 'contrast')}, newer techniques against "
        f"older ones: {sides['left']} below the mean of their comparison, {sides['right']} above it, "
        f"{sides['alone']} the only one of their comparison. Order, oldest first: "
        f"{'; '.join(content.order)}."
    )


def build_network_funnel(
    found: NetworkAnalysis,
    *,
    words: NetworkWords = NetworkWords(),  # noqa: B008
    title: str = "",
    width_mm: float = 140,
) -> Built:
    """Draw the comparison-adjusted funnel of the part of the reference."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    content = adjusted_funnel_content(found, words, title=title)
    scene = lay_out_adjusted_funnel(content, width_mm=width_mm, measure=text_width)
    return Built(parts=(scene_figure(scene, title),), text=adjusted_funnel_text(content))


NETWORK_FIGURES.add(
    NetworkFigure(
        name="comparison_adjusted_funnel", label="Comparison-adjusted funnel", build=build_network_funnel,
        needs="the order of all techniques, oldest first (--order)",
    )
)  # fmt: skip
