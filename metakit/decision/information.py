"""How much evidence would be enough: the optimal information size, and looks at cumulative evidence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.decision.absolute import AbsoluteDifference
from metakit.decision.thresholds import Thresholds
from metakit.errors import UsageError
from metakit.measures.registry import Measure
from metakit.numerics.sequential import spending_boundaries
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.rows import StudyNumbers

ALPHA = 0.05
POWER = 0.80
CONTESTED = (
    "Boundaries for cumulative evidence come from the monitoring of single trials. Authors of reviews do not "
    "control when trials are done or stop, so the Cochrane Handbook (chapter 22) does not ask for them "
    "in the main analysis; read them as a warning against early answers, not as a verdict."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class InformationSize:
    """What one adequately powered trial would need in both arms together, against what there is.

    `unit` is thumbs or thumb-years; `inputs` shows what the size was computed from. Thumbs are rounded up in
    each arm (Fleiss 2003), thumb-years in both together.
    """

    needed: float
    present: float
    unit: str
    inputs: str

    @property
    def met(self) -> bool:
        """Whether the studies together are at least as large."""
        return self.present >= self.needed

    @property
    def share(self) -> float:
        """Fraction of the size that is there."""
        return self.present / self.needed


def _reach(alpha: float, power: float) -> tuple[float, float]:
    if not (0 < alpha < 1 and 0 < power < 1):
        raise UsageError("alpha and power must lie between 0 and 1")
    return float(-special.ndtri(alpha / 2)), float(special.ndtri(power))


def _both_arms(one_arm: float) -> float:
    """Return twice the thumbs of one arm, which are whole: each arm is rounded up, not their sum."""
    return float(2 * np.ceil(one_arm))


def size_for_risks(first: float, second: float, *, alpha: float = ALPHA, power: float = POWER) -> float:
    """Return the thumbs in both arms together, each rounded up, that tell two risks apart.

    Parameters
    ----------
    first, second : float
        Risks as fractions; they must differ.
    alpha, power : float
        Two-sided error, and power.

    References
    ----------
    Fleiss JL, Levin B, Paik MC (2003). Statistical methods for rates and proportions, 3rd ed, eq. 4.14
    (without correction for continuity).

    Examples
    --------
    >>> size_for_risks(0.20, 0.15)
    1812.0
    """
    if first == second or not (0 <= first <= 1 and 0 <= second <= 1):
        raise UsageError("two different risks between 0 and 1 are needed")
    a, b = _reach(alpha, power)
    mean = (first + second) / 2
    root = a * np.sqrt(2 * mean * (1 - mean)) + b * np.sqrt(first * (1 - first) + second * (1 - second))
    return _both_arms((root / (first - second)) ** 2)


def size_for_means(difference: float, sd: float, *, alpha: float = ALPHA, power: float = POWER) -> float:
    """Return the thumbs in both arms together, each rounded up, that show a difference of means.

    Examples
    --------
    >>> size_for_means(5, 10)
    126.0
    """
    if difference == 0 or sd <= 0:
        raise UsageError("a difference other than 0 and a standard deviation above 0 are needed")
    a, b = _reach(alpha, power)
    return _both_arms(2 * ((a + b) * sd / difference) ** 2)


def size_for_rates(first: float, second: float, *, alpha: float = ALPHA, power: float = POWER) -> float:
    """Return the thumb-years in both arms together that tell two rates apart (normal approximation)."""
    if first == second or first < 0 or second < 0:
        raise UsageError("two different rates of at least 0 are needed")
    a, b = _reach(alpha, power)
    return float(np.ceil(2 * (a + b) ** 2 * (first + second) / (first - second) ** 2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One look at cumulative evidence: the fraction of the information, z, its boundary, and the answer.

    `information` beyond 1 means more than needed. `beyond` says that |z| is at or over the boundary.
    """

    study: str
    information: float
    z: float
    boundary: float
    beyond: bool


