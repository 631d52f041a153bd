"""Node-splitting of many comparisons at once.

Every split adds one column to the same regression, so that at one tau2 all splits follow from one factorisation. tau2
of the splits differ, but each quantity is analytic in tau2 to the right of -2 min(variance): it is computed at a
few Chebyshev points of each stretch of tau2 in which splits end up, and interpolated. In a stretch of log tau2 of
length 1.0 the nearest singularity is at least pi/2 off the axis, so that 20 points leave an error below 1e-15.
"""  # noqa: E501

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from metakit.core.effects import BoolArray, FloatArray
from metakit.errors import ConvergenceError
from metakit.networks.arms import NetworkArms
from metakit.networks.model import SCAN, estimate_tau2, membership
from metakit.numerics.networks import arm_regression as kernel
from metakit.numerics.posteriors.spread_integral import start_edges
from metakit.numerics.quadrature import adapt_panels, panel_rule

POINTS = 20
BISECTIONS = 60


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SplitEstimates:
    """Direct against indirect evidence of S comparisons; arrays of shape (S,).

    `splittable` is False where there is no indirect evidence; the numbers are 0 there. `covariance` is that
    of the indirect estimate with the difference (direct minus indirect).
    """

    splittable: BoolArray
    tau2: FloatArray
    indirect: FloatArray
    indirect_variance: FloatArray
    difference: FloatArray
    difference_variance: FloatArray
    covariance: FloatArray


FIELDS = ("score", "difference", "difference_variance", "indirect", "indirect_variance", "covariance")


class _Splits:
    """The regression with its split columns, to be evaluated at any tau2."""

    def __init__(self, arms: NetworkArms, pairs: Sequence[tuple[str, str]]) -> None:
        self.arms = arms
        self.study = arms.study_index
        x = membership(arms, arms.techniques)
        basis = kernel.estimable_basis(x, self.study)
        self.x = x @ basis
        place = {name: number for number, name in enumerate(arms.techniques)}
        rows = np.array([basis[place[one]] - basis[place[two]] for one, two in pairs])
        self.contrast = rows.T if len(pairs) else np.zeros((basis.shape[1], 0))
        self.columns = _side_columns(arms, pairs)
        self.of_study = sparse.csr_array((np.ones(len(self.study)), (np.arange(len(self.study)), self.study)))

    def at(self, tau2: float) -> Mapping[str, FloatArray]:
        """Return score, estimates and their variances of every split at one tau2."""
        arms = self.arms
        part = kernel.centre(self.x, self.study, arms.value, arms.variance, tau2)
        weight = sparse.diags_array(part.weight)
        weighted = part.weight[:, None] * part.x
        inverse = np.linalg.inv(part.x.T @ weighted)
        beta = inverse @ (weighted.T @ part.y)
        residual = part.weight * (part.y - part.x @ beta)
        own = weight @ self.columns
        mean = sparse.diags_array(1.0 / part.total) @ (self.of_study.T @ own)
        own = sparse.csr_array(own - weight @ (self.of_study @ mean))
        cross = (own.T @ part.x).T
        along = inverse @ cross
        size = np.asarray(self.columns.multiply(own).sum(axis=0)) - np.sum(cross * along, axis=0)
        pull = self.columns.T @ residual
        squares = weighted.T @ weighted
        own_square = np.asarray(own.multiply(own).sum(axis=0))
        length = (
            own_square
            - 2 * np.sum((own.T @ weighted).T * along, axis=0)
            + np.sum(along * (squares @ along), axis=0)
        )
        turn = own.T @ residual - along.T @ (weighted.T @ residual)
        safe = np.where(size > 1e-300, size, 1.0)  # nothing of an unsplittable column is left; it is masked
        step = pull / safe
        square = float(residual @ residual) - 2 * step * turn + step**2 * length
        squared_weight = np.add.reduceat(part.weight**2, kernel.starts_of(self.study))
        within = float(np.sum(part.weight) - np.sum(squared_weight / part.total))
        trace = within - float(np.sum(inverse * squares)) - length / safe
        loading = np.sum(self.contrast * along, axis=0)
        known = np.sum(self.contrast * (inverse @ self.contrast), axis=0)
        q = float(residual @ (part.y - part.x @ beta)) - pull * step
        return {
            "score": 0.5 * (square - trace),
            "difference": step,
            "difference_variance": 1.0 / safe,
            "indirect": self.contrast.T @ beta - loading * step,
            "indirect_variance": known + loading**2 / safe,
            "covariance": -loading / safe,
            "q": q,
            "trace": trace,
            "log_likelihood": -0.5
            * (
                float(np.sum(np.log(part.total)) - np.sum(np.log(part.weight)))
                - float(np.linalg.slogdet(inverse)[1])
                + np.log(safe)
                + q
            ),
        }


