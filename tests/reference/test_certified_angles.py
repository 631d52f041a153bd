"""MP angles against the 50-digit reference, brute force and a grid: paired change, and thumbs in coarse bands.

Sources: Cochrane Handbook 6.5.2.8; Friede 2017 and Rover 2021 (half-normal spread). Source of the values:
tests/reference/generate.py, topic mp_angles, written without the kernels. All data are invented.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from agreement import CLOSED, ITERATED, Comparison, certified
from oracle import angles as oracle
from scipy import stats

from metakit.core.returns import AngleBand
from metakit.core.values import Band
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.returning.mp_angles import angle_findings
from metakit.synthesis.returning.mp_limits import over_limit
from metakit.synthesis.returning.trouble_findings import AngleFindings
from tests.unit.synthesis.invented import arm, measured, series

RECORDS = certified("mp_angles")
CHANGES = [record for record in RECORDS if record["kind"] == "change"]
BANDS = [record for record in RECORDS if record["kind"] == "bands"]
OVERLAPS = [record for record in RECORDS if record["kind"] == "overlap"]
LIMIT_IDS = {(30, False): "over_30_address", (35, True): "from_35_better_angle"}


def width(answer: dict[str, Any]) -> float:
    return float(answer["interval"][1]) - float(answer["interval"][0])


def changes_of(rows: list[list[Any]]) -> AngleFindings:
    """Carry the rows through records, as a review does."""
    studies = []
    for number, (before, sd_before, after, sd_after, thumbs) in enumerate(rows, 1):
        values = [
            measured(
                "A", float(mean), float(sd), outcome="mp_hyperextension", kind=kind, n=thumbs,
                **({"months": None, "time_label": "before_surgery"} if kind == "baseline" else {}),
            )
            for kind, mean, sd in (("baseline", before, sd_before), ("final", after, sd_after))
        ]  # fmt: skip
        one = series(str(number), *values, arms=(arm("A", "lrti", thumbs=thumbs),))
        studies.append(one)
    return angle_findings(studies, display_names(studies))


@pytest.mark.parametrize("record", CHANGES, ids=lambda r: f"{r['name']}, r {r['correlation']}")
def test_pooled_paired_change(record: dict[str, Any]) -> None:
    """Each arm's change to 12 digits; mean, limits, new centre and spread to 9."""
    (found,) = changes_of(record["rows"]).left_alone
    correlation = float(record["correlation"])
    result = found.result if correlation == found.correlation else found.varied[correlation]
    answer, comparison = record["answer"], Comparison(f"{record['name']} {correlation}")
    if correlation == found.correlation:
        for one, (change, spread) in zip(found.arms, record["changes"], strict=True):
            comparison.check(f"change {one.study}", one.change, change, CLOSED, 10)
            comparison.check(f"SD {one.study}", one.standard_deviation, spread, CLOSED)
    yardstick = width(answer)
    comparison.check("median", result.estimate, answer["median"], ITERATED, yardstick)
    comparison.check_pair("interval", result.interval, answer["interval"], ITERATED, yardstick)
    comparison.check_pair("prediction", result.prediction.interval, answer["prediction"], ITERATED, yardstick)
    low, high = result.heterogeneity.tau2_interval
    comparison.check("tau", result.heterogeneity.tau2**0.5, answer["tau_median"], ITERATED, "0.1")
    comparison.check_pair("tau limits", (low**0.5, high**0.5), answer["tau_interval"], ITERATED, "0.1")
    comparison.close()


@pytest.mark.walk
def test_pooled_paired_change_by_brute_force() -> None:
    """The double integral over the mean and tau on a fine grid, against the answer from records."""
    record = next(r for r in CHANGES if (r["name"], r["correlation"]) == ("three arms left alone", "0.5"))
    (found,) = changes_of(record["rows"]).left_alone
    y, sd = np.array([[float(x) for x in pair] for pair in record["changes"]]).T
    n = np.array([row[-1] for row in record["rows"]], dtype=float)
    scale = 0.5 * np.sqrt(((n - 1) * sd**2).sum() / (n - 1).sum())
    tau = np.arange(0.0, 9 * scale, scale / 400)
    mu = np.arange(-45.0, 25.0, 0.005)
    mass = np.zeros(len(mu))
    for place, t in enumerate(tau):
        height = np.exp(-0.5 * (t / scale) ** 2) * (0.5 if place == 0 else 1.0)
        mass += height * np.prod(
            [stats.norm.pdf(mu, yi, np.sqrt(si**2 / ni + t**2)) for yi, si, ni in zip(y, sd, n, strict=True)],
            axis=0,
        )
    below = np.cumsum(mass) / mass.sum()
    at = [float(np.interp(p, below, mu + 0.0025)) for p in (0.025, 0.5, 0.975)]
    assert [found.result.interval.lower, found.result.estimate, found.result.interval.upper] == pytest.approx(
        at, abs=2e-4
    )