def looks(
    names: Sequence[str],
    estimates: Sequence[float],
    standard_errors: Sequence[float],
    *,
    smallest: float,
    null: float = 0.0,
    z: Sequence[float] | None = None,
    alpha: float = ALPHA,
    power: float = POWER,
) -> tuple[Look, ...]:
    """Hold cumulative estimates against boundaries that spend the error as information comes in.

    Parameters
    ----------
    names : sequence of str
        The study added at each look.
    estimates, standard_errors : sequence of float
        Cumulative mean, and its standard error, on the analysis scale.
    smallest : float
        The difference that matters, on the analysis scale, not 0.
    null : float
        No difference on that scale.
    z : sequence of float, optional
        Distance of each estimate from no difference in standard errors, where it is not the plain quotient.
    alpha, power : float
        Of the information that would be enough, ((z(alpha / 2) + z(power)) / smallest)^2.

    Returns
    -------
    tuple of Look
        A look that adds no information (the standard error grew as studies disagreed) takes the boundary of
        the look before it.

    References
    ----------
    Lan & DeMets (1983); Pogue JM, Yusuf S (1997). Control Clin Trials 18:580-593.
    """
    errors = np.asarray(standard_errors, dtype=float)
    if smallest == 0 or not (errors > 0).all():
        raise UsageError("a difference other than 0 and standard errors above 0 are needed")
    a, b = _reach(alpha, power)
    fraction = (smallest / ((a + b) * errors)) ** 2
    far = (np.asarray(estimates, dtype=float) - null) / errors if z is None else np.asarray(z, dtype=float)
    highest = np.maximum.accumulate(fraction)
    fresh = np.concatenate(([True], highest[1:] > highest[:-1] * (1 + 1e-9)))
    fresh &= np.concatenate(([True], highest[:-1] < 1))
    found = spending_boundaries(highest[fresh], alpha).boundary
    boundary = found[np.cumsum(fresh) - 1]
    return tuple(
        Look(
            study=name,
            information=float(fraction[i]),
            z=float(far[i]),
            boundary=float(boundary[i]),
            beyond=bool(abs(far[i]) >= boundary[i]),
        )
        for i, name in enumerate(names)
    )


def thumbs_of(study: StudyNumbers) -> float:
    """Return the thumbs behind a study: those analysed, else those of its arms."""
    found = 0.0
    for side in study.sides:
        found += side.numbers.get("total") or sum(part.arm.thumbs or 0 for part in side.arms)
    return found


def information_of(
    finding: AnalysisFinding,
    measure: Measure,
    main: AbsoluteDifference | None,
    thresholds: Thresholds | None,
) -> InformationSize | None:
    """Return the size of a trial that would show the smallest important difference."""
    if thresholds is None:
        return None
    smallest = thresholds.smallest
    tail = "two-sided error 5 %, power 80 %"
    whole = f"{tail}, each arm rounded up"
    if measure.name == "mean_difference":
        sd = typical_sd(finding.numbers)
        if sd is None:
            return None
        return InformationSize(
            needed=size_for_means(smallest, sd),
            present=sum(thumbs_of(study) for study in finding.numbers),
            unit="thumbs",
            inputs=f"difference {smallest:g}, standard deviation {sd:.3g} of the comparator arms, {whole}",
        )
    if main is None:
        return None
    base, step = main.baseline.value, smallest / 100
    other = base - step if base > step else base + step
    inputs = f"{100 * base:.3g} against {100 * other:.3g} {thresholds.unit}"
    if main.baseline.per_year:
        years = sum(side.numbers.get("time", 0.0) for study in finding.numbers for side in study.sides)
        return InformationSize(
            needed=size_for_rates(base, other), present=years, unit="thumb-years", inputs=f"{inputs}, {tail}"
        )
    if not 0 <= other <= 1:
        return None
    return InformationSize(
        needed=size_for_risks(base, other),
        present=sum(side.effective.get("total", 0.0) for study in finding.numbers for side in study.sides),
        unit="thumbs (after the design effect)",
        inputs=f"{inputs}, {whole}",
    )


def typical_sd(numbers: tuple[StudyNumbers, ...]) -> float | None:
    """Return the pooled standard deviation of the comparator arms."""
    rows = [study.sides[1].numbers for study in numbers if "sd" in study.sides[1].numbers]
    df = sum(row["total"] - 1 for row in rows)
    if df <= 0:
        return None
    return math.sqrt(sum((row["total"] - 1) * row["sd"] ** 2 for row in rows) / df)
