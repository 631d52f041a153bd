"""From the analysis scale of a table to the numbers that its figures show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metakit.core.effects import EffectTable, FloatArray
from metakit.measures.registry import MEASURES, Measure, Scale
from metakit.plots.numbers import Axis, decimals_for, show


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
        text = show(value, self.axis, decimals_for([factor * width]))
        return f"{text} %" if self.axis == "percent" else text


def natural_of(table: EffectTable) -> Natural:
    """Return the natural units of a table."""
    measure = MEASURES[table.measure]
    return Natural(measure=measure, scale=measure.scale(table.scale))
