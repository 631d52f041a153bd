"""REML and maximum likelihood: stationary points, several maxima, hard scales; scipy's optimiser outside."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from metakit.numerics import likelihood
from metakit.numerics.weights import prepare

effects = st.lists(st.tuples(st.floats(-3, 3), st.floats(0.001, 2)), min_size=3, max_size=12)


def log_density(t: float, y: np.ndarray, v: np.ndarray, restricted: bool) -> float:
    """Log-likelihood from scipy's normal densities, restricted by integrating the mean out."""
    w = 1 / (v + t)
    mean = np.sum(w * y) / w.sum()
    value = stats.norm.logpdf(y, mean, np.sqrt(v + t)).sum()
    return float(value - (0.5 * np.log(w.sum()) if restricted else 0.0))


@pytest.mark.lengthy
@settings(max_examples=60, deadline=None)
@given(effects, st.booleans())
def test_no_point_of_a_fine_grid_is_higher(pairs: list[tuple[float, float]], restricted: bool) -> None:
    y, v = np.array(pairs).T
    kernel = likelihood.reml if restricted else likelihood.maximum_likelihood
    found = kernel(prepare(y, v))
    assert found.converged
    top = log_density(float(found.tau2), y, v, restricted)
    grid = np.concatenate([[0.0], np.geomspace(1e-6, 50, 300)])
    assert top >= max(log_density(t, y, v, restricted) for t in grid) - 1e-10


@settings(max_examples=40, deadline=None)
@given(effects)
def test_against_a_general_optimiser(pairs: list[tuple[float, float]]) -> None:
    y, v = np.array(pairs).T
    found = float(likelihood.reml(prepare(y, v)).tau2)
    near = optimize.minimize_scalar(
        lambda t: -log_density(t, y, v, True), bounds=(0.5 * found, 2 * found + 1e-9), method="bounded",
        options={"xatol": 1e-12},
    )  # fmt: skip
    # a maximum is flat: the optimiser knows its place to about half of the digits
    assert found == pytest.approx(float(near.x), rel=1e-3, abs=1e-6)


# Two clusters of precise and one of vague studies make the restricted likelihood bimodal (invented data; the
# second maximum was found by scanning the density above).
def test_two_maxima_are_counted_and_the_higher_one_taken() -> None:
    y = np.array([0.0, 0.01, -0.01, 4.0, -4.0, 3.5])
    v = np.array([1e-4, 1e-4, 1e-4, 0.5, 0.5, 0.5])
    grid = np.geomspace(1e-7, 100, 4000)
    for restricted, kernel in ((True, likelihood.reml), (False, likelihood.maximum_likelihood)):
        height = np.array([log_density(t, y, v, restricted) for t in grid])
        inner = np.count_nonzero((height[1:-1] > height[:-2]) & (height[1:-1] > height[2:]))
        at_zero = log_density(0.0, y, v, restricted) > height[0]
        found = kernel(prepare(y, v))
        assert int(found.maxima) == inner + at_zero
        assert float(found.tau2) == pytest.approx(
            0.0 if log_density(0.0, y, v, restricted) > height.max() else grid[height.argmax()],
            rel=0.01,
            abs=1e-7,
        )


@pytest.mark.parametrize("factor", [1e-8, 1e8])
@pytest.mark.parametrize("kernel", [likelihood.reml, likelihood.maximum_likelihood])
def test_rescaled_effects_rescale_tau2(kernel, factor: float) -> None:
    y, v = np.array([0.1, 0.9, -0.4, 1.6, 0.3]), np.array([0.05, 0.1, 0.2, 0.02, 0.4])
    plain, scaled = kernel(prepare(y, v)), kernel(prepare(factor * y, factor**2 * v))
    assert float(scaled.tau2) == pytest.approx(factor**2 * float(plain.tau2), rel=1e-12)


@pytest.mark.parametrize("kernel", [likelihood.reml, likelihood.maximum_likelihood])
def test_effects_far_apart_and_two_studies(kernel) -> None:
    # two studies: the variance of the effects less the mean variance (closed form, equal variances)
    found = kernel(prepare([0.0, 1e8], [1.0, 1.0]))
    expected = 1e16 / 2 - 1 if kernel is likelihood.reml else 1e16 / 4 - 1
    assert float(found.tau2) == pytest.approx(expected, rel=1e-13)


def test_fixed_mean_profile_is_the_mean_square_less_the_variance() -> None:
    y, v = np.array([[0.5, 1.5, 2.5, 3.0]]), 0.04
    studies = prepare(y, np.full((1, 4), v))
    at = np.array([1.0])
    found = likelihood.maximise(studies, restricted=False, mean=at - studies.anchor_effect)
    assert found.tau2[0] == pytest.approx(np.mean((y - 1.0) ** 2) - v, rel=1e-13)


def test_large_analyses_are_scanned_in_blocks_with_the_same_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    v = rng.gamma(1.0, 0.1, (40, 9)) + 1e-4
    y = rng.normal(0, 1, (40, 9)) * np.sqrt(v + 0.1)
    whole = likelihood.reml(prepare(y, v)).tau2
    for block in (1, 400):  # a point at a time; a few rows at a time
        monkeypatch.setattr(likelihood, "BLOCK", block)
        assert np.array_equal(likelihood.reml(prepare(y, v)).tau2, whole)


@pytest.mark.parametrize("restricted", [True, False])
def test_the_height_is_the_normal_density_but_for_the_powers_of_two_pi(restricted: bool) -> None:
    rng = np.random.default_rng(8)
    y, v = rng.normal(0, 1, (3, 5)), rng.gamma(1.0, 0.3, (3, 5)) + 0.01
    studies = prepare(y, v)
    found = likelihood.log_likelihood(studies, np.array([0.0, 0.2, 3.0]), restricted=restricted)
    constant = 0.5 * 5 * np.log(2 * np.pi)
    expected = [
        log_density(t, *row, restricted) + constant
        for t, row in zip((0.0, 0.2, 3.0), zip(y, v, strict=True), strict=True)
    ]
    assert found == pytest.approx(expected, rel=1e-12)
    away = np.array([0.3, -0.4, 0.9])
    given = likelihood.log_likelihood(
        studies, np.full(3, 0.2), restricted=False, mean=away - studies.anchor_effect
    )
    spread = np.sqrt(v + 0.2)
    assert given == pytest.approx(
        stats.norm.logpdf(y, away[:, None], spread).sum(axis=1) + constant, rel=1e-12
    )
