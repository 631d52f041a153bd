"""Drawing a laid-out scene on a matplotlib Axes."""

from __future__ import annotations

import math
from typing import TypeVar

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Polygon
from matplotlib.path import Path

from metakit.core.nouns import nouns
from metakit.plots import style
from metakit.plots.look import Look, Tone, current, drawn_with, toned
from metakit.plots.scene import CAPITAL, Bubble, Line, Scene, Shape

T = TypeVar("T", float, str)


class StyledFigure(Figure):
    """A figure that is drawn under our style, whoever saves it and whatever their settings are.

    `look` is what it was laid out with, `caption` the paragraphs that stand beside it instead of inside it.
    `scene` is all that it shows: its marks are made when somebody draws it or looks into it, and whoever
    looked into it may have changed it, so that it has no `scene` then.
    """

    look: Look = Look()
    caption: tuple[str, ...] = ()
    scene: Scene | None = None
    _waiting: Scene | None = None

    def hold(self, scene: Scene) -> None:
        """Show a scene and nothing else."""
        self.scene = self._waiting = scene

    def _make(self) -> None:
        if self._waiting is not None:
            waiting, self._waiting = self._waiting, None
            with style.styled():
                draw_scene(waiting, sheet(self), self.look.tone)

    @property  # type: ignore[misc]
    def axes(self) -> list[Axes]:  # type: ignore[override]
        """The Axes, for whoever wants to change them."""
        self._make()
        self.scene = None
        return super().axes

    def get_children(self) -> list[Artist]:
        """Return all artists of the figure."""
        self._make()
        return super().get_children()

    def draw(self, renderer: RendererBase) -> None:
        """Draw under our style: type measured without hinting would not fit when drawn with it."""
        self._make()
        scene = self.scene
        with drawn_with(self.look), style.styled():
            super().draw(renderer)
        self.scene = scene


def blank_figure(width: float, height: float, title: str) -> StyledFigure:
    """Return a figure of this size in points, on a canvas of its own and unknown to pyplot."""
    figure = StyledFigure(figsize=(width / 72, height / 72), dpi=100)
    figure.look = current()
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


def scene_figure(scene: Scene, title: str) -> StyledFigure:
    """Return a figure that shows a scene and nothing else, in the middle of its sheet where it has one."""
    look = current()
    if look == Look():
        plain = blank_figure(scene.width, scene.height, title)
        plain.hold(scene)
        return plain
    width, height = _sheet_size(scene, look)
    with style.styled():
        figure = blank_figure(width, height, title)
        axes = sheet(figure)
        left, top = (width - scene.width) / 2, (height - scene.height) / 2
        axes.set(xlim=(-left, width - left), ylim=(height - top, -top))
        draw_scene(scene, axes, look.tone)
    if look.caption:
        figure.caption = (*((title,) if title else ()), *scene.caption)
    return figure


def _sheet_size(scene: Scene, look: Look) -> tuple[float, float]:
    """Return the size of the sheet in points: that of the scene, or of the asked shape and large enough."""
    if look.canvas_mm is None:
        return scene.width, scene.height
    width, height = (style.MM * side for side in look.canvas_mm)
    larger = max(1.0, scene.width / width, scene.height / height)
    return larger * width, larger * height


def draw_line(axes: Axes, line: Line, tone: Tone = "colour") -> None:
    """Draw one line of text as it stands: no mark-up, no clipping."""
    axes.text(
        line.x,
        line.y + CAPITAL * line.size,
        nouns().said(line.text),
        fontsize=line.size,
        fontweight="bold" if line.bold else "normal",
        color=toned(line.colour, tone, line=True),
        ha=line.align,
        va="baseline",
        parse_math=False,
        usetex=False,
        gid=line.role or None,
        zorder=6,
    )


def draw_scene(scene: Scene, axes: Axes, tone: Tone = "colour") -> None:
    """Draw everything of a scene on Axes in points."""
    _draw_tiles(scene, axes, tone)
    for shape in scene.shapes:
        _draw_shape(shape, axes, tone)
    for stroke in scene.strokes:
        xs, ys = zip(*stroke.points, strict=True)
        (drawn,) = axes.plot(
            xs, ys, color=toned(stroke.colour, tone, line=True), linewidth=stroke.width,
            solid_capstyle="butt", zorder=stroke.order, scalex=False, scaley=False,
        )  # fmt: skip
        if stroke.dash:
            drawn.set_linestyle((0, tuple(part / stroke.width for part in stroke.dash)))
        drawn.set_gid(stroke.role or None)
    for hollow in (False, True):
        some = [bubble for bubble in scene.bubbles if bubble.hollow is hollow]
        if some:
            _draw_bubbles(some, axes, tone, hollow=hollow)
    for line in scene.lines:
        draw_line(axes, line, tone)


def _draw_shape(shape: Shape, axes: Axes, tone: Tone) -> None:
    """Draw a filled shape; in line art a pale one that had no edge keeps its outline, unless it is paper."""
    face, edge, width = toned(shape.face, tone), shape.edge, shape.width if shape.edge else 0.0
    if tone == "line_art" and edge is None and shape.face not in (style.PAPER, style.BAND):
        edge, width = style.INK, style.THIN
    patch = Polygon(
        list(shape.points), closed=True, facecolor=face,
        edgecolor=toned(edge, tone, line=True) if edge else "none",
        linewidth=width, joinstyle="miter", zorder=shape.order,
    )  # fmt: skip
    patch.set_gid(shape.role or None)
    axes.add_patch(patch)


def _draw_bubbles(some: list[Bubble], axes: Axes, tone: Tone, *, hollow: bool) -> None:
    bare = tone == "line_art"  # nothing is left of a tone: the edge makes the bubble, dots tell it is hollow
    edges = [hollow or bubble.edged or bare for bubble in some]
    marks = axes.scatter(
        [bubble.x for bubble in some],
        [bubble.y for bubble in some],
        s=_once([4 / math.pi * bubble.area for bubble in some]),  # matplotlib asks for squared diameters
        marker="o",
        facecolor=style.PAPER if hollow else toned(style.STUDY, tone),
        edgecolor=_once(
            [toned(style.STUDY_LINE, tone, line=True) if edge else toned(style.STUDY, tone) for edge in edges]
        ),
        linewidth=_once([style.THIN if edge else 0 for edge in edges]),
        linestyle=(0, (1, 1)) if bare and hollow else "solid",
        zorder=3,
    )
    marks.set_gid("bubbles-outside" if hollow else "bubbles")


def _draw_tiles(scene: Scene, axes: Axes, tone: Tone) -> None:
    """Draw the tiles of each colour as one path; thousands of single ones would be megabytes.

    In line art they all become black: their number shows, their tones are lost.
    """
    by_face: dict[str, list[Path]] = {}
    for tile in scene.tiles:
        by_face.setdefault(tile.face, []).append(Path([*tile.points, tile.points[0]], closed=True))
    for colour, paths in by_face.items():
        face = toned(colour, tone, line=True)
        tiles = PathPatch(
            Path.make_compound_path(*paths), facecolor=face, edgecolor=face, linewidth=0.25, zorder=1
        )  # an edge of the same colour closes the hairline gaps that viewers show between neighbours
        tiles.set_gid(scene.tiles[0].role or None)
        axes.add_patch(tiles)


def _once(values: list[T]) -> list[T]:
    """Say a value that all marks share once: the picture then holds one mark and its places."""
    return values[:1] if len(set(values)) == 1 else values
