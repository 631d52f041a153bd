"""The integral over a half-normal spread: against adaptive quadrature, in batches, in extremes."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from scipy import integrate, special

from metakit.numerics.posteriors import half_normal as half_normal_module
from metakit.numerics.posteriors import half_normal_effects as half_normal_effects_module
from metakit.numerics.posteriors.bayes import posterior
from metakit.numerics.posteriors.bayes_priors import half_normal
from metakit.numerics.posteriors.half_normal_effects import HalfNormalAnswers, half_normal_effects

ACCURACY = 1e-9  # asked for in the plan of the default inference, in standard deviations of each quantity


def draws(count: int) -> list[tuple[np.ndarray, np.ndarray, float]]:
    generator = np.random.default_rng(20261129)
    made = []
    for number in range(count):
        k = int(generator.integers(1, 30))
        variance = 10 ** (generator.uniform(-12, 2, k) if number % 3 == 0 else generator.uniform(-5, 1, k))
        effect = generator.normal(0, 10 ** generator.uniform(-2, 0.7), k)
        made.append((effect, variance, float(10 ** generator.uniform(-1, 0.5))))
    return made


@pytest.mark.parametrize(("effect", "variance", "scale"), draws(60))
def test_the_rule_agrees_with_adaptive_panels(effect: np.ndarray, variance: np.ndarray, scale: float) -> None:
    """Panels are halved until settled to 1e-12 there: another rule, another code."""
    other = posterior(effect, variance, half_normal(scale))
    found = half_normal_effects(effect, variance, scale=scale)
    fast = half_normal_effects(effect, variance, scale=scale, spread=False)
    low, middle, high = (
        other.marginals.quantile(np.full(len(effect) + 2, p))[:2] for p in (0.025, 0.5, 0.975)
    )
    ahead = (high[1] - low[1]) / 4
    for answer in (found, fast):
        assert abs(answer.median - middle[0]) < ACCURACY * answer.deviation
        assert abs(answer.lower - low[0]) < ACCURACY * answer.deviation
        assert abs(answer.upper - high[0]) < ACCURACY * answer.deviation
        assert abs(answer.new_lower - low[1]) < ACCURACY * ahead
        assert abs(answer.new_upper - high[1]) < ACCURACY * ahead
    for p, value in ((0.025, found.tau_lower), (0.5, found.tau), (0.975, found.tau_upper)):
        assert value == pytest.approx(other.tau.quantile(p), rel=ACCURACY)
    assert found.share == pytest.approx(other.study_weight, abs=ACCURACY)


def test_one_analysis_agrees_with_scipy() -> None:
    """Another rule again (QUADPACK through scipy): the probability beyond a threshold, normal mean prior."""
    effect, variance, scale = np.array([0.2, -0.4, 0.9]), np.array([0.04, 0.3, 0.1]), 0.5
    location, deviation, threshold = 0.1, 2.82, -0.3

    def density(tau: float, weigh: bool) -> float:
        weight = 1 / (variance + tau**2)
        precision = weight.sum() + deviation**-2
        mean = ((weight * effect).sum() + location * deviation**-2) / precision
        squares = (weight * (effect - mean) ** 2).sum() + ((mean - location) / deviation) ** 2
        mass = np.exp(-0.5 * (squares + (tau / scale) ** 2)) * np.sqrt(np.prod(weight) / precision)
        return mass * (special.ndtr((mean - threshold) * np.sqrt(precision)) if weigh else 1.0)

    above, mass = (
        integrate.quad(density, 0, 10 * scale, args=(weigh,), epsabs=1e-14)[0] for weigh in (True, False)
    )
    found = half_normal_effects(
        effect, variance, mean_location=location, mean_deviation=deviation, threshold=threshold
    )
    assert float(found.above) == pytest.approx(above / mass, abs=1e-10)


def test_a_batch_equals_a_loop_to_the_last_bit() -> None:
    generator = np.random.default_rng(3)
    effect, variance = generator.normal(0, 0.6, (40, 7)), generator.uniform(0.02, 0.5, (40, 7))
    effect[3], variance[5] = 0.25, np.geomspace(1e-6, 1e6, 7)
    together = half_normal_effects(effect, variance)
    for row in range(len(effect)):
        alone = half_normal_effects(effect[row], variance[row])
        for field in fields(HalfNormalAnswers):
            assert np.array_equal(getattr(together, field.name)[row], getattr(alone, field.name)), field.name


def test_an_absent_study_is_no_study() -> None:
    effect, variance = np.array([0.2, np.nan, -0.4, 0.9]), np.array([0.04, -1.0, 0.3, 0.1])
    present = np.array([True, False, True, True])
    padded, bare = (
        half_normal_effects(effect, variance, present),
        half_normal_effects(effect[present], variance[present]),
    )
    for name in ("median", "lower", "upper", "new_lower", "new_upper", "tau", "tau_upper"):
        assert getattr(padded, name) == pytest.approx(getattr(bare, name), rel=1e-11), name
    assert padded.share[1] == 0


def test_turned_signs_turn_the_answer_and_the_order_does_not_matter() -> None:
    generator = np.random.default_rng(8)
    effect, variance = generator.normal(0.2, 0.6, 9), generator.uniform(0.02, 0.5, 9)
    order = generator.permutation(9)
    plain, turned = half_normal_effects(effect, variance), half_normal_effects(-effect, variance)
    mixed = half_normal_effects(effect[order], variance[order])
    assert (plain.median, plain.lower) == (
        pytest.approx(-turned.median, abs=1e-12),
        pytest.approx(-turned.upper, abs=1e-12),
    )
    for name in ("median", "lower", "new_upper", "tau"):
        assert getattr(plain, name) == pytest.approx(getattr(mixed, name), rel=1e-11), name


@pytest.mark.parametrize("apart", [10.0, 1e3])
def test_effects_far_apart_are_answered(apart: float) -> None:
    """Here the likelihood pulls tau far beyond its prior, to a needle that the nodes must find."""
    effect, variance = np.array([0.0, apart, apart / 3]), np.array([0.01, 0.02, 0.01])
    found, other = half_normal_effects(effect, variance), posterior(effect, variance, half_normal(0.5))
    assert found.tau == pytest.approx(other.tau.quantile(0.5), rel=1e-9)
    assert found.upper == pytest.approx(other.marginals.quantile(np.full(5, 0.975))[0], rel=1e-9)


def test_the_new_centre_is_never_inside_the_interval_of_the_mean() -> None:
    generator = np.random.default_rng(5)
    found = half_normal_effects(generator.normal(0, 0.4, (500, 4)), generator.uniform(0.01, 0.6, (500, 4)))
    assert (found.new_lower < found.lower).all()
    assert (found.new_upper > found.upper).all()
    assert ((found.tau_lower < found.tau) & (found.tau < found.tau_upper)).all()


@pytest.mark.parametrize(
    ("effect", "variance", "scale"),
    [([0.1, np.nan], [0.1, 0.1], 0.5), ([0.1], [0.0], 0.5), ([0.1], [0.1], 0.0)],
)
def test_what_is_no_analysis_is_refused(effect: list[float], variance: list[float], scale: float) -> None:
    with pytest.raises(ValueError, match="every analysis needs a study"):
        half_normal_effects(effect, variance, scale=scale)


def test_rows_that_are_not_settled_get_twice_the_nodes_where_their_mass_lies() -> None:
    """One node more on either side of the mass, never beyond the ends; at least 16 nodes, in eights."""
    w = np.stack([np.linspace(0.0, 4.0, 17)] * 4)
    peak = np.zeros((4, 17), dtype=bool)
    peak[0, 5:9] = peak[1, 0:3] = peak[2, 14:17] = True
    peak[3, :] = True
    rows, start, end, nodes = np.array([1, 2, 4, 5]), np.zeros(6), np.full(6, 4.0), np.full(6, 16)
    half_normal_module._draw_together(rows, w, peak, start, end, nodes)
    assert start[rows].tolist() == [1.0, 0.0, 3.25, 0.0]
    assert end[rows].tolist() == [2.25, 0.75, 4.0, 4.0]
    assert nodes.tolist() == [16, 16, 16, 16, 16, 32]
    assert (start[0], end[3]) == (0.0, 4.0)  # other rows stay as they are


def test_an_easy_integral_takes_few_nodes() -> None:
    """A step of 0.18 in w over the reach of a half-normal of the size of the errors: some dozens, not hundreds."""
    flat = half_normal_module.Given

    def one_study(tau: np.ndarray, rows: np.ndarray) -> half_normal_module.Given:
        nothing = np.zeros_like(tau)
        return flat(log_likelihood=nothing, mean=(nothing + 0.3)[:, None], variance=(0.04 + tau**2)[:, None])

    one = np.ones(1)
    for spread, most in ((False, 32), (True, 64)):
        (found,) = half_normal_module.mix_over_tau(
            one_study,
            scale=0.5 * one,
            narrowest=0.14 * one,
            squares=0 * one,
            information=0 * one,
            spread=spread,
        )
        assert found.tau.shape[1] <= most + 1
        assert found.tau[0, 0] == 0.0 and found.tau[0, -1] == pytest.approx(0.5 * np.sqrt(64.0), rel=1e-12)


def test_a_kept_posterior_tells_the_mean_and_a_new_centre() -> None:
    effect, variance = np.array([0.2, -0.4, 0.9]), np.array([0.04, 0.3, 0.1])
    kept: dict[int, Any] = {}
    answers = half_normal_effects_module._answers(
        effect, variance, None, 0.5, (0.0, np.inf), 0.0, 0.95, True, kept
    )
    mixture = kept[0]
    mean = float((mixture.weight * mixture.mean).sum())
    ahead = float((mixture.weight * (mixture.new_deviation**2 + (mixture.mean - mean) ** 2)).sum())
    own = float((mixture.weight * (mixture.deviation**2 + (mixture.mean - mean) ** 2)).sum())
    tau2 = float((mixture.weight * (mixture.new_deviation**2 - mixture.deviation**2)).sum())
    assert ahead == pytest.approx(own + tau2, rel=1e-12)
    total = (mixture.weight[:, None] * special.ndtr(
        (np.array([float(answers.new_lower), float(answers.new_upper)]) - mixture.mean[:, None]) / mixture.new_deviation[:, None]
    )).sum(axis=0)  # fmt: skip
    assert total == pytest.approx([0.025, 0.975], abs=1e-9)
