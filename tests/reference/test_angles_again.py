"""A second reference for MP angles: written from the published formulas alone, before its author saw kernel or oracle.

The first oracle's author had read the kernels. Here no quantile is computed: the limits that records lead to are put into a
distribution function of their own, which must give the probability they stand for. Sources: Cochrane Handbook 6.5.2.8 (standard
deviation of a change), Friede 2017 and Rover 2021 (half-normal spread), Jeffreys' density of a proportion. Data: the invented
records of certified/mp_angles.json; of its answers none is used.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from itertools import product
from typing import Any

import numpy as np
import pytest
from mpmath import mp, mpf
from scipy import special
from test_certified_angles import BANDS, CHANGES, LIMIT_IDS, OVERLAPS, band_of, changes_of, entries

from metakit.core.results import PoolResult
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.returning.mp_angles import angle_findings
from metakit.synthesis.returning.mp_limits import over_limit
from tests.unit.synthesis.invented import arm, series

TAILS = (0.025, 0.5, 0.975)
SAME = 1e-10
"""Probability by which a limit may be off: nine digits of the width of an interval, whose tails rise by 0.1 a width."""


# --- paired change: one integral over tau, 30 digits ---------------------------------------------------------------------


class Change:
    """Distribution functions of mean change, change in a new centre, and tau."""

    def __init__(self, rows: Sequence[Sequence[Any]], correlation: str) -> None:
        r = mpf(correlation)
        self.change = [mpf(after) - mpf(before) for before, _, after, _, _ in rows]
        self.deviation = [
            mp.sqrt(mpf(one) ** 2 + mpf(two) ** 2 - 2 * r * mpf(one) * mpf(two)) for _, one, _, two, _ in rows
        ]
        n = [mpf(row[-1]) for row in rows]
        self.variance = [d**2 / k for d, k in zip(self.deviation, n, strict=True)]
        squares = mp.fsum((k - 1) * d**2 for d, k in zip(self.deviation, n, strict=True))
        self.scale = mp.sqrt(squares / mp.fsum(k - 1 for k in n)) / 2
        self.ends = [self.scale * mpf(end) for end in ("0", "0.25", "0.5", "1", "1.75", "3", "5", "8", "13")]
        self.total = self.integral(lambda tau: mpf(1))

    def weigh(self, tau: Any) -> tuple[Any, Any, Any]:
        """Return height of the posterior of tau, mean and variance of the mean change given tau."""
        w = [1 / (v + tau**2) for v in self.variance]
        whole = mp.fsum(w)
        mean = mp.fsum(a * y for a, y in zip(w, self.change, strict=True)) / whole
        rest = mp.fsum(a * (y - mean) ** 2 for a, y in zip(w, self.change, strict=True))
        height = mp.sqrt(mp.fprod(w) / whole) * mp.exp(-(rest + (tau / self.scale) ** 2) / 2)
        return height, mean, 1 / whole

    def integral(self, of: Any, ends: Sequence[Any] | None = None) -> Any:
        return mp.quad(lambda tau: self.weigh(tau)[0] * of(tau), ends or self.ends, method="gauss-legendre")

    def below(self, x: float, *, new_centre: bool = False) -> float:
        def share(tau: Any) -> Any:
            _, mean, variance = self.weigh(tau)
            return mp.ncdf((mpf(x) - mean) / mp.sqrt(variance + (tau**2 if new_centre else 0)))

        return float(self.integral(share) / self.total)

    def tau_below(self, x: float) -> float:
        ends = [end for end in self.ends if end < x] + [mpf(x)]
        return float(self.integral(lambda tau: mpf(1), ends) / self.total)


@pytest.mark.lengthy
@pytest.mark.parametrize("record", CHANGES, ids=lambda r: f"{r['name']}, r {r['correlation']}")
def test_change(record: dict[str, Any]) -> None:
    with mp.workdps(30):
        truth = Change(record["rows"], record["correlation"])
        (found,) = changes_of(record["rows"]).left_alone
        correlation = float(record["correlation"])
        result = found.result if correlation == found.correlation else found.varied[correlation]
        if correlation == found.correlation:
            told = [(item.change, item.standard_deviation) for item in found.arms]
            assert np.ravel(told) == pytest.approx(
                np.ravel([(float(y), float(d)) for y, d in zip(truth.change, truth.deviation, strict=True)]),
                rel=1e-12,
            )
        shown = (result.interval.lower, result.estimate, result.interval.upper)
        assert [truth.below(x) for x in shown] == pytest.approx(TAILS, abs=SAME)
        ahead = [truth.below(x, new_centre=True) for x in result.prediction.interval]
        assert ahead == pytest.approx((TAILS[0], TAILS[2]), abs=SAME)
        spread = [truth.tau_below(tau2**0.5) for tau2 in result.heterogeneity.tau2_interval]
        assert spread == pytest.approx((TAILS[0], TAILS[2]), abs=SAME)


# --- thumbs over a limit: brute force over centre, spread and studies ------------------------------------------------------

STEP, STEP_Z = 0.05, 0.1
CENTRE = np.arange(-40.0, 14.0, STEP)
Z = np.arange(-8.0, 8.0 + STEP_Z / 2, STEP_Z)
WEIGHT_Z = STEP_Z * np.exp(-(Z**2) / 2) / np.sqrt(2 * np.pi)
EDGES = np.array([0.0, 0.15, 0.4, 0.8, 1.3, 2.0, 3.0, 4.5, 8.0])
NODES, RULE = special.roots_legendre(16)
TAU = (EDGES[:-1, None] + np.diff(EDGES)[:, None] * (NODES + 1) / 2).ravel()
WEIGHT_TAU = (np.diff(EDGES)[:, None] * RULE / 2).ravel()


@cache
def averaged(events: int, total: int) -> np.ndarray:
    """Return one study's likelihood, its own logit spread over z, by tau and centre."""
    rows = []
    for tau in TAU:
        theta = CENTRE[:, None] + tau * Z
        rows.append(
            np.exp(events * special.log_expit(theta) + (total - events) * special.log_expit(-theta))
            @ WEIGHT_Z
        )
    found = np.array(rows)
    return found / found.max()


