"""What an effect measure is, and the registry of all of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.core.registry import Registry

Family = Literal[
    "two_arm_counts",
    "one_arm_counts",
    "two_arm_means",
    "one_arm_means",
    "two_arm_rates",
    "one_arm_rates",
    "time_to_event",
    "generic",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A scale on which effects are pooled, with its way back to natural units.

    `to_natural` and `from_natural` are vectorised and monotone increasing. `axis` says how a picture
    draws natural units: "log" for ratios, "linear" for differences and scores, "percent" for
    proportions and risk differences.
    """

    name: str
    to_natural: Callable[[FloatArray], FloatArray]
    from_natural: Callable[[FloatArray], FloatArray]
    axis: Literal["log", "linear", "percent"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KernelEffects:
    """What a measure's kernel gives for arrays of any leading batch shape, studies last.

    `estimable` is False where the data carry no information on the measure; `corrected` is True where
    a zero-cell correction changed the numbers.
    """

    effect: FloatArray
    variance: FloatArray
    estimable: BoolArray
    corrected: BoolArray


class EffectKernel(Protocol):
    """A pure, vectorised function from raw columns to effects."""

    def __call__(self, data: Mapping[str, FloatArray], *, scale: str, zero_cells: str) -> KernelEffects:
        """Return effect, variance and flags; arrays broadcast, studies on the last axis."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One effect measure: a kernel and the facts about it.

    `columns` are the raw columns that the kernel needs. `null_value` is "no difference" on the analysis
    scale, None for measures without one (a proportion). `scales` and `zero_cell_policies` list what is
    allowed, the default first. `natural_factor` and `unit` say how natural units are shown (100 and
    "%" for a proportion; 100 and "per 100 thumb-years" for a rate). `reason_not_estimable` is the
    sentence logged for a study without information.
    """

    name: str
    label: str
    family: Family
    columns: tuple[str, ...]
    kernel: EffectKernel
    scales: tuple[Scale, ...]
    null_value: float | None
    zero_cell_policies: tuple[str, ...] = ("none",)
    natural_factor: float = 1.0
    unit: str = ""
    reason_not_estimable: str = ""
    references: tuple[str, ...] = ()

    @property
    def comparative(self) -> bool:
        """Whether the measure compares two arms (and so has a null value)."""
        return self.null_value is not None

    def scale(self, name: str | None = None) -> Scale:
        """Return the scale of this name, or the default one."""
        from metakit.errors import UnknownNameError

        if name is None:
            return self.scales[0]
        for scale in self.scales:
            if scale.name == name:
                return scale
        raise UnknownNameError(f"scale of {self.name}", name, [scale.name for scale in self.scales])


def _same(values: FloatArray) -> FloatArray:
    return np.asarray(values, dtype=float)


IDENTITY = Scale(name="identity", to_natural=_same, from_natural=_same, axis="linear")
RISK_DIFFERENCE_SCALE = Scale(name="identity", to_natural=_same, from_natural=_same, axis="percent")
LOG = Scale(name="log", to_natural=np.exp, from_natural=np.log, axis="log")

MEASURES: Registry[Measure] = Registry(
    "effect measure",
    (
        "metakit.measures.two_arm_counts",
        "metakit.measures.one_arm_counts",
        "metakit.measures.means",
        "metakit.measures.rates",
        "metakit.measures.time_to_event",
        "metakit.measures.generic",
    ),
)
