"""The effect table: one row a study, on the scale that is pooled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from metakit.core.notes import Assumption, SetAside
from metakit.core.views import journal_forest

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from metakit.core.results import PoolResult

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EffectTable:
    """Effects and sampling variances of k studies, with everything that led to them.

    Parameters
    ----------
    measure : str
        Name of an entry of the registry MEASURES.
    scale : str
        Name of the analysis scale, one of the measure's (`log`, `logit`, `identity`, ...).
    study : tuple of str, length k
        Names as shown; they need not be unique.
    effect, variance : ndarray of float, shape (k,)
        On the analysis scale (log for ratios, logit for proportions, ...). NaN exactly where
        `estimable` is False.
    estimable : ndarray of bool, shape (k,)
        False where the study carries no information on this measure (both arms without events and a
        ratio asked for, say). Such a study stays in `data`, for the models that can use it.
    data : mapping of str to ndarray of float, shape (k,)
        The raw columns before any correction (`events_1`, `total_1`, ...).
    moderators : mapping of str to tuple, length k
        Every other column, as given.
    zero_cells : str
        The policy that was applied.
    zero_cells_named : bool
        Whether somebody named it; else the default inference applies its own.
    set_aside : tuple of SetAside
        Why each non-estimable study is not in `effect`, and studies dropped before.
    assumptions : tuple of Assumption
        Every correction and conversion, study by study.
    notes : tuple of str
        Sentences for the reader.
    """

    measure: str
    scale: str
    study: tuple[str, ...]
    effect: FloatArray
    variance: FloatArray
    estimable: BoolArray
    data: Mapping[str, FloatArray] = field(default_factory=dict)
    moderators: Mapping[str, tuple[Any, ...]] = field(default_factory=dict)
    zero_cells: str = "none"
    zero_cells_named: bool = False
    set_aside: tuple[SetAside, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        k = len(self.study)
        for name, column in (("effect", self.effect), ("variance", self.variance), *self.data.items()):
            if column.shape != (k,):
                raise ValueError(f"{name} has shape {column.shape}, expected ({k},)")
        finite = np.isfinite(self.effect) & np.isfinite(self.variance) & (self.variance > 0)
        if not bool(np.all(finite[self.estimable])):
            raise ValueError("an estimable study has no finite effect or no positive variance")
        for name in ("effect", "variance", "estimable"):
            object.__setattr__(self, name, _read_only(getattr(self, name)))
        object.__setattr__(self, "data", {name: _read_only(column) for name, column in self.data.items()})

    def __len__(self) -> int:
        return len(self.study)

    def select(self, keep: BoolArray) -> EffectTable:
        """Return the table with only the studies where `keep` is True; notes and logs stay."""
        index = np.flatnonzero(keep)
        places = index.tolist()
        return replace(
            self,
            study=tuple(map(self.study.__getitem__, places)),
            effect=self.effect[index],
            variance=self.variance[index],
            estimable=self.estimable[index],
            data={name: column[index] for name, column in self.data.items()},
            moderators={
                name: tuple(map(column.__getitem__, places)) for name, column in self.moderators.items()
            },
        )

    def forest(
        self,
        result: PoolResult,
        *,
        subgroup: str = "",
        order_by: str = "",
        backwards: bool = False,
        arms: tuple[str, str] = ("arm 1", "arm 2"),
        counted: str = "thumbs",
        unit: str | None = None,
        left: Sequence[str] = (),
        right: Sequence[str] = ("arms",),
        judgements: Sequence[str] = (),
        levels: Sequence[str] = (),
        limits: tuple[float, float] | None = None,
        ticks: Sequence[float] = (),
        title: str = "",
        left_words: str = "",
        right_words: str = "",
        preset: str = "",
        width_mm: float | None = None,
        font: str = "",
        grey: bool = False,
        smallest_type: float | None = None,
        caption: bool = False,
    ) -> Figure:
        """Draw the forest plot that a journal prints, at its final size, with columns of this table.

        Parameters
        ----------
        result : PoolResult
            What was pooled from these effects.
        subgroup : str
            Column of words to put studies together by, with sub-totals and their test.
        order_by, backwards : str, bool
            weight, effect, name or a column; "" for the order of the table; the other way round.
        arms, counted, unit : (str, str), str, str
            Names of the two arms, what totals count, and the unit of the values.
        left, right : sequence of str
            Columns beside the names and after the picture; `arms` for the usual ones, events, mean, sd,
            total, time for one of each arm.
        judgements, levels : sequence of str
            Columns of judgements of bias, shown as bars, and their words from best to worst.
        limits, ticks : (float, float), sequence of float
            Ends and ticks of the axis in natural units.
        title, left_words, right_words : str
            Above the figure, and under its two sides.
        preset, width_mm, font, grey, smallest_type, caption
            Size and looks, as `metakit draw` takes them. With `caption`, title, legend and notes are not in
            the figure but in its attribute `caption`.

        Returns
        -------
        matplotlib.figure.Figure
            Save it with `savefig`; its size is final.

        Raises
        ------
        UnknownNameError, UsageError, NotEstimableError
            For columns, ends of the axis or groups that cannot be drawn.
        """
        figure: Figure = journal_forest(
            self, result,
            choices={
                "subgroup": subgroup, "order_by": order_by, "backwards": backwards, "arms": arms,
                "counted": counted, "unit": unit, "left": tuple(left), "right": tuple(right),
                "judgements": tuple(judgements), "levels": tuple(levels), "limits": limits,
                "ticks": tuple(ticks),
            },
            words={"title": title, "left_words": left_words, "right_words": right_words},
            looks={"font": font, "grey": grey, "smallest_type": smallest_type, "caption": caption},
            preset=preset, width_mm=width_mm,
        )  # fmt: skip
        return figure

    def tidy(self) -> pd.DataFrame:
        """Return a pandas frame: study, effect, variance, estimable, raw columns, moderators."""
        import pandas as pd

        return pd.DataFrame(
            {
                "study": self.study,
                "effect": self.effect,
                "variance": self.variance,
                "estimable": self.estimable,
                **self.data,
                **self.moderators,
            }
        )


def _read_only(array: NDArray[Any]) -> NDArray[Any]:
    """Return a view that cannot be written to; the array itself stays its owner's."""
    view = array.view()
    view.flags.writeable = False
    return view