class Share:
    """Posterior of the centre's logit and of tau on a grid; sums are rules of spectral accuracy."""

    def __init__(self, counts: Sequence[tuple[int, int]]) -> None:
        jeffreys = np.exp((special.log_expit(CENTRE) + special.log_expit(-CENTRE)) / 2)
        height = np.prod([averaged(*each) for each in counts], axis=0) * jeffreys
        height *= (WEIGHT_TAU * np.exp(-(TAU**2) / 2))[:, None]
        self.mass = height / height.sum()

    @staticmethod
    def _below(x: float) -> np.ndarray:
        """Integrate the sinc function of each point of the grid up to x."""
        return 0.5 + special.sici(np.pi * (x - CENTRE) / STEP)[0] / np.pi

    def below(self, x: float) -> float:
        return float(self.mass.sum(axis=0) @ self._below(x))

    def new_below(self, x: float) -> float:
        found = 0.0
        for tau, mass in zip(TAU, self.mass, strict=True):
            if mass.sum() > 1e-14:
                found += float(WEIGHT_Z @ [mass @ self._below(x - tau * z) for z in Z])
        return found

    def tau_below(self, x: float) -> float:
        panel = int(np.searchsorted(EDGES, x) - 1)
        inside = self.mass.sum(axis=1).reshape(len(EDGES) - 1, -1)
        density = np.polynomial.legendre.legfit(NODES, inside[panel] / RULE, len(NODES) - 1)
        upper = 2 * (x - EDGES[panel]) / (EDGES[panel + 1] - EDGES[panel]) - 1
        rising = np.polynomial.legendre.legint(density, lbnd=-1)
        return float(inside[:panel].sum() + np.polynomial.legendre.legval(upper, rising))


