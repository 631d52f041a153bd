"""Root finders: many at once, each row on its own; scipy's brentq as an outside check."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from metakit.numerics.roots import newton_in_bracket, newton_of_one, root_in_bracket

TARGETS = np.array([1e-8, 0.3, 1.0, 17.0, 1e9])


def decreasing(x: np.ndarray, rows: np.ndarray) -> np.ndarray:
    return 1.0 / (1.0 + x) - 1.0 / (1.0 + TARGETS[rows])


def with_slope(x: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return decreasing(x, rows), -1.0 / (1.0 + x) ** 2


def test_both_find_roots_over_many_orders() -> None:
    low, high = np.zeros(5), np.full(5, 1e12)
    for found in (newton_in_bracket(with_slope, low, high, low), root_in_bracket(decreasing, low, high)):
        assert found.converged.all()
        # 1 / (1 + x) near 1 tells x only to about 1e-16, near 0 to a share of 1e-7
        assert found.root == pytest.approx(TARGETS, rel=1e-6, abs=1e-15)


def test_one_row_takes_the_steps_of_a_batch() -> None:
    low, high = np.zeros(5), np.full(5, 1e12)
    together = newton_in_bracket(with_slope, low, high, low).root
    for row in range(5):
        index = np.array([row])
        alone, settled = newton_of_one(
            lambda x, index=index: tuple(part[0] for part in with_slope(np.array([x]), index)),
            low[row],
            high[row],
            low[row],
        )
        assert settled
        assert alone == together[row]


def test_a_wrong_slope_falls_back_to_bisection() -> None:
    def wrong(x: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return decreasing(x, rows), np.full(len(x), 1e-3)

    found = newton_in_bracket(wrong, np.zeros(5), np.full(5, 1e12), np.full(5, 5e11))
    assert found.converged.all()
    assert found.root == pytest.approx(TARGETS, rel=1e-6, abs=1e-15)


def test_without_a_change_of_sign_nothing_is_claimed() -> None:
    found = root_in_bracket(lambda x, rows: 1.0 + x * x, np.array([-1.0]), np.array([2.0]))
    assert not found.converged.any()


def test_an_end_that_is_a_root_is_the_root() -> None:
    found = root_in_bracket(lambda x, rows: x - 2.0, np.array([2.0, 0.0]), np.array([5.0, 2.0]))
    assert found.root.tolist() == [2.0, 2.0]
    assert found.converged.all()


def test_no_row_is_fine() -> None:
    empty = np.zeros(0)
    assert len(root_in_bracket(decreasing, empty, empty).root) == 0
    assert len(newton_in_bracket(with_slope, empty, empty, empty).root) == 0


@settings(max_examples=60, deadline=None)
@given(st.floats(-5, 5), st.floats(0.1, 4))
def test_against_brentq(centre: float, scale: float) -> None:
    def cubic(x: np.ndarray) -> np.ndarray:
        return (x - centre) ** 3 + scale * (x - centre) - 0.5

    found = root_in_bracket(lambda x, rows: cubic(x), np.array([-10.0]), np.array([10.0]))
    assert found.root[0] == pytest.approx(optimize.brentq(cubic, -10, 10, xtol=1e-14), abs=1e-12)


def test_a_kink_is_found_by_halving_to_the_width_that_is_asked() -> None:
    # The slope is 0 everywhere: no step of Newton's is inside, and the bracket alone ends the search.
    def stairs(x: float) -> tuple[float, float]:
        return (1.0 if x < 3.0 else -1.0), 0.0

    root, settled = newton_of_one(stairs, np.float64(0.0), np.float64(8.0), np.float64(1.0))
    assert settled and root == pytest.approx(3.0, rel=1e-9)
    found = newton_in_bracket(
        lambda x, rows: (np.where(x < 3.0, 1.0, -1.0), np.zeros_like(x)),
        np.zeros(1),
        np.full(1, 8.0),
        np.ones(1),
    )
    assert found.converged.all() and found.root[0] == root


@pytest.mark.parametrize("root", [0.5, 0.25, 0.75])
def test_a_point_that_is_the_root_ends_the_search(root: float) -> None:
    """Halves of the bracket are exact numbers: what lies on one is found there and nothing is asked again."""
    asked: list[float] = []

    def line(x: np.ndarray, rows: np.ndarray) -> np.ndarray:
        asked.extend(x.tolist())
        return x**3 - root**3

    found = root_in_bracket(line, np.zeros(1), np.ones(1))
    assert found.root[0] == root and found.converged[0]
    assert asked.count(root) == 1 and asked[-1] == root


def test_a_smooth_function_takes_few_evaluations() -> None:
    """Chandrupatla 1997: far fewer than the 50 halvings that bisection needs for the same digits."""
    asked = 0

    def curve(x: np.ndarray, rows: np.ndarray) -> np.ndarray:
        nonlocal asked
        asked += 1
        return np.exp(x) - 3.0

    found = root_in_bracket(curve, np.zeros(1), np.full(1, 4.0))
    assert found.root[0] == pytest.approx(np.log(3.0), rel=1e-14)
    assert asked <= 14
    steps = 0

    def sloped(x: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        nonlocal steps
        steps += 1
        return 3.0 - np.exp(x), -np.exp(x)

    assert newton_in_bracket(sloped, np.zeros(1), np.full(1, 4.0), np.ones(1)).root[0] == pytest.approx(
        np.log(3.0)
    )
    assert steps <= 7


def test_one_row_in_plain_numbers_is_that_row_of_many_to_the_last_bit() -> None:
    chance = np.random.default_rng(20261130)
    shift, power = chance.uniform(-3, 3, 120), chance.integers(1, 4, 120) * 2 - 1
    flat = chance.random(120) < 0.2

    def value(x: np.ndarray, rows: np.ndarray) -> np.ndarray:
        away = x - shift[rows]
        return np.where(flat[rows], np.sign(away) * 0.25, away ** power[rows] + 0.1 * np.sin(9 * away))

    low, high = np.full(120, -7.0), chance.uniform(4, 9, 120)
    together = root_in_bracket(value, low, high)
    for row in range(120):
        alone = root_in_bracket(lambda x, rows, row=row: value(x, rows + row), low[[row]], high[[row]])
        assert alone.root[0] == together.root[row]
        assert alone.converged[0] == together.converged[row]
