"""The effect table: one row a study, on the scale that is pooled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from metakit.core.notes import Assumption, SetAside

if TYPE_CHECKING:
    import pandas as pd

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
        return replace(
            self,
            study=tuple(self.study[i] for i in index),
            effect=self.effect[index],
            variance=self.variance[index],
            estimable=self.estimable[index],
            data={name: column[index] for name, column in self.data.items()},
            moderators={name: tuple(column[i] for i in index) for name, column in self.moderators.items()},
        )

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
