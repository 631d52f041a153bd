"""What stands behind and beside a pooled answer: its posterior, and the same studies answered otherwise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

    from metakit.core.limits import Limits


class Posterior(Protocol):
    """Posterior of the mean effect and of the effect in a new centre, on the analysis scale."""

    def below(self, value: ArrayLike, *, new_centre: bool = False) -> NDArray[np.float64]:
        """Return the probability below each value."""
        ...

    def quantile(self, probability: ArrayLike, *, new_centre: bool = False) -> NDArray[np.float64]:
        """Return the value with each probability below it."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Companion:
    """The same studies answered in another way, to stand beside the headline.

    `estimate` is None where the way has no point estimate, `interval` where it has no answer at all;
    `reason` then says why. All numbers are on the analysis scale.
    """

    name: str
    label: str
    estimate: float | None = None
    interval: Limits | None = None
    prediction_interval: Limits | None = None
    tau2: float | None = None
    reason: str = ""
    references: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the companion as JSON."""
        ahead = self.prediction_interval
        return {
            "name": self.name,
            "label": self.label,
            "estimate": self.estimate,
            "interval": list(self.interval) if self.interval else None,
            "prediction_interval": list(ahead) if ahead else None,
            "tau2": self.tau2,
            "reason": self.reason or None,
        }
