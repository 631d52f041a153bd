"""Ready contrasts turned into arm values, so that one model serves both kinds of table.

A study of two techniques gives its contrast to one arm and half the variance to each: any split gives the
same estimates. A study of three or more must give every pair: the variances of its arms follow from those
of its contrasts (v_i + v_j), by least squares; contrasts that contradict each other are refused.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from metakit.core.effects import FloatArray
from metakit.errors import DataError, Problem
from metakit.networks.arms import NetworkArms

# Contrasts of one study may be rounded to three digits in print: closing the loop within 2 % of the largest
# standard error is rounding, beyond it is a contradiction (common practice, no source).
CLOSING = 0.02


def arms_from_contrasts(
    measure: str,
    study: Sequence[str],
    technique_1: Sequence[str],
    technique_2: Sequence[str],
    effect: Sequence[float],
    standard_error: Sequence[float],
    *,
    file: str = "table",
) -> NetworkArms:
    """Make network arms from contrasts; `effect` is technique 1 against technique 2.

    Raises
    ------
    DataError
        With every row or study that cannot be used: an error that is not positive, a technique against
        itself, a pair given twice or not at all, contrasts or variances of one study that contradict each
        other.
    """
    problems = []
    rows: dict[str, list[int]] = {}
    for row, name in enumerate(study):
        rows.setdefault(name, []).append(row)
        if not (np.isfinite(effect[row]) and np.isfinite(standard_error[row]) and standard_error[row] > 0):
            found = f"effect {effect[row]:g}, standard error {standard_error[row]:g}"
            allowed = "numbers, the error above 0"
            problems.append(_problem(file, row, name, "impossible contrast", found, allowed))
        if technique_1[row] == technique_2[row]:
            what = "a technique against itself"
            problems.append(_problem(file, row, name, what, technique_1[row], "two techniques"))
    if problems:
        raise DataError(problems)
    arms: list[tuple[str, str, float, float]] = []
    for name, members in rows.items():
        solved = _solve(
            name,
            [technique_1[row] for row in members],
            [technique_2[row] for row in members],
            np.array([effect[row] for row in members], dtype=float),
            np.array([standard_error[row] for row in members], dtype=float),
        )
        if isinstance(solved, str):
            allowed = "every pair of its techniques, once"
            problems.append(_problem(file, members[0], name, solved, "", allowed))
        else:
            arms += [(name, *arm) for arm in solved]
    if problems:
        raise DataError(problems)
    return NetworkArms(
        measure=measure,
        study=tuple(arm[0] for arm in arms),
        technique=tuple(arm[1] for arm in arms),
        value=np.array([arm[2] for arm in arms]),
        variance=np.array([arm[3] for arm in arms]),
        thumbs=np.full(len(arms), np.nan),
        data={},
    )


def _solve(
    study: str, one: Sequence[str], two: Sequence[str], effect: FloatArray, error: FloatArray
) -> list[tuple[str, float, float]] | str:
    techniques = sorted({*one, *two})
    count = len(techniques)
    pairs = {frozenset(pair) for pair in zip(one, two, strict=True)}
    if len(pairs) < len(one):
        return "gives one pair of techniques twice"
    if len(pairs) < count * (count - 1) // 2:
        return f"compares {count} techniques but gives {len(pairs)} of {count * (count - 1) // 2} contrasts"
    if count == 2:
        return [(one[0], float(effect[0]), float(error[0] ** 2) / 2), (two[0], 0.0, float(error[0] ** 2) / 2)]
    place = {name: number for number, name in enumerate(techniques)}
    signs, sums = np.zeros((len(one), count)), np.zeros((len(one), count))
    for row, (first, second) in enumerate(zip(one, two, strict=True)):
        signs[row, place[first]], signs[row, place[second]] = 1.0, -1.0
        sums[row, place[first]] = sums[row, place[second]] = 1.0
    value = np.linalg.lstsq(signs, effect, rcond=None)[0]
    if np.max(np.abs(signs @ value - effect)) > CLOSING * float(np.max(error)):
        return "gives contrasts that contradict each other (they do not add up round the loop)"
    variance = np.linalg.lstsq(sums, error**2, rcond=None)[0]
    misfit = float(np.max(np.abs(sums @ variance - error**2)))
    if np.min(variance) <= 0 or misfit > 2 * CLOSING * float(np.max(error**2)):
        return "gives standard errors that cannot belong to arms with variances of their own"
    return [(name, float(value[n]), float(variance[n])) for n, name in enumerate(techniques)]


def _problem(file: str, row: int, study: str, what: str, found: str, allowed: str) -> Problem:
    return Problem(file=file, line=row + 2, what=f"{study}: {what}", found=found, allowed=allowed)
