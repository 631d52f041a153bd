"""Parts of a finding: an answer or why there is none, with what belongs to it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from metakit.core.results import PoolResult


@dataclass(frozen=True, slots=True, kw_only=True)
class DefinitionFound:
    """A mapped definition that was met, whether it fits the outcome, and each report's own words."""

    definition: str
    label: str
    fits: bool
    author_words: tuple[tuple[str, str], ...]

    def to_json(self) -> dict[str, Any]:
        """Return the definition as JSON."""
        studies = [{"study": study, "author_definition": words} for study, words in self.author_words]
        return {"definition": self.definition, "label": self.label, "fits": self.fits, "studies": studies}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A pooled answer, or the reason why there is none."""

    result: PoolResult | None = None
    reason: str = ""

    def to_json(self) -> dict[str, Any] | None:
        """Return the result as JSON, None without one."""
        return self.result.to_json() if self.result else None


@dataclass(frozen=True, slots=True, kw_only=True)
class AbsoluteEffect:
    """The effect per 100 at the comparator's pooled baseline in the same studies.

    `baseline_events` of `baseline_total` are the arms' counts added up; `baseline` is their pooled risk or
    rate, that of the study in the middle. All numbers are per 100 thumbs (or 100 thumb-years). The interval
    is that of the relative effect; the uncertainty of the baseline is not in it. `only_limit` says which
    limit stands for the estimate where there is none.
    """

    unit: str
    baseline: float
    baseline_events: float
    baseline_total: float
    baseline_lowest: float
    baseline_highest: float
    with_technique: float
    lower: float
    upper: float
    note: str = ""
    only_limit: str = ""

    @property
    def difference(self) -> tuple[float, float, float]:
        """Difference to the baseline with its interval, per 100."""
        return self.with_technique - self.baseline, self.lower - self.baseline, self.upper - self.baseline

    def to_json(self) -> dict[str, Any]:
        """Return the absolute effect as JSON."""
        difference, low, high = self.difference
        return {
            "per": 100,
            "unit": self.unit,
            "baseline": {
                "value": self.baseline,
                "events": self.baseline_events,
                "total": self.baseline_total,
                "lowest": self.baseline_lowest,
                "highest": self.baseline_highest,
            },
            "with_technique": {"value": self.with_technique, "interval": [self.lower, self.upper]},
            "difference": {"value": difference, "interval": [low, high]},
            "note": self.note,
            "only_limit": self.only_limit or None,
        }


def finite(value: Any) -> Any:
    """Replace NaN and infinities by None, since JSON has neither."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(item) for item in value]
    return value