def bounds(bands: Sequence[Any], whole: int, limit: Sequence[Any]) -> tuple[int, int]:
    """Return fewest and most thumbs over a limit: a band counts by what all of it, or any of it, is."""
    sure = maybe = 0
    for ends, thumbs in bands:
        inside = [over(x, limit) for x in DEGREES if over(x, ends)]
        sure += thumbs if all(inside) else 0
        maybe += thumbs if any(inside) else 0
    return sure, maybe + whole - sum(thumbs for _, thumbs in bands)


DEGREES = tuple(np.arange(-60.0, 121.0, 0.25).tolist())


def over(x: float, ends: Sequence[Any]) -> bool:
    low, low_inside, high, high_inside = ends
    above = low is None or x > low or (low_inside and x == low)
    return above and (high is None or x < high or (high_inside and x == high))


@pytest.mark.walk
@pytest.mark.parametrize("record", BANDS, ids=lambda r: r["name"])
def test_coarse_bands(record: dict[str, Any]) -> None:
    studies = [
        replace(
            series(str(number), arms=(arm("A", "lrti", thumbs=whole),)),
            mp_bands=entries(bands, whole, overlap=False),
        )
        for number, (bands, whole) in enumerate(record["studies"], 1)
    ]
    limits = angle_findings(studies, display_names(studies)).over_limits
    found = next(item for item in limits if item.limit == LIMIT_IDS[tuple(record["limit"][:2])])
    told = [(bounds(bands, whole, record["limit"]), whole) for bands, whole in record["studies"]]
    assert (found.fewest, found.most) == tuple(sum(ends[place] for ends, _ in told) for place in (0, 1))
    for place, result in enumerate((found.lower, found.upper)):
        _holds(result, [(ends[place], whole) for ends, whole in told])


def _holds(result: PoolResult, counts: Sequence[tuple[int, int]]) -> None:
    truth = Share(counts)
    shown = (result.interval.lower, result.estimate, result.interval.upper)
    assert [truth.below(x) for x in shown] == pytest.approx(TAILS, abs=SAME)
    spread = [truth.tau_below(tau2**0.5) for tau2 in result.heterogeneity.tau2_interval]
    assert spread == pytest.approx((TAILS[0], TAILS[2]), abs=SAME)
    ahead = [truth.new_below(x) for x in result.prediction.interval]
    assert ahead == pytest.approx((TAILS[0], TAILS[2]), abs=SAME)


# --- bands that overlap: every way to put whole thumbs into the pieces that bands and limit cut -----------------------------


def placements(bands: Sequence[Any], whole: int, limit: Sequence[Any]) -> Iterator[int]:
    """Yield thumbs over the limit for each way to place all thumbs so that every band holds what it counts."""
    pieces = sorted({(*(over(x, ends) for ends, _ in bands), over(x, limit)) for x in DEGREES})
    most = [
        min([whole, *(n for held, (_, n) in zip(piece, bands, strict=False) if held)]) for piece in pieces
    ]
    for counts in product(*(range(one + 1) for one in most)):
        if sum(counts) != whole:
            continue
        held = [
            sum(c for c, piece in zip(counts, pieces, strict=True) if piece[place])
            for place in range(len(bands))
        ]
        if held == [thumbs for _, thumbs in bands]:
            yield sum(c for c, piece in zip(counts, pieces, strict=True) if piece[-1])


@pytest.mark.lengthy
@pytest.mark.parametrize("record", OVERLAPS, ids=lambda r: r["name"])
def test_overlapping_bands(record: dict[str, Any]) -> None:
    found = over_limit(entries(record["bands"], record["whole"], overlap=True), band_of(record["limit"]))
    every = set(placements(record["bands"], record["whole"], record["limit"]))
    assert found == (min(every), max(every), record["whole"])
