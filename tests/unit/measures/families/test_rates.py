"""Rates and rate ratios against published data and a Wald interval."""

from __future__ import annotations

import numpy as np
from statsmodels.stats.rates import confint_poisson_2indep

from metakit.measures.families.rates import _reason_ratio, rate, rate_ratio

# Deaths and person-years of British doctors by smoking (Breslow NE & Day NE 1987; Doll & Hill). Published data.
DOCTORS = {
    "events_1": np.array([32.0, 104, 206, 186, 102]),
    "time_1": np.array([52407.0, 43248, 28612, 12663, 5317]),
    "events_2": np.array([2.0, 12, 28, 28, 31]),
    "time_2": np.array([18790.0, 10673, 5710, 2585, 1462]),
}


# Status of the values: computed with mpmath, 50 digits.
def test_british_doctors() -> None:
    found = rate_ratio(DOCTORS)
    np.testing.assert_allclose(found.effect[:2], [1.746873365473953, 0.7602504477511085], rtol=1e-12)
    np.testing.assert_allclose(found.variance[:2], [0.53125, 0.09294871794871795], rtol=1e-12)


def test_against_the_wald_interval_of_statsmodels() -> None:
    # Its Wald interval of a ratio of rates first adds 0.5 to each count; 0.5 less goes in.
    found = rate_ratio(DOCTORS)
    for row in range(5):
        a, time_1, c, time_2 = (DOCTORS[name][row] for name in ("events_1", "time_1", "events_2", "time_2"))
        limits = confint_poisson_2indep(a - 0.5, time_1, c - 0.5, time_2, method="waldcc", compare="ratio")
        lower, upper = np.log(limits)
        np.testing.assert_allclose(found.effect[row], (lower + upper) / 2, rtol=1e-9)
        z = 1.959963984540054
        np.testing.assert_allclose(np.sqrt(found.variance[row]), (upper - lower) / (2 * z), rtol=1e-9)


# Failures of pumps, Gaver DP & O'Muircheartaigh IG 1987 (published data); values computed with mpmath.
def test_pump_failures() -> None:
    found = rate({"events": np.array([5.0, 1.0]), "time": np.array([94.3, 15.7])})
    np.testing.assert_allclose(found.effect, [-2.937043277205311, -2.7536607123542622], rtol=1e-12)
    np.testing.assert_allclose(found.variance, [0.2, 1.0], rtol=1e-12)


def test_zero_events() -> None:
    data = {"events": np.array([0.0, 4.0]), "time": np.array([100.0, 100.0])}
    log = rate(data)
    np.testing.assert_allclose(log.effect, np.log([0.5 / 100, 4 / 100]), rtol=1e-12)
    np.testing.assert_allclose(log.variance, [2.0, 0.25], rtol=1e-12)
    assert rate(data, zero_cells="none").estimable.tolist() == [False, True]
    root = rate(data, scale="square_root")
    np.testing.assert_array_equal(root.effect, [0.0, 0.2])
    np.testing.assert_array_equal(root.variance, [0.0025, 0.0025])
    assert not root.corrected.any()


def test_ratio_without_events() -> None:
    data = {
        "events_1": np.array([0.0, 0.0, 2.0]),
        "time_1": np.array([10.0, 10.0, 10.0]),
        "events_2": np.array([0.0, 3.0, 3.0]),
        "time_2": np.array([20.0, 20.0, 20.0]),
    }
    found = rate_ratio(data)
    assert found.estimable.tolist() == [False, True, True]
    assert found.corrected.tolist() == [False, True, False]
    np.testing.assert_allclose(
        found.effect[1:], [np.log(0.5 / 10) - np.log(3.5 / 20), np.log(2 / 10) - np.log(3 / 20)]
    )
    np.testing.assert_allclose(found.variance[1:], [2 + 1 / 3.5, 1 / 2 + 1 / 3], rtol=1e-12)
    assert rate_ratio(data, zero_cells="none").estimable.tolist() == [False, False, True]


def test_a_study_without_events_is_set_aside_for_what_it_lacks() -> None:
    row = {"time_1": 10.0, "time_2": 12.0}
    nothing = _reason_ratio({**row, "events_1": 0.0, "events_2": 0.0}, scale="log", zero_cells="none")
    assert "in either arm" in nothing
    for one, two in ((0.0, 3.0), (3.0, 0.0)):
        said = _reason_ratio({**row, "events_1": one, "events_2": two}, scale="log", zero_cells="none")
        assert "an arm without events" in said
