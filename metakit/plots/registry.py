"""The figures that can be drawn of one table and its pooled result, for `metakit draw`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

from metakit.core.effects import EffectTable
from metakit.core.registry import Registry
from metakit.core.results import PoolResult

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

    from metakit.plots.forests.choices import ForestChoices


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureOptions:
    """What some figures need or allow beside a result and its table; the others pay no heed to it.

    Parameters
    ----------
    moderator : str
        Column that a bubble picture draws effects against.
    order_by : str
        Column of numbers by which a cumulative forest adds its studies.
    chosen_studies : tuple of str
        Studies whose subsets an all-subsets picture marks.
    small_study_line : str
        Line that a funnel shows: egger, pet_peese or limit_meta_analysis.
    added_studies : bool
        Whether a funnel shows the studies that trim and fill would add.
    vertical : str
        Vertical axis of a funnel, "" for the one that suits the measure.
    page_height_mm : float or None
        Height above which a forest is cut into parts.
    forest : ForestChoices or None
        What was chosen of a forest.
    """

    moderator: str = ""
    order_by: str = ""
    chosen_studies: tuple[str, ...] = ()
    small_study_line: str = ""
    added_studies: bool = False
    vertical: Literal["", "standard_error", "study_size"] = ""
    page_height_mm: float | None = None
    forest: ForestChoices | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """A figure as drawn, in one part or several, and the words that stand for it."""

    parts: tuple[Drawing, ...]
    text: str


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
        options: FigureOptions = ...,
    ) -> Built:
        """Return the drawing at its final size with the words that stand for it."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One kind of figure: its name, what it is called, and how it is drawn."""

    name: str
    label: str
    build: BuildFigure


FIGURES: Registry[Figure] = Registry(
    "figure",
    (
        "metakit.plots.forests.forest",
        "metakit.plots.forests.funnel",
        "metakit.plots.exploring.bubble",
        "metakit.plots.exploring.influence",
        "metakit.plots.exploring.contribution",
        "metakit.plots.exploring.repeated",
        "metakit.plots.exploring.subsets",
    ),
)
