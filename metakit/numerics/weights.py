"""Studies as kernels see them, and inverse-variance weighting around the most precise study.

One analysis is a pair of one-dimensional arrays; a batch has one analysis a row, its leading axes folded
into the rows and unfolded in the answer. The kernels are written with the study axis last and serve both.
Sums along it are dot products, which numpy computes by the same loop for a single analysis and for each
row of a batch, so that a batch equals a loop to the last bit.

Every effect is measured from the *anchor*, the study with the smallest variance of its row. The anchor
carries the largest weight whatever the between-study variance, so that differences which would
otherwise cancel (total weight minus largest weight, its effect minus the mean) become sums of positive
terms. This is what keeps 12 digits when variances span 12 orders of magnitude.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from metakit.core.effects import BoolArray, FloatArray

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

IndexArray = NDArray[np.intp]
Answer = TypeVar("Answer", bound="DataclassInstance")


def dot(left: FloatArray, right: FloatArray) -> FloatArray:
    """Sum products along the studies: a number for one analysis, else one number a row.

    Both branches end in the same loop of numpy; the first saves two thirds of the cost of a short call.
    """
    return cast("FloatArray", left.dot(right) if left.ndim == 1 else np.vecdot(left, right))


def column(values: FloatArray | float) -> FloatArray | float:
    """Return one value an analysis so that it meets all studies of its own analysis."""
    return values[..., None] if isinstance(values, np.ndarray) else values


def scalar(value: float) -> FloatArray:
    """Return one analysis's value as numpy number, which has all that the kernels ask of an array."""
    return cast("FloatArray", np.float64(value))


def greater(left: FloatArray, right: FloatArray | float) -> FloatArray:
    """Return the greater of two values an analysis; neither may be NaN.

    For one analysis Python's own comparison costs a sixth of a call of numpy.
    """
    many: FloatArray | float = left  # a number for one analysis
    if isinstance(many, np.ndarray):
        return np.maximum(many, right)
    return scalar(max(many, float(right)))


@dataclass(frozen=True, slots=True, eq=False)
class Studies:
    """Cleaned effects and variances of one analysis, or of many in rows.

    Attributes
    ----------
    effect : ndarray, shape (k,) or (rows, k)
        Effect minus the anchor's effect; 0 for the anchor and where no study is present.
    variance : ndarray, shape (k,) or (rows, k)
        Sampling variance; 1 where no study is present.
    others : ndarray of float, shape (k,) or (rows, k)
        1 for each study that is present, except the anchor; else 0.
    anchor : int or ndarray of int, shape (rows,)
        Column of the most precise study.
    anchor_effect, anchor_variance : float or ndarray, shape (rows,)
        Its effect (on the original scale) and variance.
    count : float or ndarray, shape (rows,)
        Number of studies present.
    spare : float or ndarray, shape (rows,)
        One less, but not less than 1: a divisor for sums that are zero for one study alone.
    leading : tuple of int
        Shape of the batch axes, for the answer.
    """

    effect: FloatArray
    variance: FloatArray
    others: FloatArray
    anchor: IndexArray
    anchor_effect: FloatArray
    anchor_variance: FloatArray
    count: FloatArray
    spare: FloatArray
    leading: tuple[int, ...]

    @property
    def rows(self) -> int:
        """Number of analyses."""
        return self.effect.shape[0] if self.effect.ndim > 1 else 1

    def as_rows(self) -> Studies:
        """Return the same studies as a batch, of one row if need be; the answer keeps its shape."""
        if self.effect.ndim > 1:
            return self
        return self._mapped(lambda part: np.reshape(part, (1, *np.shape(part))), self.leading)

    def take(self, rows: IndexArray | slice) -> Studies:
        """Return the analyses of the given rows of a batch, in that order."""
        effect = self.effect[rows]
        return self._mapped(lambda part: part[rows], effect.shape[:1])

    def _mapped(self, function: Callable[[NDArray[Any]], NDArray[Any]], leading: tuple[int, ...]) -> Studies:
        return Studies(
            function(self.effect),
            function(self.variance),
            function(self.others),
            function(self.anchor),
            function(self.anchor_effect),
            function(self.anchor_variance),
            function(self.count),
            function(self.spare),
            leading,
        )

    def fold(self, values: ArrayLike) -> FloatArray:
        """Return one value an analysis in the shape of `count`."""
        if self.effect.ndim == 1:
            return scalar(float(values))  # type: ignore[arg-type]
        return np.broadcast_to(np.asarray(values, dtype=float), self.leading).reshape(self.rows)

    def unfold(self, answer: Answer) -> Answer:
        """Return a dataclass of one value an analysis with every value in the batch shape."""
        if self.effect.ndim == 1:
            return answer
        shaped = {field.name: getattr(answer, field.name).reshape(self.leading) for field in fields(answer)}
        return type(answer)(**shaped)

    def largest_variance(self) -> FloatArray:
        """Return the largest variance of each analysis."""
        others: FloatArray = (self.variance * self.others).max(axis=-1)
        return greater(others, self.anchor_variance)


