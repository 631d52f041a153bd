"""One figure of a report: inline SVG for the page, the words that stand for it, and its files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class FigurePart:
    """One figure: caption, the text that stands for it, its SVG, and the bytes of its files by ending.

    The SVG stands by itself; `markup` is the leaner form for a page that has the font of all its figures.
    """

    name: str
    svg: str
    caption: str
    text: str
    files: dict[str, bytes]

    @property
    def markup(self) -> Markup:
        """The SVG for a template; it comes from our own figures, which escape every name."""
        from metakit.plots.svg_page import page_svg

        return Markup(page_svg(self.svg))  # noqa: S704


def figure_part(name: str, figure: Figure, *, caption: str, more: str, kinds: Sequence[str]) -> FigurePart:
    """Turn a drawn figure into a part of the report; `kinds` are the endings of the files to write."""
    from metakit.plots.save import figure_bytes
    from metakit.plots.svg import figure_svg

    text = f"{caption} {more}"
    svg = figure_svg(figure, text)
    files = {kind: figure_bytes(figure, kind) for kind in kinds if kind != ".svg"}
    if ".svg" in kinds:
        files[".svg"] = f'<?xml version="1.0" encoding="utf-8"?>\n{svg}\n'.encode()
    return FigurePart(name=name, svg=svg, caption=caption, text=text, files=files)
