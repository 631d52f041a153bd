"""Drawing a laid-out scene on a matplotlib Axes."""

from __future__ import annotations

import math
from typing import TypeVar

from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Polygon
from matplotlib.path import Path

from metakit.plots import style
from metakit.plots.scene import CAPITAL, Line, Scene

T = TypeVar("T", float, str)


class StyledFigure(Figure):
    """A figure that is drawn under our style, whoever saves it and whatever their settings are."""

    def draw(self, renderer: RendererBase) -> None:
        """Draw under our style: type measured without hinting would not fit when drawn with it."""
        with style.styled():
            super().draw(renderer)


def blank_figure(width: float, height: float, title: str) -> Figure:
    """Return a figure of this size in points, on a canvas of its own and unknown to pyplot."""
    figure = StyledFigure(figsize=(width / 72, height / 72), dpi=100)
    FigureCanvasAgg(figure)
    figure.set_label(title)
    return figure


def sheet(figure: Figure) -> Axes:
    """Return Axes over the whole figure whose units are points, y downwards."""
    width, height = (72 * side for side in figure.get_size_inches())
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, width), ylim=(height, 0))
    axes.axis("off")
    return axes


def scene_figure(scene: Scene, title: str) -> Figure:
    """Return a figure that shows a scene and nothing else."""
    with style.styled():
        figure = blank_figure(scene.width, scene.height, title)
        draw_scene(scene, sheet(figure))
    return figure


def draw_line(axes: Axes, line: Line) -> None:
    """Draw one line of text as it stands: no mark-up, no clipping."""
    axes.text(
        line.x,
        line.y + CAPITAL * line.size,
        line.text,
        fontsize=line.size,
        fontweight="bold" if line.bold else "normal",
        color=line.colour,
        ha=line.align,
        va="baseline",
        parse_math=False,
        usetex=False,
        gid=line.role or None,
        zorder=6,
    )


def draw_scene(scene: Scene, axes: Axes) -> None:
    """Draw everything of a scene on Axes in points."""
    _draw_tiles(scene, axes)
    for shape in scene.shapes:
        patch = Polygon(
            list(shape.points), closed=True, facecolor=shape.face, edgecolor=shape.edge or "none",
            linewidth=shape.width if shape.edge else 0, joinstyle="miter", zorder=shape.order,
        )  # fmt: skip
        patch.set_gid(shape.role or None)
        axes.add_patch(patch)
    for stroke in scene.strokes:
        xs, ys = zip(*stroke.points, strict=True)
        (drawn,) = axes.plot(
            xs, ys, color=stroke.colour, linewidth=stroke.width, solid_capstyle="butt", zorder=stroke.order,
            scalex=False, scaley=False,
        )  # fmt: skip
        if stroke.dash:
            drawn.set_linestyle((0, tuple(part / stroke.width for part in stroke.dash)))
        drawn.set_gid(stroke.role or None)
    for hollow in (False, True):
        some = [bubble for bubble in scene.bubbles if bubble.hollow is hollow]
        if some:
            edges = [hollow or bubble.edged for bubble in some]
            marks = axes.scatter(
                [bubble.x for bubble in some],
                [bubble.y for bubble in some],
                s=_once(
                    [4 / math.pi * bubble.area for bubble in some]
                ),  # matplotlib asks for squared diameters
                marker="o",
                facecolor=style.PAPER if hollow else style.STUDY,
                edgecolor=_once([style.STUDY_LINE if edge else style.STUDY for edge in edges]),
                linewidth=_once([style.THIN if edge else 0 for edge in edges]),
                zorder=3,
            )
            marks.set_gid("bubbles-outside" if hollow else "bubbles")
    for line in scene.lines:
        draw_line(axes, line)


def _draw_tiles(scene: Scene, axes: Axes) -> None:
    """Draw the tiles of each colour as one path; thousands of single ones would be megabytes."""
    by_face: dict[str, list[Path]] = {}
    for tile in scene.tiles:
        by_face.setdefault(tile.face, []).append(Path([*tile.points, tile.points[0]], closed=True))
    for face, paths in by_face.items():
        tiles = PathPatch(
            Path.make_compound_path(*paths), facecolor=face, edgecolor=face, linewidth=0.25, zorder=1
        )  # an edge of the same colour closes the hairline gaps that viewers show between neighbours
        tiles.set_gid(scene.tiles[0].role or None)
        axes.add_patch(tiles)


def _once(values: list[T]) -> list[T]:
    """Say a value that all marks share once: the picture then holds one mark and its places."""
    return values[:1] if len(set(values)) == 1 else values
