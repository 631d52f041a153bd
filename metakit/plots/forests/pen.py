"""What every step of laying out a forest plot needs: the content, its words, the layout so far. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from metakit.plots import style
from metakit.plots.forests.columns import MARGIN, Columns
from metakit.plots.forests.content import ForestContent
from metakit.plots.forests.wording import Wording
from metakit.plots.marks import Panel
from metakit.plots.scene import Scene, Stroke
from metakit.plots.text import TextWidth

RowKind = Literal["study", "group", "mean", "prediction", "text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedRow:
    """One row of the figure: its integer id from the top, its kind, and where it lies."""

    id: int
    kind: RowKind
    top: float
    bottom: float
    study: int | None = None

    @property
    def middle(self) -> float:
        """Height of the row's marks."""
        return (self.top + self.bottom) / 2


@dataclass(slots=True, kw_only=True)
class Layout:
    """A laid-out forest plot."""

    scene: Scene
    panel: Panel
    columns: Columns
    rows: list[PlacedRow] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pen:
    """What every step of the layout needs; `cut_headings` gathers those to tell in full below."""

    content: ForestContent
    wording: Wording
    layout: Layout
    type_: style.Type
    measure: TextWidth
    leading: float
    pad: float
    largest: float
    cut_headings: list[str] = field(default_factory=list)


def add_rule(pen: Pen, y: float, colour: str) -> None:
    """Add a rule across the figure."""
    width = pen.layout.scene.width
    pen.layout.scene.strokes.append(
        Stroke(
            points=((MARGIN, y), (width - MARGIN, y)), width=style.THIN, colour=colour, order=1, role="rule"
        )
    )


def place_row(pen: Pen, kind: RowKind, top: float, bottom: float, study: int | None = None) -> None:
    """Note where a row lies."""
    rows = pen.layout.rows
    rows.append(PlacedRow(id=len(rows), kind=kind, top=top, bottom=bottom, study=study))
