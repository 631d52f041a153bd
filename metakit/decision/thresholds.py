"""How large a difference is: the smallest important one and, where a protocol names them, larger ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from metakit.core.plans import OutcomePlan

Size = Literal["trivial", "important", "small", "moderate", "large"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Thresholds:
    """Sizes of a difference, in the unit of the outcome (per 100 thumbs for events), all above 0.

    Without `moderate` and `large`, a difference beyond the smallest important one is just important.
    """

    smallest: float
    moderate: float | None = None
    large: float | None = None
    unit: str = ""
    source: str = ""

    @classmethod
    def of(cls, plan: OutcomePlan, unit: str) -> Thresholds | None:
        """Return the thresholds of an outcome, None where the protocol names none."""
        if not plan.smallest_important_difference:
            return None
        return cls(
            smallest=plan.smallest_important_difference,
            moderate=plan.moderate_difference,
            large=plan.large_difference,
            unit=unit,
            source=plan.smallest_important_difference_source,
        )

    @property
    def sizes(self) -> tuple[float, ...]:
        """All sizes, rising."""
        return tuple(size for size in (self.smallest, self.moderate, self.large) if size is not None)

    @property
    def lines(self) -> tuple[float, ...]:
        """All thresholds on both sides of no difference, rising."""
        return tuple(sorted({sign * size for size in self.sizes for sign in (-1, 1)}))

    def crossed(self, lower: float, upper: float) -> tuple[float, ...]:
        """Return the thresholds that an interval holds inside (a limit on a threshold does not cross it)."""
        return tuple(line for line in self.lines if lower < line < upper)

    def size(self, difference: float) -> Size:
        """Name the size of a difference."""
        far = abs(difference)
        if far < self.smallest:
            return "trivial"
        if self.moderate is None and self.large is None:
            return "important"
        if self.large is not None and far >= self.large:
            return "large"
        return "moderate" if self.moderate is not None and far >= self.moderate else "small"
