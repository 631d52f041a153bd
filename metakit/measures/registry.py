"""What an effect measure is, and the registry of all of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.core.registry import Registry
from metakit.errors import UnknownNameError
from metakit.measures.column_rules import ColumnRule
from metakit.measures.kind import EFFECTS, Kind

Columns = Mapping[str, FloatArray]
Limits = tuple[FloatArray, FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A scale on which effects are pooled, with its way back to natural units.

    `to_natural` and `from_natural` are vectorised and monotone increasing. `axis` says how a picture
    draws natural units: "log" for ratios, "linear" for differences and scores, "percent" for
    proportions and risk differences. `caution` is a sentence that every table on this scale carries.
    `at_size` is the way back where it depends on a sample size (values, size); a pooled value then takes
    the harmonic mean of the sizes.
    """

    name: str
    to_natural: Callable[[FloatArray], FloatArray]
    from_natural: Callable[[FloatArray], FloatArray]
    axis: Literal["log", "linear", "percent"]
    caution: str = ""
    at_size: Callable[[FloatArray, FloatArray], FloatArray] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KernelEffects:
    """What a measure's kernel gives for arrays of any leading batch shape, studies last.

    `estimable` is False where the data carry no information on the measure; effect and variance are
    NaN exactly there. `corrected` is True where a zero-cell correction changed the numbers. `used` holds the
    raw columns as they entered the formula, after correction. With `variance_only` the correction changed
    the variance and left the effect as observed.
    """

    effect: FloatArray
    variance: FloatArray
    estimable: BoolArray
    corrected: BoolArray
    used: Columns = field(default_factory=dict)
    variance_only: bool = False


class EffectKernel(Protocol):
    """A pure, vectorised function from raw columns to effects."""

    def __call__(self, data: Columns, *, scale: str, zero_cells: str) -> KernelEffects:
        """Return effect, variance and flags; arrays broadcast, studies on the last axis.

        A study with NaN in a column (padding) is not estimable; its neighbours do not notice it.
        """
        ...


