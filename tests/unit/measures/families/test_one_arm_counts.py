"""Proportions on every scale, their exact intervals, and the double arcsine with its way back."""

from __future__ import annotations

import numpy as np
import pytest
from mpmath import mp, mpf
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from metakit.measures.double_arcsine import double_arcsine, harmonic_mean, miller_back_transform
from metakit.measures.exact_intervals import clopper_pearson, exact_poisson, wilson
from metakit.measures.families.one_arm_counts import proportion

# Infant cardiac surgery in 12 hospitals, BUGS Examples volume 1, 'Surgical' (published data).
DEATHS = np.array([0, 18, 8, 46, 8, 13, 9, 31, 14, 8, 29, 24], dtype=float)
OPERATIONS = np.array([47, 148, 119, 810, 211, 196, 148, 215, 207, 97, 256, 360], dtype=float)


# Status: computed with mpmath, 50 digits; 0.5 added to the hospital without deaths.
@pytest.mark.parametrize(
    ("scale", "effects", "variances"),
    [
        ("logit", [-4.553876891600541, -1.9771626925594177], [2.0210526315789474, 0.06324786324786325]),
        ("arcsine", [0.0, 0.35622947615187256], [0.005319148936170213, 0.0016891891891891893]),
        (
            "double_arcsine",
            [0.07242174849927986, 0.36006744385201],
            [0.005263157894736842, 0.0016835016835016834],
        ),
    ],
)
def test_surgical_mortality(scale: str, effects: list[float], variances: list[float]) -> None:
    found = proportion({"events": DEATHS, "total": OPERATIONS}, scale=scale)
    np.testing.assert_allclose(found.effect[:2], effects, rtol=1e-12)
    np.testing.assert_allclose(found.variance[:2], variances, rtol=1e-12)
    assert found.estimable.all()


def test_log_and_raw_scales_by_hand() -> None:
    data = {"events": np.array([3.0, 0.0, 20.0]), "total": np.array([20.0, 20.0, 20.0])}
    log = proportion(data, scale="log")
    np.testing.assert_allclose(log.effect, np.log([3 / 20, 0.5 / 21, 20.5 / 21]), rtol=1e-12)
    np.testing.assert_allclose(log.variance, [1 / 3 - 1 / 20, 2 - 1 / 21, 1 / 20.5 - 1 / 21], rtol=1e-12)
    raw = proportion(data, scale="raw")
    np.testing.assert_array_equal(raw.effect, [0.15, 0.0, 1.0])
    np.testing.assert_allclose(
        raw.variance, [0.15 * 0.85 / 20, 0.5 * 20.5 / 21**3, 0.5 * 20.5 / 21**3], rtol=1e-12
    )
    assert raw.corrected.tolist() == [False, True, True]
    assert raw.variance_only and not log.variance_only  # the proportion itself stays as it is
    assert proportion(data, scale="raw", zero_cells="none").estimable.tolist() == [True, False, False]
    assert proportion(data, scale="logit", zero_cells="none").estimable.tolist() == [True, False, False]


# Newcombe RG 1998, Stat Med 17:857-872, table I, its fifth method (exact) and third (score). Status: memory; the values
# agree with statsmodels within rounding.
NEWCOMBE = [
    (81, 263, (0.2527, 0.3676), (0.2553, 0.3662)),
    (15, 148, (0.0578, 0.1617), (0.0624, 0.1605)),
    (0, 20, (0.0, 0.1684), (0.0, 0.1611)),
    (1, 29, (0.0009, 0.1776), (0.0061, 0.1718)),
]


@pytest.mark.parametrize(("events", "total", "exact", "score"), NEWCOMBE)
def test_intervals_as_printed(
    events: int, total: int, exact: tuple[float, float], score: tuple[float, float]
) -> None:
    np.testing.assert_allclose(clopper_pearson(events, total, 0.95), exact, atol=5e-5)
    np.testing.assert_allclose(wilson(events, total, 0.95), score, atol=5e-5)


# Upper limits of 0 of 20, 40 and 60: the project's clinical brief, section 4.4 (its own arithmetic).
def test_upper_limits_without_events() -> None:
    _, upper = clopper_pearson(np.zeros(3), np.array([20.0, 40.0, 60.0]), 0.95)
    np.testing.assert_allclose(100 * upper, [16.8, 8.8, 6.0], atol=0.05)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.999])
