"""The reference of the logistic-normal for causes of return: against exact results, other coordinates, and plain sampling."""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import yaml
from agreement import HERE, FastLoader
from logistic_normal import cases, chain, grid
from scipy import integrate, optimize, special, stats

TAILS = np.array(grid.PROBABILITIES)


@cache
def committed() -> dict[str, dict[str, Any]]:
    text = (HERE / "causes_logistic_normal.yaml").read_text(encoding="utf-8")
    content: dict[str, dict[str, Any]] = yaml.load(text, Loader=FastLoader)["cases"]  # noqa: S506 - a safe loader
    return content


def values(item: dict[str, Any]) -> list[float]:
    return [item["mean"][0], *(value for value, _ in item["quantiles"])]


# --- the committed answers ----------------------------------------------------------------------------------------


def test_every_case_is_answered() -> None:
    assert {name: record["counts"] for name, record in committed().items()} == cases.ALL


@pytest.mark.parametrize("name", cases.SMALL)
def test_grids_stand_still_and_chains_agree(name: str) -> None:
    """Means to six decimals, quantiles to four digits or ten decimals; the chains scatter as their errors say."""
    record = committed()[name]
    for item in record["share"] + record["new_centre"] + record["tau"]:
        assert item["mean"][1] < 5e-7
        assert all(error < max(1e-4 * value, 1e-10) for value, error in item["quantiles"])
    assert record["chains"]["root_mean_square_off"] < 1.6
    assert abs(record["chains"]["furthest_off"]) < 4.0


@pytest.mark.parametrize("name", cases.LARGE)
def test_chains_are_long_enough(name: str) -> None:
    record = committed()[name]
    for item in record["share"] + record["new_centre"] + record["tau"]:
        assert item["rhat"] < 1.005
        assert min(item["effective"], item["effective_in_tails"]) > 20_000


@pytest.mark.parametrize("name", cases.ALL)
def test_shares_add_up_and_a_new_centre_has_the_same_mean(name: str) -> None:
    record = committed()[name]
    for what in ("share", "new_centre"):
        assert sum(item["mean"][0] for item in record[what]) == pytest.approx(1.0, abs=2e-5)
    for one, other in zip(record["share"], record["new_centre"], strict=True):
        room = 5 * np.hypot(one["mean"][1], other["mean"][1]) + 2e-9
        assert one["mean"][0] == pytest.approx(other["mean"][0], abs=room)


def test_without_a_return_the_prior_is_left() -> None:
    record = committed()["two causes, no return at all"]
    prior = stats.halfnorm()
    assert values(record["tau"][0]) == pytest.approx([prior.mean(), *prior.ppf(TAILS)], rel=1e-7)


# --- grids ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["two causes, two studies", "three causes, one study of forty"])
def test_without_spread_the_shares_are_dirichlet(name: str) -> None:
    """With tau = 0 all returns are one pot: Dirichlet(1/C + sums), each share a beta."""
    counts = cases.SMALL[name]
    lattice = grid.Lattice(
        list(zip(*counts, strict=True)), len(counts) - 1, grid.Fineness(step=0.15, reach=25, tau_reach=0.5)
    )
    *studies, share, others = lattice.averages(0.0)
    density = np.exp(sum(lattice.logs) / len(counts)) * np.prod(studies, axis=0)
    own = stats.beta(
        1 / len(counts) + sum(counts[-1]), 1 - 1 / len(counts) + sum(sum(row) for row in counts[:-1])
    )
    assert (density * share).sum() / density.sum() == pytest.approx(own.mean(), abs=1e-12)
    wanted = special.logit(own.ppf(TAILS))
    mass = grid.below(lattice.x, density, np.log(share / others), wanted)
    assert mass / density.sum() / lattice.fine.step == pytest.approx(TAILS, abs=2e-6)


@pytest.mark.parametrize("tau", [0.05, 0.4, 1.0, 2.5])
def test_two_causes_are_a_logistic_with_a_normal(tau: float) -> None:
    """The difference of two latents of variance tau^2 / 2: Gauss-Hermite, plain quadrature and the lattice."""
    lattice = grid.Lattice([(1, 2)], 1, grid.Fineness(step=0.1, reach=10, tau_reach=2.5))
    study, share, others = lattice.averages(tau)
    z, weight = special.roots_hermitenorm(120)
    for place in (40, 95, 100, 140):
        logit = np.sqrt(2) * lattice.x[place]

        def averaged(of: Any, logit: float = logit) -> float:
            return integrate.quad(
                lambda e: of(logit + tau * e) * np.exp(-e * e / 2) / np.sqrt(2 * np.pi), -9, 9, epsabs=1e-12
            )[0]

        by_hermite = weight @ special.expit(logit + tau * z) / weight.sum()
        by_quadrature = averaged(special.expit)
        assert by_hermite == pytest.approx(by_quadrature, abs=1e-9)
        assert share[0, place] == pytest.approx(by_quadrature, abs=1e-9)
        assert others[0, place] == pytest.approx(1 - by_quadrature, abs=1e-9)
        # counts 1 of the first cause and 2 of the last, over the highest such probability (1/3) (2/3)^2
        pair = averaged(lambda a: special.expit(-a) * special.expit(a) ** 2)
        assert study[0, place] == pytest.approx(pair * 27 / 4, abs=1e-8)