class Reason(Protocol):
    """Says in one sentence why a study is not estimable."""

    def __call__(self, row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
        """Return the sentence for the raw columns of one study."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Converted:
    """One row brought from the form it was reported in to the columns of the kernel.

    `rule` is empty when nothing was assumed; `doubt` is a question to put to the reader.
    """

    columns: Mapping[str, float]
    rule: str = ""
    inputs: str = ""
    reference: str = ""
    doubt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputForm:
    """One of the forms in which studies report a measure.

    `convert` takes the numbers of one row and raises `MetakitError` with a sentence when they cannot be.
    """

    columns: tuple[str, ...]
    convert: Callable[[Mapping[str, float]], Converted]
    optional: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AtBaseline:
    """What a measure of events says absolutely; both in natural units, vectorised.

    `risk` gives the risk (the rate with `per_year`) in arm 1 from an effect and the risk in arm 2, as
    fractions; `effect` gives the effect that makes a difference of risks at that of arm 2; a
    ratio that no effect reaches is 0 or infinite, as the side demands.
    """

    risk: Callable[[FloatArray, FloatArray], FloatArray]
    effect: Callable[[FloatArray, FloatArray], FloatArray]
    per_year: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One effect measure: a kernel and the facts about it.

    `kind` is the kind of numbers behind it. `larger_means` says which way it points: whether a larger value
    means more, in arm 1, of what its outcome counts or measures (events, points of a score, hazard), or
    fewer (survival); every word, figure and judgement about a side follows it.

    `columns` are the raw columns that the kernel needs, `optional_columns` those that it also reads. `forms`
    lists the ways a table may give them when there are several; a row uses the first form that it fills.
    `rules` holds what a column may contain where that differs from the usual. `null_value` is "no
    difference" on the analysis scale, None for measures without one (a proportion); `arms` is the number of
    arms behind one effect. `scales` and `zero_cell_policies` list what is allowed, the default first.
    `natural_factor` and `unit` say how natural units are shown (100 and "%" for a proportion; 100 and
    "per 100 thumb-years" for a rate); with `unit_of_outcome` the unit is that of the outcome. `at_baseline`
    brings an effect to a risk, or rate, at a baseline, and back. `reason` gives the sentence logged for a
    study without information.
    `exact_intervals` are a single study's intervals in natural units by name, the default first.
    `one_stage` says that a one-stage model for the raw counts exists, which needs no correction.
    """

    name: str
    label: str
    kind: Kind
    larger_means: Literal["more", "fewer"]
    columns: tuple[str, ...]
    kernel: EffectKernel
    scales: tuple[Scale, ...]
    null_value: float | None
    reason: Reason
    arms: Literal[1, 2] = 2
    optional_columns: tuple[str, ...] = ()
    forms: tuple[InputForm, ...] = ()
    rules: Mapping[str, ColumnRule] = field(default_factory=dict)
    zero_cell_policies: tuple[str, ...] = ("none",)
    natural_factor: float = 1.0
    unit: str = ""
    unit_of_outcome: bool = False
    at_baseline: AtBaseline | None = None
    exact_intervals: Mapping[str, Callable[[Columns, float], Limits]] = field(default_factory=dict)
    one_stage: bool = False
    references: tuple[str, ...] = ()

    def __reduce__(self) -> tuple[Callable[[str], Measure], tuple[str]]:
        """Travel between processes by name."""
        return measure_named, (self.name,)

    @property
    def comparative(self) -> bool:
        """Whether the measure compares two arms."""
        return self.arms == 2

    @property
    def ratio(self) -> bool:
        """Whether natural units are those of a ratio of two arms."""
        return self.comparative and self.scales[0].axis == "log"

    @property
    def family(self) -> str:
        """The family of tables that models name: how many arms of which kind."""
        if self.kind.timed:
            return "time_to_event"
        return (
            "generic"
            if self.kind is EFFECTS
            else f"{'two' if self.comparative else 'one'}_arm_{self.kind.name}"
        )

    def unit_for(self, outcome_unit: str) -> str:
        """Return the unit of natural values for an outcome with a unit of its own."""
        return outcome_unit if self.unit_of_outcome else self.unit

    def scale(self, name: str | None = None) -> Scale:
        """Return the scale of this name, or the default one."""
        if name is None:
            return self.scales[0]
        for scale in self.scales:
            if scale.name == name:
                return scale
        raise UnknownNameError(f"scale of {self.name}", name, [scale.name for scale in self.scales])

    def zero_cell_policy(self, name: str | None = None) -> str:
        """Return the zero-cell policy of this name, or the default one."""
        if name is None:
            return self.zero_cell_policies[0]
        if name not in self.zero_cell_policies:
            raise UnknownNameError(f"zero-cell policy of {self.name}", name, self.zero_cell_policies)
        return name


def finished(
    effect: FloatArray,
    variance: FloatArray,
    *,
    informative: BoolArray | bool = True,
    corrected: BoolArray | None = None,
    used: Columns | None = None,
    variance_only: bool = False,
) -> KernelEffects:
    """Close a kernel: NaN, and `estimable` False, where no finite effect with positive variance came out."""
    effect, variance = np.broadcast_arrays(
        np.asarray(effect, dtype=np.float64), np.asarray(variance, dtype=np.float64)
    )
    with np.errstate(invalid="ignore"):
        estimable = np.isfinite(effect) & np.isfinite(variance) & (variance > 0) & informative
    if corrected is None:
        corrected = np.zeros(effect.shape, dtype=np.bool_)
    return KernelEffects(
        effect=np.where(estimable, effect, np.nan),
        variance=np.where(estimable, variance, np.nan),
        estimable=estimable,
        corrected=np.broadcast_to(corrected, effect.shape) & estimable,
        used=used or {},
        variance_only=variance_only,
    )


MEASURES: Registry[Measure] = Registry(
    "effect measure",
    (
        "metakit.measures.families.two_arm_counts",
        "metakit.measures.families.one_arm_counts",
        "metakit.measures.families.means",
        "metakit.measures.families.one_arm_means",
        "metakit.measures.families.rates",
        "metakit.measures.families.time_to_event",
        "metakit.measures.families.generic",
    ),
)


def measure_named(name: str) -> Measure:
    """Return the measure of this name."""
    return MEASURES[name]
