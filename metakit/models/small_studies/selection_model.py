"""Step-function selection model: the mean if the p value decided what was seen (Vevea & Hedges 1995)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import BoolArray, FloatArray
from metakit.core.limits import Limits, TestStatistic
from metakit.errors import ConvergenceError, NotEstimableError, UsageError
from metakit.models.small_studies.selection_result import SelectionModel, SelectionStep
from metakit.models.small_studies.small_study_adjustments import (
    SMALL_STUDY_ADJUSTMENTS,
    Adjustment,
    AdjustmentOptions,
    Side,
    stated_side,
)
from metakit.models.small_studies.trim_and_fill import missing_side
from metakit.numerics.selection_likelihood import SteppedStudies, log_likelihood, stepped

DEFAULT_CUTS = (0.025, 0.5)
"""One-sided p values: a two-sided 0.05 in the favoured direction, and the direction itself."""

FEW = 3
"""Fewer studies than this in an interval leave its weight to chance; the answer says so."""

FARTHEST = 10.0
"""A mean farther from all effects than this many times their spread is a ridge, not a maximum."""

CANNOT_TELL = (
    "Sensitivity analysis: the selection model takes it that the p value alone decided which studies were "
    "seen. It cannot tell that from other reasons why small studies differ, and with few studies its weights "
    "are little more than guesses."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    """A maximum: parameters (mean, tau2, log weights), those left free, the log-likelihood."""

    value: float
    parameters: FloatArray
    free: BoolArray


def selection_model(effect: FloatArray, variance: FloatArray, options: AdjustmentOptions) -> SelectionModel:
    """Fit the model by maximum likelihood.

    Parameters
    ----------
    effect, variance : ndarray, shape (k,)
    options : AdjustmentOptions
        `level`, `cut_points`, `favoured`.

    Raises
    ------
    UsageError
        For cut points that do not rise between 0 and 1, or an unknown side.
    NotEstimableError
        Where an interval asked for holds no study, or all studies lie in one.
    ConvergenceError
        Where the likelihood has no settled maximum.
    """
    leaning: Side = "higher" if missing_side(effect, variance) == "left" else "lower"
    favoured = stated_side(options) or leaning
    sign = -1.0 if favoured == "lower" else 1.0
    # A likelihood in units of the typical error: the answer then does not depend on the unit of the effects.
    unit = float(np.sqrt(np.median(variance)))
    y, v = sign * effect / unit, variance / unit**2
    cuts, notes = _cut_points(y, v, options.cut_points)
    studies = stepped(y, v, np.array(cuts))
    fixed = np.zeros(studies.steps + 2, dtype=bool)
    fixed[2] = True
    plain = _best(studies, np.r_[False, False, np.ones(studies.steps, dtype=bool)], ())
    full = _best(studies, fixed, (plain.parameters,))
    mean, tau2 = full.parameters[0], full.parameters[1]
    if abs(mean - np.median(y)) > FARTHEST * max(float(np.ptp(y)), 1.0):
        raise ConvergenceError(
            "selection model: the likelihood keeps rising far away from all studies; there is no settled "
            "mean. Fewer cut points may help"
        )
    error = _errors(studies, full)
    normal = float(special.ndtri((1 + options.level) / 2))
    profile = _profile(studies, fixed, full, float(error[0]), normal)
    if not all(map(math.isfinite, profile)):
        notes.append("The profile of the likelihood stays flat: one limit of the mean has no end.")
    if tau2 == 0:
        notes.append("tau² is estimated as zero, at the edge of what is possible.")

    def natural(lower: float, upper: float) -> Limits:
        ends = sorted((sign * unit * lower, sign * unit * upper))
        return Limits(ends[0], ends[1])

    drop = max(2 * (full.value - plain.value), 0.0)
    logs, log_errors = full.parameters[2:], error[2:]
    counts = studies.counts
    edges = (0.0, *cuts, 1.0)
    steps = tuple(
        SelectionStep(
            after=edges[n],
            until=edges[n + 1],
            studies=int(counts[n]),
            weight=math.exp(logs[n]),
            interval=None
            if n == 0
            else Limits(
                math.exp(logs[n] - normal * log_errors[n]), math.exp(logs[n] + normal * log_errors[n])
            ),
        )
        for n in range(studies.steps)
    )
    few = [f"{_p_words(step)}: {step.studies}" for step in steps if step.studies < FEW]
    if few:
        notes.append(
            f"Too few studies lie in an interval to say much about its weight ({'; '.join(few)}; at least "
            f"{FEW} are wanted)."
        )
    return SelectionModel(
        k=len(effect),
        level=options.level,
        estimate=sign * unit * float(mean),
        standard_error=unit * float(error[0]),
        interval=natural(*profile),
        cannot_tell=CANNOT_TELL,
        notes=tuple(notes),
        favoured=favoured,
        steps=steps,
        tau2=float(tau2) * unit**2,
        unadjusted=sign * unit * float(plain.parameters[0]),
        unadjusted_tau2=float(plain.parameters[1]) * unit**2,
        wald_interval=natural(float(mean - normal * error[0]), float(mean + normal * error[0])),
        log_likelihood=full.value - len(effect) * math.log(unit),
        selection=TestStatistic(
            value=drop, df=float(len(cuts)), p_value=float(special.chdtrc(len(cuts), drop))
        ),
    )


def _p_words(step: SelectionStep) -> str:
    return f"p up to {step.until:g}" if step.after == 0 else f"p above {step.after:g} up to {step.until:g}"


def _cut_points(
    effect: FloatArray, variance: FloatArray, asked: tuple[float, ...] | None
) -> tuple[tuple[float, ...], list[str]]:
    """Return cut points without an empty interval; those asked for are never changed in silence."""
    cuts = list(DEFAULT_CUTS if asked is None else asked)
    if not cuts or any(not 0 < cut < 1 for cut in cuts) or any(np.diff(cuts) <= 0):
        raise UsageError("cut points are one-sided p values that rise between 0 and 1, such as 0.025,0.5")
    dropped = []
    while cuts:
        counts = stepped(effect, variance, np.array(cuts)).counts
        empty = np.flatnonzero(counts == 0)
        if not empty.size:
            break
        place = int(empty[0])
        if asked is not None:
            edges = (0.0, *cuts, 1.0)
            raise NotEstimableError(
                f"selection model: no study has a one-sided p between {edges[place]:g} and "
                f"{edges[place + 1]:g}; its weight cannot be estimated. Choose cut points with studies in "
                "between"
            )
        dropped.append(cuts.pop(min(place, len(cuts) - 1)))
    if not cuts:
        raise NotEstimableError(
            "selection model: all studies lie in one interval of the p value; there is nothing to compare"
        )
    words = [
        f"The cut point {cut:g} was left out: an interval beside it holds no study, so that its weight "
        "cannot be estimated."
        for cut in dropped
    ]
    return tuple(cuts), words


def _best(studies: SteppedStudies, fixed: BoolArray, more: tuple[FloatArray, ...]) -> _Fit:
    """Maximise over what is free from several starts; `fixed` parameters stay 0."""
    y, v, steps = studies.effect, studies.variance, studies.steps
    spread = max(float(np.var(y) - np.mean(v)), 0.0)
    centre = float(np.sum(y / v) / np.sum(1 / v))
    starts = list(more)
    for mean in (centre, centre - 1.0, 0.0):
        for tau2 in (spread, 0.1 * spread + 0.05):
            for fall in (0.0, 1.0):
                logs = -fall * np.arange(steps, dtype=float)
                starts.append(np.concatenate(([mean, tau2], logs)))
    found = [_climb(studies, np.where(fixed, 0.0, start), fixed) for start in starts]
    settled = [fit for fit in found if fit is not None]
    if not settled:
        raise ConvergenceError("selection model: the likelihood did not settle; fewer cut points may help")
    return max(settled, key=lambda fit: fit.value)


def _climb(studies: SteppedStudies, start: FloatArray, fixed: BoolArray) -> _Fit | None:
    """Climb from one start, polish by Newton's steps, and check that the slopes are gone."""
    from scipy import optimize

    loose = ~fixed

    def down(part: FloatArray) -> tuple[float, FloatArray]:
        whole = start.copy()
        whole[loose] = part
        value, slopes = log_likelihood(studies, whole[0], whole[1], whole[2:])
        return -value, -slopes[loose]

    names = np.flatnonzero(loose)
    bounds = [(0.0, None) if name == 1 else (-30.0, 30.0) if name > 1 else (None, None) for name in names]
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        found = optimize.minimize(
            down,
            start[loose],
            jac=True,
            method="TNC",
            bounds=bounds,
            options={"maxfun": 1000, "ftol": 1e-12},
        )
    if not math.isfinite(float(found.fun)):
        return None
    whole = start.copy()
    whole[loose] = found.x
    free = loose.copy()
    if loose[1] and whole[1] <= 1e-9:
        whole[1], free[1] = 0.0, False
    for _ in range(20):
        slopes = log_likelihood(studies, whole[0], whole[1], whole[2:])[1]
        if np.max(np.abs(slopes[free]), initial=0.0) < 1e-10:
            break
        curvature = _curvature(studies, whole, free)
        try:
            step = np.linalg.solve(curvature, slopes[free])
        except np.linalg.LinAlgError:
            return None
        trial = whole.copy()
        trial[free] += step
        if not np.all(np.isfinite(trial)) or trial[1] < 0:
            break
        if log_likelihood(studies, trial[0], trial[1], trial[2:])[0] < -float(found.fun) - 1e-9:
            break
        whole = trial
    value, slopes = log_likelihood(studies, whole[0], whole[1], whole[2:])
    at_edge = bool(loose[1] and not free[1])
    if np.max(np.abs(slopes[free]), initial=0.0) > 1e-5 or (at_edge and slopes[1] > 1e-6):
        return None
    if np.any(np.abs(whole[2:]) >= 29.9):
        return None
    return _Fit(value=value, parameters=whole, free=free)