def split_estimates(
    arms: NetworkArms, pairs: Sequence[tuple[str, str]], *, estimator: str | None
) -> SplitEstimates:
    """Split every pair of one connected part.

    Parameters
    ----------
    arms : NetworkArms
    pairs : sequence of (technique, comparator)
        Directly compared pairs.
    estimator : {"reml", "dersimonian_laird"} or None
        Of each split's own tau2; None for the common effect.

    Raises
    ------
    ConvergenceError
        If a split's restricted likelihood has no maximum in reach.
    """
    splits = _Splits(arms, pairs)
    count = len(pairs)
    if count == 0:
        nothing = np.zeros(0)
        return SplitEstimates(
            splittable=np.zeros(0, dtype=bool), tau2=nothing, indirect=nothing, indirect_variance=nothing,
            difference=nothing, difference_variance=nothing, covariance=nothing,
        )  # fmt: skip
    start = splits.at(0.0)
    splittable = _splittable(arms, splits)
    df = len(arms.study) - len(arms.studies) - splits.x.shape[1] - 1
    found = {name: np.where(splittable, start[name], 0.0) for name in FIELDS[1:]}
    tau2 = np.zeros(count)
    if estimator is None or df <= 0 or not splittable.any():
        return _answer(splittable, tau2, found)
    if estimator == "dersimonian_laird":
        with np.errstate(divide="ignore", invalid="ignore"):
            raw = np.where(start["trace"] > 0, 2.0 * (start["q"] - df) / start["trace"], 0.0)
        tau2 = np.where(splittable, np.maximum(raw, 0.0), 0.0)
        scale = float(np.max(tau2)) or 1.0
        for cell in np.unique(_cells(tau2[tau2 > 0], scale)):
            rows = np.flatnonzero((tau2 > 0) & (_cells(tau2, scale) == cell))
            _fill(found, splits, rows, tau2, (scale * np.exp(cell), scale * np.exp(cell + 1)))
        return _answer(splittable, tau2, found)
    fit = kernel.fit_arms(splits.x, splits.study, arms.value, arms.variance)
    base, _ = kernel.moment_tau2(fit.q, fit.df, fit.residual_trace)
    scale = max(base, float(np.median(arms.variance)))
    grid = scale * SCAN
    scores = np.array([splits.at(float(point))["score"] if point else start["score"] for point in grid])
    turns = (scores[:-1] > 0) & (scores[1:] <= 0)
    peaks = turns.sum(axis=0) + (scores[0] <= 0)
    if np.any(splittable & (peaks == 0)):
        raise ConvergenceError(
            "tau2 of a split comparison by restricted maximum likelihood grows without bound; try "
            "dersimonian_laird"
        )
    cell_of = np.argmax(turns, axis=0)
    single = splittable & (peaks == 1) & (scores[0] > 0)
    smooth = float(np.min(arms.variance)) > grid[1]
    for cell in np.unique(cell_of[single]):
        rows = np.flatnonzero(single & (cell_of == cell))
        if cell == 0 and not smooth:
            _one_by_one(found, splits, rows, tau2, estimator)
        else:
            _fill(found, splits, rows, tau2, (float(grid[cell]), float(grid[cell + 1])), solve=True)
    _one_by_one(found, splits, np.flatnonzero(splittable & (peaks > 1)), tau2, estimator)
    return _answer(splittable, tau2, found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SplitPosteriors:
    """Direct against indirect evidence of S comparisons, each with its own posterior of tau.

    `rows` are the places of the S pairs that can be split among those asked for; `tau` (J,); `weight` (S, J)
    adds up to 1 for each; `tables` hold `FIELDS` at each tau, shape (S, J).
    """

    rows: np.ndarray
    tau: FloatArray
    weight: FloatArray
    tables: Mapping[str, FloatArray]


def split_posteriors(arms: NetworkArms, pairs: Sequence[tuple[str, str]], *, scale: float) -> SplitPosteriors:
    """Split every pair of one connected part, the spread of each split integrated over a half-normal prior.

    Parameters
    ----------
    arms : NetworkArms
    pairs : sequence of (technique, comparator)
        Directly compared pairs.
    scale : float
        Of the prior of tau.
    """
    splits = _Splits(arms, pairs)
    rows = np.flatnonzero(_splittable(arms, splits)) if len(pairs) else np.zeros(0, dtype=np.intp)
    if not rows.size:
        empty = np.zeros((0, 0))
        return SplitPosteriors(
            rows=rows, tau=np.zeros(0), weight=empty, tables=dict.fromkeys(FIELDS[1:], empty)
        )
    known: dict[float, Mapping[str, FloatArray]] = {}

    def log_density(tau: FloatArray) -> FloatArray:
        for value in tau.tolist():
            if value not in known:
                known[value] = splits.at(value**2)
        likelihood = np.array([known[value]["log_likelihood"][rows] for value in tau.tolist()])
        return np.asarray((likelihood - 0.5 * (tau[:, None] / scale) ** 2).T)

    edges = start_edges(scale, float(np.sqrt(2.0 * np.min(arms.variance))))
    peak = log_density(panel_rule(edges[:-1], edges[1:])[0].ravel()).max(axis=1, keepdims=True)

    def heights(tau: FloatArray) -> FloatArray:
        each = np.exp(log_density(tau) - peak)
        each /= len(rows)
        return np.concatenate((each.sum(axis=0, keepdims=True), each))

    panels = adapt_panels(heights, edges, tolerance=1e-11)
    tau = panels.points.ravel()
    weight = heights(tau)[1:] * panels.weights.ravel()
    weight /= weight.sum(axis=1, keepdims=True)
    tables = {name: np.array([known[value][name][rows] for value in tau.tolist()]).T for name in FIELDS[1:]}
    return SplitPosteriors(rows=rows, tau=tau, weight=weight, tables=tables)


def indirect_evidence(arms: NetworkArms, pairs: Sequence[tuple[str, str]]) -> BoolArray:
    """Say which directly compared pairs of one connected part also have indirect evidence, shape (pairs,)."""
    return _splittable(arms, _Splits(arms, pairs)) if len(pairs) else np.zeros(0, dtype=bool)


def _cells(tau2: FloatArray, scale: float) -> FloatArray:
    """Return the number of each tau2's stretch: powers of e below `scale`."""
    with np.errstate(divide="ignore"):
        return np.asarray(np.floor(np.log(np.maximum(tau2, 1e-300) / scale)))


def _fill(
    found: dict[str, FloatArray], splits: _Splits, rows: np.ndarray, tau2: FloatArray,
    ends: tuple[float, float], *, solve: bool = False,
) -> None:  # fmt: skip
    """Interpolate some splits in one stretch of tau2; with `solve`, find each root of the score first."""
    low, high = ends
    angle = np.pi * (2 * np.arange(POINTS) + 1) / (2 * POINTS)
    nodes, alternating = np.cos(angle), np.sin(angle) * (-1.0) ** np.arange(POINTS)
    log = low > 0
    first, last = (np.log(low), np.log(high)) if log else (low, high)
    middle, half = (first + last) / 2, (last - first) / 2
    points = np.exp(middle + half * nodes) if log else middle + half * nodes
    tables = [splits.at(float(point)) for point in points]

    def value(name: str, where: FloatArray) -> FloatArray:
        table = np.array([entry[name][rows] for entry in tables]).T
        gap = where[:, None] - nodes
        exact = gap == 0
        weights = alternating / np.where(exact, 1.0, gap)
        weights = np.where(exact.any(axis=1, keepdims=True), exact, weights)
        return np.asarray((weights * table).sum(axis=1) / weights.sum(axis=1))

    if solve:
        left, right = -np.ones(len(rows)), np.ones(len(rows))
        for _ in range(BISECTIONS):
            centre = (left + right) / 2
            rising = value("score", centre) > 0
            left, right = np.where(rising, centre, left), np.where(rising, right, centre)
        where = (left + right) / 2
        tau2[rows] = np.exp(middle + half * where) if log else middle + half * where
    else:
        where = ((np.log(tau2[rows]) if log else tau2[rows]) - middle) / half
    for name in FIELDS[1:]:
        found[name][rows] = value(name, where)


def _one_by_one(
    found: dict[str, FloatArray], splits: _Splits, rows: np.ndarray, tau2: FloatArray, estimator: str
) -> None:
    """Estimate tau2 of some splits alone: where the likelihood has several maxima, or variances near zero."""
    for row in rows:
        column = splits.columns[:, [row]].toarray()
        wide = np.column_stack((splits.x, column))
        tau2[row] = estimate_tau2(wide, splits.arms, estimator)[0]
        point = splits.at(float(tau2[row]))
        for name in FIELDS[1:]:
            found[name][row] = point[name][row]


def _answer(splittable: BoolArray, tau2: FloatArray, found: Mapping[str, FloatArray]) -> SplitEstimates:
    return SplitEstimates(
        splittable=splittable,
        tau2=tau2,
        **{name: np.where(splittable, found[name], 0.0) for name in FIELDS[1:]},
    )


def _splittable(arms: NetworkArms, splits: _Splits) -> BoolArray:
    """Say which columns are not sums of the others, at equal weights: weights do not matter for this."""
    flat = kernel.centre(splits.x, splits.study, arms.value, np.ones(len(arms.study)), 0.0)
    inverse = np.linalg.inv(flat.x.T @ flat.x)
    mean = sparse.diags_array(1.0 / flat.total) @ (splits.of_study.T @ splits.columns)
    own = sparse.csr_array(splits.columns - splits.of_study @ mean)
    cross = (own.T @ flat.x).T
    whole = np.asarray(own.multiply(own).sum(axis=0))
    left = whole - np.sum(cross * (inverse @ cross), axis=0)
    return np.asarray(left > kernel.RANK_TOLERANCE * whole)


def _side_columns(arms: NetworkArms, pairs: Sequence[tuple[str, str]]) -> sparse.csr_array:
    """Return a column a pair: half for its technique, minus half for its comparator, in studies with both."""
    number = {pair: place for place, pair in enumerate(pairs)}
    rows: dict[str, list[int]] = {}
    for row, study in enumerate(arms.study):
        rows.setdefault(study, []).append(row)
    where: list[tuple[int, int, float]] = []
    for members in rows.values():
        for i in members:
            for j in members:
                pair = (arms.technique[i], arms.technique[j])
                if pair in number:
                    where += [(i, number[pair], 0.5), (j, number[pair], -0.5)]
    index = np.array([(row, column) for row, column, _ in where], dtype=np.intp).reshape(-1, 2)
    data = np.array([value for *_, value in where])
    return sparse.csr_array((data, (index[:, 0], index[:, 1])), shape=(len(arms.study), len(pairs)))
