"""One figure of a report: inline SVG for the page, the words that stand for it, and its files."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from markupsafe import Markup

from metakit.plots.scene import Scene

if TYPE_CHECKING:
    from matplotlib.figure import Figure


LARGEST_ON_PAGE = 40_000
"""Characters of a drawing that a page holds."""
Redraw = Callable[[float, float | None], "tuple[Figure, ...]"]
"""Draws a figure at another width and, where it can be cut, in parts no higher than a page; millimetres."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigurePart:
    """One figure: caption, the text that stands for it, its SVG, and the bytes of its files by ending.

    The SVG stands by itself; `markup` is the leaner form for a page that has the font of all its figures.
    `figure` is the drawing, `scene` what it shows where that is all; `redraw` gives it at another size, None
    where it has one size only. A part that another process drew has no drawing: `elsewhere` then gives the
    same part drawn here. `beside` says that the page shows the SVG file beside it, loaded as a reader comes
    near.
    """

    name: str
    svg: str
    caption: str
    text: str
    files: dict[str, bytes]
    figure: Figure | None = field(default=None, repr=False, compare=False)
    scene: Scene | None = field(default=None, repr=False, compare=False)
    title: str = ""
    redraw: Redraw | None = field(default=None, repr=False, compare=False)
    elsewhere: Callable[[], FigurePart] | None = field(default=None, repr=False, compare=False)
    beside: bool = False

    @property
    def markup(self) -> Markup:
        """The SVG for a template; it comes from our own figures, which escape every name.

        Of a drawing that would weigh more than all others of its section, the page holds the words; the
        drawing is the file beside it.
        """
        if self.beside:
            return self._image()
        from metakit.plots.svg_page import page_scene, page_svg

        drawn = page_svg(self.svg) if self.scene is None else page_scene(self.scene, self.title, self.text)
        if len(drawn) > LARGEST_ON_PAGE:
            return Markup("<p>{} (The drawing is large: it stands in the file.)</p>").format(self.text)
        return Markup(drawn)  # noqa: S704

    def _image(self) -> Markup:
        """Return the SVG file as an image of its size; its words stand where it is missing."""
        size = "".join(
            f' {name}="{round(float(found[1]))}"'
            for name in ("width", "height")
            if (found := re.search(rf'<svg [^>]*\b{name}="([0-9.]+)', self.svg))
        )
        return Markup('<img src="figures/{}.svg" loading="lazy" decoding="async" alt="{}"{}>').format(
            self.name,
            self.text,
            Markup(size),  # noqa: S704 - digits
        )

    @property
    def drawing(self) -> Figure | None:
        """The drawing, made here if another process made the part."""
        return self.figure if self.elsewhere is None else self.elsewhere().drawing

    def drawn(self, *, width_mm: float, page_height_mm: float | None = None) -> tuple[Figure, ...]:
        """Return the drawing at this width, in parts where the page is lower; one of one size as it is."""
        if self.elsewhere is not None:
            return self.elsewhere().drawn(width_mm=width_mm, page_height_mm=page_height_mm)
        if self.redraw is not None:
            return self.redraw(width_mm, page_height_mm)
        return () if self.figure is None else (self.figure,)


def figure_part(
    name: str,
    figure: Figure,
    *,
    caption: str,
    more: str,
    kinds: Sequence[str],
    redraw: Redraw | None = None,
) -> FigurePart:
    """Turn a drawn figure into a part of the report.

    `kinds` are the endings of the files to write, `redraw` draws it at another size.
    """
    from metakit.plots.save import figure_bytes
    from metakit.plots.svg import figure_svg

    text = f"{caption} {more}"
    scene: Scene | None = getattr(figure, "scene", None)
    svg = figure_svg(figure, text)
    files = {kind: figure_bytes(figure, kind) for kind in kinds if kind != ".svg"}
    if ".svg" in kinds:
        files[".svg"] = f'<?xml version="1.0" encoding="utf-8"?>\n{svg}\n'.encode()
    return FigurePart(
        name=name,
        svg=svg,
        caption=caption,
        text=text,
        files=files,
        figure=figure,
        redraw=redraw,
        scene=scene,
        title=str(figure.get_label()),
    )