def _curvature(studies: SteppedStudies, whole: FloatArray, free: BoolArray) -> FloatArray:
    """Return minus the second slopes over the free parameters, by differences of the exact slopes.

    Four points: with two, the error of a mean known to a hundredth of the unit had only 8 digits right.
    """
    names = np.flatnonzero(free)
    matrix = np.empty((len(names), len(names)))
    for row, name in enumerate(names):
        step = 1e-4 * max(1.0, abs(float(whole[name])))
        if name == 1:
            step = min(step, 0.25 * float(whole[1]))
        sides = {}
        for turn in (-2, -1, 1, 2):
            moved = whole.copy()
            moved[name] += turn * step
            sides[turn] = log_likelihood(studies, moved[0], moved[1], moved[2:])[1][free]
        matrix[row] = (8 * (sides[-1] - sides[1]) - (sides[-2] - sides[2])) / (12 * step)
    return 0.5 * (matrix + matrix.T)


def _errors(studies: SteppedStudies, fit: _Fit) -> FloatArray:
    """Return standard errors of all parameters from the curvature, zero for those that are fixed."""
    curvature = _curvature(studies, fit.parameters, fit.free)
    if np.min(np.linalg.eigvalsh(curvature)) <= 1e-10:
        raise ConvergenceError(
            "selection model: the likelihood is flat at its top, so mean and weights cannot be told apart; "
            "fewer cut points may help"
        )
    errors = np.zeros(len(fit.parameters))
    errors[fit.free] = np.sqrt(np.diag(np.linalg.inv(curvature)))
    return errors


