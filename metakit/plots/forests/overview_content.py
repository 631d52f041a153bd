"""What the picture of all outcomes of a review shows. No drawing here."""

from __future__ import annotations

from dataclasses import dataclass

from metakit.core.written import Axis
from metakit.plots.forests.content import check_interval


@dataclass(frozen=True, slots=True, kw_only=True)
class OverviewRow:
    """One pooled outcome of a review.

    `estimate`, `lower` and `upper` are None together where the outcome has no pooled answer; `note`
    then says why. Rows of one axis, unit and null value share a panel. `size` is said with its unit ("812
    thumbs"); `direction` says in words which side is which ("below 1: fewer revisions after X").
    """

    outcome: str
    measure: str
    axis: Axis
    null: float | None
    estimate: float | None = None
    lower: float | None = None
    upper: float | None = None
    unit: str = ""
    studies: int = 0
    size: str = ""
    direction: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        parts = (self.estimate, self.lower, self.upper)
        if any(part is None for part in parts) and not all(part is None for part in parts):
            raise ValueError(f"{self.outcome}: an estimate needs both limits, and limits an estimate")
        if self.interval is not None:
            check_interval(self.outcome, *self.interval, self.axis)

    @property
    def interval(self) -> tuple[float, float, float] | None:
        """Estimate, lower and upper limit, or None without a pooled answer."""
        if self.estimate is None or self.lower is None or self.upper is None:
            return None
        return self.estimate, self.lower, self.upper


@dataclass(frozen=True, slots=True, kw_only=True)
class OverviewContent:
    """All outcomes of a review in one picture."""

    title: str
    rows: tuple[OverviewRow, ...]
    level: float = 0.95
    size_heading: str = "Size"
    footnotes: tuple[str, ...] = ()