def band_of(ends: list[Any]) -> Band:
    low, low_inside, high, high_inside = ends
    return Band(lower=low, lower_inside=low_inside, upper=high, upper_inside=high_inside)


def entries(bands: list[Any], whole: int, *, overlap: bool) -> tuple[AngleBand, ...]:
    return tuple(
        AngleBand(
            arm="A", band=band_of(ends), thumbs=thumbs, total=whole, months=12.0, time_label="12 months",
            bands_overlap=overlap,
        )
        for ends, thumbs in bands
    )  # fmt: skip


@pytest.mark.lengthy
@pytest.mark.parametrize("record", BANDS, ids=lambda r: r["name"])
def test_thumbs_over_a_limit_in_coarse_bands(record: dict[str, Any]) -> None:
    """Both ends of what the bands allow, pooled: 9 digits of the logit or of the width of its interval."""
    studies = [
        replace(
            series(str(number), arms=(arm("A", "lrti", thumbs=whole),)),
            mp_bands=entries(bands, whole, overlap=False),
        )
        for number, (bands, whole) in enumerate(record["studies"], 1)
    ]
    limits = angle_findings(studies, display_names(studies)).over_limits
    found = next(item for item in limits if item.limit == LIMIT_IDS[tuple(record["limit"][:2])])
    assert (found.fewest, found.most) == tuple(map(sum, zip(*record["bounds"], strict=True)))
    comparison = Comparison(record["name"])
    for end, result in (("fewest", found.lower), ("most", found.upper)):
        answer = record[end]
        comparison.check(f"{end} median", result.estimate, answer["median"], ITERATED, width(answer))
        comparison.check_pair(end, result.interval, answer["interval"], ITERATED, width(answer))
        comparison.check_pair(
            f"{end} new centre", result.prediction.interval, answer["prediction"], ITERATED, width(answer)
        )
        low, high = result.heterogeneity.tau2_interval
        comparison.check_pair(f"{end} tau", (low**0.5, high**0.5), answer["tau_interval"], ITERATED, "0.1")
    comparison.close()


@pytest.mark.parametrize("record", OVERLAPS, ids=lambda r: r["name"])
def test_bands_that_overlap_bound_the_count_sharply(record: dict[str, Any]) -> None:
    found = over_limit(entries(record["bands"], record["whole"], overlap=True), band_of(record["limit"]))
    assert found == (*record["bounds"], record["whole"])


@pytest.mark.parametrize("overlap", [False, True], ids=["apart", "overlapping"])
def test_bounds_are_those_of_trying_every_placement(overlap: bool) -> None:
    """Drawn sets of bands of a few thumbs: the reference tries every placement, the kernel computes."""
    chance = np.random.default_rng(20261130)
    compared = 0
    while compared < (25 if overlap else 40):
        ends = sorted(chance.choice([0, 10, 20, 30, 35, 40], size=4, replace=False).tolist())
        inside = chance.integers(0, 2, size=4).astype(bool).tolist()
        limit = [int(chance.choice([20, 30, 35])), bool(chance.integers(2)), None, False]
        if overlap:
            shapes = [[ends[0], inside[0], ends[2], inside[1]], [ends[1], inside[2], None, False]]
        else:
            shapes = [
                [None, False, ends[0], False],
                [ends[1], inside[1], ends[2], False],
                [ends[3], True, None, False],
            ]
        bands = [[shape, int(chance.integers(0, 3))] for shape in shapes]
        whole = sum(thumbs for _, thumbs in bands) + int(chance.integers(0, 2))
        told = [(tuple(shape), thumbs) for shape, thumbs in bands]
        truth = oracle.over_by_trying(told, tuple(limit), whole, overlap=overlap)
        assert over_limit(entries(bands, whole, overlap=overlap), band_of(limit)) == (*truth, whole), bands
        compared += 1