def _profile(
    studies: SteppedStudies, fixed: BoolArray, full: _Fit, error: float, normal: float
) -> tuple[float, float]:
    """Return where the likelihood maximised over all but the mean has fallen by half a squared quantile."""
    held = fixed.copy()
    held[0] = True
    start = full.parameters.copy()

    def fall(mean: float) -> float:
        best: _Fit | None = None
        for begin in (start, np.r_[0.0, max(float(full.parameters[1]), 0.1), np.zeros(studies.steps)]):
            moved = begin.copy()
            moved[0] = mean
            best = _climb(studies, moved, held)
            if best is not None:
                break
        if best is None:
            raise ConvergenceError(
                "selection model: the profile of the likelihood did not settle; fewer cut points may help"
            )
        start[1:] = best.parameters[1:]
        return 2 * (full.value - best.value) - normal**2

    return _end(fall, float(full.parameters[0]), -error), _end(fall, float(full.parameters[0]), error)


def _end(fall: Callable[[float], float], top: float, step: float) -> float:
    from scipy import optimize

    near, far = top, top + 2 * step
    for _ in range(12):
        if fall(far) > 0:
            return float(optimize.brentq(fall, near, far, xtol=1e-9, rtol=1e-10))
        near, far = far, far + 2 * (far - near)
        if abs(far - top) > 200 * abs(step):
            break
    return math.copysign(math.inf, step)


SMALL_STUDY_ADJUSTMENTS.add(
    Adjustment(
        name="selection_model",
        label=SelectionModel.label,
        compute=selection_model,
        references=("vevea_hedges_1995",),
    )
)