def prepare(effect: ArrayLike, variance: ArrayLike, present: BoolArray | None = None) -> Studies:
    """Clean the input of the kernels.

    Parameters
    ----------
    effect, variance : array_like, shape (..., k)
        Effects and sampling variances; entries without a study may hold anything, NaN included.
    present : ndarray of bool, shape (..., k), optional
        Which studies take part; all of them when left out.

    Returns
    -------
    Studies

    Raises
    ------
    ValueError
        When an analysis has no study, or a study that is present has no finite effect or no positive
        finite variance. (The models check first and name the study; a kernel only refuses.)
    """
    y, v = np.asarray(effect, dtype=float), np.asarray(variance, dtype=float)
    here = None if present is None else np.asarray(present, dtype=bool)
    if not (y.shape == v.shape and y.ndim == 1 and here is None):
        y, v, here = _aligned(y, v, here)
    leading, k = y.shape[:-1], y.shape[-1]
    if k == 0:
        raise ValueError("an analysis needs at least one study")
    if y.ndim > 2:
        y, v = y.reshape(-1, k), v.reshape(-1, k)
        here = None if here is None else here.reshape(-1, k)
    count, spare = scalar(k), scalar(max(k - 1, 1))
    if here is None:
        others = np.empty_like(v)
        others.fill(1.0)
    else:
        others = here.astype(float)
        count = others.sum(axis=-1)
        spare = np.maximum(count - 1.0, 1.0)
        y, v = np.where(here, y, 0.0), np.where(here, v, np.inf)
    anchor = v.argmin(axis=-1)
    where = anchor if y.ndim == 1 else (np.arange(len(y)), anchor)
    anchor_effect, anchor_variance = y[where], v[where]
    if here is not None:
        v = np.where(here, v, 1.0)
    elif y.ndim > 1:
        count, spare = np.full(len(y), count), np.full(len(y), spare)
    with np.errstate(invalid="ignore", over="ignore"):
        sound = math.isfinite((y + v).sum() if y.ndim > 1 else (y + v).dot(others))
    if not (sound and _positive(anchor_variance) and (here is None or _positive(count))):
        raise ValueError(
            "every analysis needs a study, and every study a finite effect and positive variance"
        )
    y = y - column(anchor_effect)
    if here is not None:
        y *= here
    others[where] = 0.0
    return Studies(y, v, others, anchor, anchor_effect, anchor_variance, count, spare, leading)


def _positive(values: FloatArray) -> bool:
    """Say whether one value, or each of several, is above zero (and not NaN)."""
    return bool((values > 0).all() if isinstance(values, np.ndarray) else values > 0)


def _aligned(
    effect: FloatArray, variance: FloatArray, present: BoolArray | None
) -> tuple[FloatArray, FloatArray, BoolArray | None]:
    """Give all parts the same shape, each row contiguous in memory."""
    parts = (effect, variance) if present is None else (effect, variance, present)
    shape = np.broadcast_shapes(*(part.shape for part in parts))
    if not shape:
        raise ValueError("an analysis needs an axis of studies")
    y: FloatArray = np.ascontiguousarray(np.broadcast_to(effect, shape))
    v: FloatArray = np.ascontiguousarray(np.broadcast_to(variance, shape))
    return y, v, None if present is None else np.ascontiguousarray(np.broadcast_to(present, shape))


@dataclass(frozen=True, slots=True, eq=False)
class Weighted:
    """Weights 1 / (variance + tau2) and the weighted mean of each analysis.

    `others` holds the weights of all studies but the anchor (0 for the anchor and the absent), `anchor`
    the anchor's, `total` their sum. `mean` and `residual` are measured from the anchor's effect, so the
    anchor's own residual is minus `mean`. `tau2` is what was added to the variances.
    """

    tau2: FloatArray | float
    others: FloatArray
    anchor: FloatArray
    total: FloatArray
    others_total: FloatArray
    mean: FloatArray
    residual: FloatArray

    def squares(self) -> FloatArray:
        """Return the weighted sum of squared residuals, the generalised Q."""
        return dot(self.others * self.residual, self.residual) + self.anchor * self.mean * self.mean

    def contrast_total(self) -> FloatArray:
        """Return total weight minus (sum of squared weights / total weight), without cancellation.

        With W the sum of weights: W - sum(w^2)/W = W' + (w_anchor W' - sum(w'^2)) / W, where a prime
        leaves out the anchor; both terms are positive because the anchor's weight is the largest.
        """
        rest = self.others_total
        return rest + (self.anchor * rest - dot(self.others, self.others)) / self.total


def weigh(studies: Studies, tau2: FloatArray | float) -> Weighted:
    """Weight the studies by 1 / (variance + tau2); `tau2` is one number or has one a row."""
    others: FloatArray = studies.others / (studies.variance + column(tau2))
    return weighted(studies, others, 1.0 / (studies.anchor_variance + tau2), tau2)


def weighted(
    studies: Studies, others: FloatArray, anchor: FloatArray, tau2: FloatArray | float = 0.0
) -> Weighted:
    """Weight the studies as given: `others` has the shape of the effects and skips the anchor."""
    others_total = dot(others, studies.others)
    total = others_total + anchor
    mean = dot(others, studies.effect) / total
    return Weighted(tau2, others, anchor, total, others_total, mean, studies.effect - column(mean))


def study_shares(studies: Studies, weights: Weighted) -> FloatArray:
    """Return each study's weight as a fraction of the total, shape (..., k); 0 where absent."""
    shares = weights.others / weights.total[..., None]
    index = studies.anchor if shares.ndim == 1 else (np.arange(studies.rows), studies.anchor)
    shares[index] = weights.anchor / weights.total
    return shares.reshape(*studies.leading, -1)
