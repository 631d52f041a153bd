"""One-stage binomial network: the likelihood of the counts themselves, as a check where events are sparse.

Study intercepts are parameters, techniques are compared within studies, and effects differ between studies by
tau (the usual correlation of 1/2 between contrasts that share an arm) or not at all. Sources: Dias 2013
(NICE Technical Support Document 2, the likelihood), Jackson 2018 (symmetric coding of the random effects).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from metakit.core.effects import BoolArray
from metakit.core.notes import SetAside
from metakit.errors import ConvergenceError, NotEstimableError
from metakit.networks.arms import NetworkArms
from metakit.networks.model import NetworkPart, membership
from metakit.numerics.networks.network_one_stage import ArmGroup, OneStageFit, fit_one_stage

NAME = "one_stage"
COMMON = "one_stage_common_effect"

CHECK = (
    "One-stage binomial network: a check of the estimates where events are sparse. Direct and indirect "
    "evidence are not set against each other here; see the two-stage models for that."
)


SOLVED = 1e-7
"""Movement along a direction of length 1 below which a linear programme's answer is rounding."""

ALONE = "no events, or no second arm, once separated arms are out"


def arm_groups(arms: NetworkArms) -> list[ArmGroup]:
    """Return the studies by their number of arms; columns are the techniques but the last."""
    x = membership(arms, arms.techniques)[:, :-1]
    rows: dict[str, list[int]] = {}
    for row, study in enumerate(arms.study):
        rows.setdefault(study, []).append(row)
    by_size: dict[int, list[tuple[int, list[int]]]] = {}
    for number, members in enumerate(rows.values()):
        by_size.setdefault(len(members), []).append((number, members))
    groups = []
    for size in sorted(by_size):
        index = np.array([members for _, members in by_size[size]])
        groups.append(
            ArmGroup(
                index=np.array([number for number, _ in by_size[size]], dtype=np.intp),
                events=arms.data["events"][index],
                total=arms.data["total"][index],
                x=x[index],
            )
        )
    return groups


def separated_arms(arms: NetworkArms) -> BoolArray:
    """Say which arms some direction of the parameters predicts perfectly.

    Along such a direction the likelihood rises for ever: it has no maximum (Albert & Anderson 1984). Found
    by linear programming: an arm without events may only fall along it, one with nothing but events only
    rise, any other must stay.
    """
    from scipy import optimize

    events, total = arms.data["events"], arms.data["total"]
    studies, techniques = arms.studies, arms.techniques
    design = np.zeros((len(arms.study), len(studies) + len(techniques)))
    design[np.arange(len(arms.study)), arms.study_index] = 1.0
    design[:, len(studies) :] = membership(arms, techniques)
    sign = np.where(events == 0, -1.0, np.where(events == total, 1.0, 0.0))
    mixed = sign == 0
    gain = sign[:, None] * design
    found = optimize.linprog(
        -gain[~mixed].sum(axis=0),
        A_ub=-gain[~mixed],
        b_ub=np.zeros(int((~mixed).sum())),
        A_eq=design[mixed],
        b_eq=np.zeros(int(mixed.sum())),
        bounds=(-1, 1),
        method="highs",
    )
    if found.x is None:
        raise ConvergenceError(f"the search for separated arms failed: {found.message}")
    return np.asarray(np.abs(design @ found.x) > SOLVED)


def without_separated(arms: NetworkArms) -> NetworkArms:
    """Leave out what the likelihood cannot hold at finite values, each by name.

    An arm that is predicted perfectly at the end of such a direction tells nothing about the other effects:
    without it they are what they would be there.

    Raises
    ------
    NotEstimableError
        If nothing is left.
    """
    aside: dict[str, list[str]] = {}
    left = arms
    while True:
        gone = separated_arms(left)
        if gone.any():
            for row in np.flatnonzero(gone):
                study, technique = left.study[row], left.technique[row]
                what = "no events" if left.data["events"][row] == 0 else "nothing but events"
                aside.setdefault(study, []).append(
                    f"{technique} ({what}) is separated from the techniques beside it: its odds ratio "
                    "against them has no finite estimate"
                )
            left = left.select(~gone)
        lonely = _uninformative(left)
        for row in np.flatnonzero(lonely):
            aside.setdefault(left.study[row], [])
        if not gone.any() and not lonely.any():
            break
        left = left.select(~lonely)
        if not left.study:
            break
    items = tuple(
        SetAside(study=study, reason="; ".join(reasons) or ALONE) for study, reasons in aside.items()
    )
    if not left.study:
        said = "; ".join(f"{item.study}: {item.reason}" for item in items)
        raise NotEstimableError(f"no odds ratio of this network has a finite estimate ({said})")
    return replace(left, set_aside=(*arms.set_aside, *items))


def _uninformative(arms: NetworkArms) -> BoolArray:
    """Say which arms stand in a study with one arm, without events, or with nothing but events."""
    study = arms.study_index
    size = np.bincount(study)
    events = np.bincount(study, arms.data["events"])
    total = np.bincount(study, arms.data["total"])
    return np.asarray(((size < 2) | (events == 0) | (events == total))[study])


def fit_part_one_stage(arms: NetworkArms, *, heterogeneous: bool, level: float = 0.95) -> NetworkPart:
    """Fit one connected part without separated arms.

    Raises
    ------
    ConvergenceError
        If the likelihood has no maximum in reach.
    """
    techniques = arms.techniques
    several = len(arms.study) - len(arms.studies) > len(techniques) - 1
    fit = fit_one_stage(arm_groups(arms), heterogeneous=heterogeneous and several)
    if not fit.converged:
        raise ConvergenceError(
            "the one-stage likelihood of this network did not settle at a maximum; try mantel_haenszel"
        )
    size = len(techniques)
    widen = np.vstack((np.eye(size - 1), np.zeros((1, size - 1))))
    centre = (np.eye(size) - 1.0 / size) @ widen
    return NetworkPart(
        arms=arms,
        techniques=techniques,
        model=NAME if heterogeneous else COMMON,
        tau2_estimator="maximum_likelihood" if heterogeneous else "",
        tau2=fit.tau**2,
        truncated=heterogeneous and fit.tau == 0.0,
        level=level,
        effects=centre @ fit.beta,
        covariance=np.asarray(centre @ fit.covariance @ centre.T),
        q=None,
        df=len(arms.study) - len(arms.studies) - (size - 1),
        notes=_words(fit),
    )


def _words(fit: OneStageFit) -> tuple[str, ...]:
    notes = [CHECK]
    if fit.laplace:
        notes.append(
            "A study has more than six arms: its integral is by Laplace's approximation, whose error is not "
            "known."
        )
    elif fit.tau > 0:
        notes.append(
            "The integrals are by adaptive Gauss-Hermite quadrature; the last finer rule moved the "
            f"log-likelihood by less than {max(2 * fit.change, 1e-9):.0e}."
        )
    return tuple(notes)
