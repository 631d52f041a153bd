"""From the analysis scale to the natural units in which sentences, tables and figures show a number."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import EffectTable, FloatArray
from metakit.core.results import PoolResult
from metakit.core.written import Axis, decimals_for, fixed, interval_decimals, on_axis, ratio
from metakit.measures.registry import MEASURES, Measure, Scale


@dataclass(frozen=True, slots=True, kw_only=True)
class NaturalValues:
    """A pooled answer in natural units times the measure's factor (per 100 where the measure has percent)."""

    estimate: float
    lower: float
    upper: float
    prediction: tuple[float, float] | None
    ratio: bool
    per_hundred: bool

    @property
    def null(self) -> float:
        """No difference: 1 for ratios, 0 for differences."""
        return 1.0 if self.ratio else 0.0

    @property
    def decimals(self) -> int:
        """Decimals that show about two digits of the interval's width, as the figures do."""
        return interval_decimals(self.lower, self.upper, fewest=0 if self.per_hundred else 1)

    def show(self, value: float) -> str:
        """Write one value of this answer."""
        return ratio(value) if self.ratio else fixed(value, self.decimals)

    @property
    def interval(self) -> str:
        """The interval as `low to high`."""
        return f"{self.show(self.lower)} to {self.show(self.upper)}"

    def told(self, unit: str = "") -> str:
        """Write estimate and interval; one limit where an arm without events leaves no estimate."""
        if self.ratio and self.estimate == 0:
            return f"at most {self.show(self.upper)}{unit}, without an estimate"
        if math.isinf(self.estimate):
            return f"at least {self.show(self.lower)}{unit}, without an estimate"
        return f"{self.show(self.estimate)}{unit} ({self.interval})"


def natural_values(result: PoolResult, measure: Measure, scale: str | None) -> NaturalValues:
    """Bring a result back to natural units."""
    factor = measure.natural_factor

    def back(value: float) -> float:
        return factor * float(result.back_transform(value))

    prediction = result.prediction
    return NaturalValues(
        estimate=back(result.estimate),
        lower=back(result.interval.lower),
        upper=back(result.interval.upper),
        prediction=(back(prediction.interval.lower), back(prediction.interval.upper)) if prediction else None,
        ratio=measure.scale(scale).axis == "log",
        per_hundred=factor > 1,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Natural:
    """Natural units of a measure on one of its scales; on a percent axis values stay fractions."""

    measure: Measure
    scale: Scale

    @property
    def axis(self) -> Axis:
        """How a picture draws these units."""
        return self.scale.axis

    @property
    def null(self) -> float | None:
        """The value of no difference in natural units, None without one."""
        return None if self.measure.null_value is None else self.value(self.measure.null_value)

    @property
    def heading(self) -> str:
        """What is estimated, beginning with a capital."""
        return self.measure.label[:1].upper() + self.measure.label[1:]

    @property
    def unit(self) -> str:
        """The unit of the natural values."""
        return self.measure.unit

    def values(self, values: FloatArray) -> FloatArray:
        """Return values of the analysis scale as they are shown."""
        factor = 1.0 if self.axis == "percent" else self.measure.natural_factor
        natural: FloatArray = np.asarray(self.scale.to_natural(np.asarray(values, dtype=float))) * factor
        return natural

    def value(self, value: float) -> float:
        """Return one value of the analysis scale as it is shown."""
        return float(self.values(np.asarray(value)))

    def words(self, value: float, width: float = 1.0) -> str:
        """Say a natural value, with decimals for intervals of this width."""
        factor = 100 if self.axis == "percent" else 1
        text = on_axis(value, self.axis, decimals_for([factor * width]))
        return f"{text} %" if self.axis == "percent" else text


def natural_of(table: EffectTable) -> Natural:
    """Return the natural units of a table."""
    measure = MEASURES[table.measure]
    return Natural(measure=measure, scale=measure.scale(table.scale))


def natural_of_result(result: PoolResult) -> Natural:
    """Return the natural units of a result, from its way back to them."""
    measure = MEASURES[result.measure]
    probe = result.estimate
    scales = [
        scale
        for scale in measure.scales
        if math.isclose(
            float(scale.to_natural(np.asarray(probe))), result.back_transform(probe), rel_tol=1e-9
        )
    ]
    return Natural(measure=measure, scale=scales[0] if scales else measure.scales[0])