def test_intervals_against_statsmodels(level: float) -> None:
    generator = np.random.default_rng(7)
    total = generator.integers(1, 5000, 200)
    events = generator.integers(0, total + 1)
    np.testing.assert_allclose(
        clopper_pearson(events, total, level),
        proportion_confint(events, total, alpha=1 - level, method="beta"),
        rtol=1e-11,
    )
    np.testing.assert_allclose(
        wilson(events, total, level),
        proportion_confint(events, total, alpha=1 - level, method="wilson"),
        rtol=1e-11,
        atol=1e-15,
    )
    with np.errstate(invalid="ignore"):
        # statsmodels takes a quantile of a chi-square with 0 degrees of freedom where there is no event: NaN.
        lower, upper = confint_poisson(events, total / 3, method="exact-c", alpha=1 - level)
    found = exact_poisson(events, total / 3, level)
    np.testing.assert_allclose(found[0][events > 0], lower[events > 0], rtol=1e-11)
    np.testing.assert_allclose(found[1], upper, rtol=1e-11)
    assert not found[0][events == 0].any()


# Garwood F 1936, limits of a Poisson mean at 95 %: 0 events 0 to 3.69, 10 events 4.80 to 18.39. Status: memory.
def test_garwood_limits() -> None:
    lower, upper = exact_poisson(np.array([0.0, 10.0]), np.ones(2), 0.95)
    np.testing.assert_allclose(lower, [0.0, 4.80], atol=5e-3)
    np.testing.assert_allclose(upper, [3.69, 18.39], atol=5e-3)


def test_effective_numbers_have_intervals() -> None:
    lower, upper = clopper_pearson(np.array([2.4]), np.array([39.7]), 0.95)
    wide = clopper_pearson(np.array([2.0, 3.0]), np.array([39.7, 39.7]), 0.95)
    assert wide[0][0] < lower[0] < wide[0][1]
    assert wide[1][0] < upper[0] < wide[1][1]


# Miller JJ 1978, Am Stat 32:138, four proportions (data from memory). Status of the answers: computed with mpmath.
MILLER = (np.array([3.0, 6.0, 10.0, 1.0]), np.array([11.0, 17.0, 21.0, 6.0]))


def test_miller_back_transform_of_his_example() -> None:
    effect, variance = double_arcsine(*MILLER)
    np.testing.assert_allclose(2 * effect[:2], [1.1390784842686863, 1.2888313259171502], rtol=1e-12)
    np.testing.assert_allclose(4 * variance[:2], [0.08695652173913043, 0.05714285714285714], rtol=1e-12)
    size = harmonic_mean(MILLER[1])
    assert size == pytest.approx(10.988457502623294, rel=1e-13)
    assert miller_back_transform(np.mean(effect), size) == pytest.approx(0.31643610159268454, rel=1e-12)
    assert miller_back_transform(1.3093412906479096 / 2, size) == pytest.approx(0.359521719757309, rel=1e-12)


def test_miller_inverts_every_count_of_a_study() -> None:
    for total in (1, 2, 7, 40, 1000):
        events = np.arange(total + 1.0)
        effect, _ = double_arcsine(events, total)
        np.testing.assert_allclose(
            miller_back_transform(effect, total), events / total, rtol=1e-10, atol=1e-12
        )
    assert miller_back_transform(-0.3, 20.0) == 0.0
    assert miller_back_transform(2.0, 20.0) == 1.0


# Schwarzer G et al. 2019 (abstract): a back-transform with the harmonic mean can be far from the data. Shown on
# invented data of the same kind: every study near 1.3 %, sizes from 40 to 60,000.
def test_the_harmonic_mean_misleads_when_sizes_differ() -> None:
    total = np.array([40.0, 50.0, 60.0, 30_000.0, 60_000.0])
    events = np.array([0.0, 1.0, 1.0, 400.0, 800.0])
    effect, variance = double_arcsine(events, total)
    pooled = np.sum(effect / variance) / np.sum(1 / variance)
    crude = events.sum() / total.sum()
    back = float(miller_back_transform(pooled, harmonic_mean(total)))
    assert crude == pytest.approx(0.0133, abs=2e-4)
    assert back < 0.65 * crude


def test_double_arcsine_against_mpmath() -> None:
    mp.dps = 40
    for x, n in ((0, 3), (5, 11), (999, 1000)):
        exact = (mp.asin(mp.sqrt(mpf(x) / (n + 1))) + mp.asin(mp.sqrt(mpf(x + 1) / (n + 1)))) / 2
        assert double_arcsine(np.float64(x), np.float64(n))[0] == pytest.approx(float(exact), rel=1e-15)
