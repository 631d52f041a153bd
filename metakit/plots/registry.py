"""The figures that can be drawn of one table and its pooled result, for `metakit draw`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from metakit.core.effects import EffectTable
from metakit.core.registry import Registry
from metakit.core.results import PoolResult

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing


class BuildFigure(Protocol):
    """Draws one figure of a result."""

    def __call__(
        self,
        result: PoolResult,
        table: EffectTable,
        *,
        title: str = "",
        left_words: str = "",
        right_words: str = "",
        width_mm: float = 180,
    ) -> Drawing:
        """Return the drawing at its final size."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One kind of figure: its name, what it is called, and how it is drawn."""

    name: str
    label: str
    build: BuildFigure


FIGURES: Registry[Figure] = Registry("figure", ("metakit.plots.forest", "metakit.plots.funnel"))