class OtherCoordinates:
    """Two causes again, with nothing of grid.py: m = sin^2 phi (the prior is flat in phi), Gauss-Legendre throughout."""

    def __init__(self, counts: cases.Counts) -> None:
        edges = np.array([0.0, 0.3, 0.8, 1.6, 2.8, 4.5, 7.0])
        self.tau, self.weight = self.rule(edges, 10)
        self.weight = self.weight * np.exp(-(self.tau**2) / 2)
        self.z, self.z_weight = self.rule(np.linspace(-8.0, 8.0, 13), 12)
        self.z_weight = self.z_weight * np.exp(-(self.z**2) / 2) / np.sqrt(2 * np.pi)
        self.studies = list(zip(*counts, strict=True))

    @staticmethod
    def rule(edges: np.ndarray, nodes: int) -> tuple[np.ndarray, np.ndarray]:
        x, w = special.roots_legendre(nodes)
        half = np.diff(edges)[:, None] / 2
        return (edges[:-1, None] + half * (x + 1)).ravel(), (half * w).ravel()

    def height(self, phi: np.ndarray, tau: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return the likelihood, the mean share of the first cause, and its logit at z = 0, by phi."""
        logit = 2 * np.log(np.tan(phi))
        at = logit[:, None] + tau * self.z
        value = np.ones(len(phi))
        for first, second in self.studies:
            each = np.exp(first * special.log_expit(at) + second * special.log_expit(-at))
            value *= each @ self.z_weight
        return value, special.expit(at) @ self.z_weight, logit

    def told(self, share: list[float], new: list[float], tau: list[float]) -> tuple[list[float], ...]:
        """Return means, and the probabilities below the limits given, of share, share in a new centre and tau."""
        below_share, below_new, below_tau = np.zeros(3), np.zeros(3), np.zeros(3)
        whole = mean = mean_tau = 0.0
        for spread, weight in zip(self.tau, self.weight, strict=True):
            cuts = [
                optimize.brentq(
                    lambda a, q=q, s=spread: special.expit(a + s * self.z) @ self.z_weight - q, -60, 60
                )
                for q in share
            ]
            middle = np.arctan(np.exp(np.array(cuts) / 2))
            steep = special.logit(new)[:, None] + spread * np.array([-6, -3, -1.5, 0, 1.5, 3, 6])
            edges = np.sort(np.concatenate([[0.0, np.pi / 2], middle, np.arctan(np.exp(steep.ravel() / 2))]))
            fine = np.concatenate([np.linspace(a, b, 4)[:-1] for a, b in pairwise(edges)])
            phi, phi_weight = self.rule(np.append(fine, np.pi / 2), 10)
            value, averaged, logit = self.height(phi, spread)
            value = value * phi_weight * weight
            whole += value.sum()
            mean += value @ averaged
            mean_tau += value.sum() * spread
            below_share += [value[phi < edge].sum() for edge in middle]
            below_new += [value @ special.ndtr((special.logit(q) - logit) / spread) for q in new]
        for place, end in enumerate(tau):
            nodes, weights = self.rule(np.linspace(0.0, end, 4), 8)
            phi, phi_weight = self.rule(np.linspace(0.0, np.pi / 2, 16), 10)
            prior = weights * np.exp(-(nodes**2) / 2)
            below_tau[place] = sum(
                w * (self.height(phi, s)[0] @ phi_weight) for s, w in zip(nodes, prior, strict=True)
            )
        return (
            [mean / whole, mean_tau / whole],
            (below_share / whole).tolist(),
            (below_new / whole).tolist(),
            (below_tau / whole).tolist(),
        )


@pytest.mark.lengthy
@pytest.mark.parametrize("name", [name for name in cases.SMALL if name.startswith("two")])
def test_two_causes_in_other_coordinates(name: str) -> None:
    record = committed()[name]
    share, new, tau = (values(record[what][0]) for what in ("share", "new_centre", "tau"))
    means, *below = OtherCoordinates(record["counts"]).told(share[1:], new[1:], tau[1:])
    assert means == pytest.approx([share[0], tau[0]], abs=1e-6)
    for found in below:
        assert found == pytest.approx(TAILS, abs=2e-6)


@pytest.mark.lengthy
@pytest.mark.parametrize(
    "name", ["three causes, two studies", "three causes, one never seen, one study without returns"]
)
def test_three_causes_by_the_prior_s_own_draws(name: str) -> None:
    """Everything drawn from the prior, weighted by the likelihood: slow, noisy and without any idea."""
    counts = np.array(cases.SMALL[name])
    rng = np.random.default_rng(4)
    draws = 1_000_000
    logs = np.log(np.maximum(rng.dirichlet(np.full(3, 1 / 3), size=draws), 1e-300))
    tau = np.abs(rng.standard_normal(draws))

    def centre() -> np.ndarray:
        return special.softmax(logs + tau[:, None] / np.sqrt(2) * rng.standard_normal((draws, 3)), axis=1)

    weight = np.ones(draws)
    for y in counts.T:
        weight *= np.prod(centre() ** y, axis=1)
    new = centre()
    record = committed()[name]
    for cause in range(3):
        item = record["new_centre"][cause]
        _near(new[:, cause], weight, item["mean"][0])
        for (limit, _), probability in zip(item["quantiles"], TAILS, strict=True):
            _near(new[:, cause] <= limit, weight, probability)
    _near(tau, weight, record["tau"][0]["mean"][0])
    for (limit, _), probability in zip(record["tau"][0]["quantiles"], TAILS, strict=True):
        _near(tau <= limit, weight, probability)


def _near(drawn: np.ndarray, weight: np.ndarray, truth: float) -> None:
    """The weighted mean lies within four of its standard errors of the truth, and these are small."""
    error = np.sqrt(np.sum((weight * (drawn - truth)) ** 2)) / weight.sum()
    assert error < 0.01
    assert weight @ drawn / weight.sum() == pytest.approx(truth, abs=4 * error)


@pytest.mark.lengthy
def test_a_coarse_grid_answers_as_committed() -> None:
    name = "two causes, apart, one study without returns"
    found = grid.answers(cases.SMALL[name], grid.Fineness(step=0.2, tau_step=0.125))
    for what, items in found.items():
        for item, stored in zip(items, committed()[name][what], strict=True):
            assert [item.mean, *item.quantiles] == pytest.approx(values(stored), rel=1e-5)


# --- chains --------------------------------------------------------------------------------------------------------


def test_the_gradient_is_the_density_s() -> None:
    posterior = chain.Posterior(cases.LARGE["eight causes, ten studies"], 6)
    rng = np.random.default_rng(1)
    state = posterior.start(rng)
    along = 1e-6 * rng.standard_normal(state.shape)
    rise = posterior.density(state + along)[0] - posterior.density(state - along)[0]
    assert rise / 2 == pytest.approx((along * posterior.density(state)[1]).sum(axis=0), rel=1e-5, abs=1e-9)


def test_averages_over_centres_against_an_integral() -> None:
    """1 / sum = the integral over u of exp(-u sum): one dimension, in which the latents part into factors."""
    logs = np.log(np.array([[0.5], [0.3], [0.12], [0.08], [1e-9]]))
    tau = np.array([0.9])
    found = chain.averaged_share(logs, tau, 4096, np.random.default_rng(2))[:, 0]
    z, weight = special.roots_hermitenorm(100)
    weight = weight / weight.sum()
    u = np.arange(-40.0, 40.0, 0.05)  # the logarithm of u
    inside = np.exp(u[:, None, None] + logs[:, 0, None] + tau / np.sqrt(2) * z)  # u, causes, z
    survive, hit = np.exp(-inside) @ weight, (inside * np.exp(-inside)) @ weight
    for cause in range(5):
        others = np.prod(np.delete(survive, cause, axis=1), axis=1)
        assert found[cause] == pytest.approx(0.05 * float(hit[:, cause] @ others), rel=2e-3)


def test_rhat_and_effective_size_know_good_from_bad() -> None:
    rng = np.random.default_rng(3)
    good = rng.standard_normal((2000, 8))
    assert chain.rank_rhat(good) < 1.005
    assert chain.effective_size(good) == pytest.approx(16_000, rel=0.15)
    assert chain.rank_rhat(good + 0.3 * np.arange(8)) > 1.1
    slow = np.zeros_like(good)
    for step in range(1, len(good)):
        slow[step] = 0.8 * slow[step - 1] + good[step]
    assert chain.effective_size(slow) == pytest.approx(16_000 / 9, rel=0.25)  # (1 - 0.8) / (1 + 0.8)


@pytest.mark.lengthy
def test_chains_meet_the_grid() -> None:
    name = "three causes, two studies"
    found = chain.answers(cases.SMALL[name], 20, chain.Length(warm_up=600, iterations=600, leapfrog=16))
    off = [
        (estimate.value - truth) / estimate.error
        for what, items in found.items()
        for item, stored in zip(items, committed()[name][what], strict=True)
        for estimate, truth in zip([item.mean, *item.quantiles], values(stored), strict=True)
    ]
    assert np.sqrt(np.mean(np.square(off))) < 1.8
    assert max(np.abs(off)) < 4.5
