"""Several pooled answers side by side: without each study, as studies were added, by several methods."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from metakit.core.results import PoolResult
from metakit.core.views import shortened

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedAnswer:
    """One answer and what it is; `result` is None where there is none, `reason` then says why."""

    name: str
    result: PoolResult | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """Answers in order; `what` names what tells them apart ("without", "up to", "method")."""

    what: str
    answers: tuple[NamedAnswer, ...]

    def __len__(self) -> int:
        return len(self.answers)

    def __iter__(self) -> Iterator[NamedAnswer]:
        return iter(self.answers)

    def to_frame(self, *, natural: bool = False) -> pd.DataFrame:
        """Return one row an answer.

        Parameters
        ----------
        natural : bool
            Estimates and limits in natural units instead of the analysis scale.

        Returns
        -------
        DataFrame
            Columns k, estimate, lower, upper, prediction_lower, prediction_upper, standard_error, p_value,
            tau2, model, reason; the index is named by `what`.
        """
        import pandas as pd

        rows = [_row(answer, natural) for answer in self.answers]
        names = [answer.name for answer in self.answers]
        return pd.DataFrame(rows, index=pd.Index(names, name=self.what))

    def summary(self) -> str:
        """Return a line an answer."""
        return "\n".join(
            f"{answer.name}: {answer.result if answer.result else answer.reason}" for answer in self.answers
        )

    def __repr__(self) -> str:
        return shortened(self.summary())

    def _repr_html_(self) -> str:
        return str(self.to_frame(natural=True).to_html(escape=True))


def _row(answer: NamedAnswer, natural: bool) -> dict[str, Any]:
    result = answer.result
    names = ("estimate", "lower", "upper", "prediction_lower", "prediction_upper")
    if result is None:
        empty = dict.fromkeys((*names, "standard_error", "p_value", "tau2"))
        return {"k": 0, **empty, "model": None, "reason": answer.reason}
    ahead = getattr(result, "prediction", None)
    values = [result.estimate, *result.interval, *(ahead.interval if ahead else (None, None))]
    if natural:
        values = [None if value is None else result.back_transform(value) for value in values]
        values[1:3] = sorted(values[1:3])
        values[3:] = sorted(values[3:]) if ahead else values[3:]
    return {
        "k": result.k,
        **dict(zip(names, values, strict=True)),
        "standard_error": result.standard_error,
        "p_value": result.mean.p_value,
        "tau2": result.heterogeneity.tau2,
        "model": result.model,
        "reason": answer.reason,
    }
