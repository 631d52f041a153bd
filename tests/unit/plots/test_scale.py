from __future__ import annotations

import itertools
import math

import pytest

from metakit.core.written import Axis
from metakit.plots.scale import AxisPlan, choose_ticks, plan_axis


def narrow(label: str) -> float:
    return 4.0 * len(label)


def plan(
    kind: Axis, studies: list[tuple[float, float, float]], *, null: float | None, width: float = 200
) -> AxisPlan:
    return plan_axis(kind, studies=studies, null=null, label_width=narrow, width=width)


def test_log_ticks_are_one_two_five() -> None:
    axis = AxisPlan(kind="log", low=0.1, high=10.0)
    labels = [label for _, label in choose_ticks(axis, label_width=narrow, width=200)]
    assert labels == ["0.1", "0.2", "0.5", "1", "2", "5", "10"]


def test_ticks_thin_out_where_their_labels_would_touch() -> None:
    axis = AxisPlan(kind="log", low=0.1, high=10.0)
    ticks = choose_ticks(axis, label_width=narrow, width=90)
    assert [label for _, label in ticks] == ["0.1", "0.3", "1", "3", "10"]


def test_many_decades_are_labelled_by_powers() -> None:
    axis = AxisPlan(kind="log", low=1e-7, high=1e7)
    assert {label for _, label in choose_ticks(axis, label_width=narrow, width=150)} >= {"10⁰"}


@pytest.mark.parametrize("kind", ["log", "linear", "percent"])
@pytest.mark.parametrize("width", [50, 90, 150, 300])
def test_labels_never_touch_and_places_rise(kind: Axis, width: float) -> None:
    for low, high in ((0.001, 0.9), (0.2, 0.25), (0.01, 0.011), (0.05, 0.9999)):
        axis = AxisPlan(kind=kind, low=low, high=high)
        ticks = choose_ticks(axis, label_width=narrow, width=width)
        ends = [
            (axis.place(v) * width - narrow(t) / 2, axis.place(v) * width + narrow(t) / 2) for v, t in ticks
        ]
        assert all(b[0] - a[1] >= 6 for a, b in itertools.pairwise(ends))
        assert all(low <= value <= high for value, _ in ticks)


def test_estimates_and_null_are_on_the_axis_and_wide_intervals_may_leave_it() -> None:
    studies = [(0.8, 0.5, 1.3), (1.1, 0.7, 1.7), (0.9, 0.6, 1.4), (1.0, 0.001, 1000.0)]
    axis = plan("log", studies, null=1.0)
    assert all(axis.holds(estimate) for estimate, _, _ in studies)
    assert axis.holds(1.0)
    assert not axis.holds(0.001)
    assert not axis.holds(1000.0)


def test_an_estimate_far_from_all_others_leaves_the_axis_instead_of_crushing_it() -> None:
    studies = [(v, 0.8 * v, 1.25 * v) for v in (0.8, 0.9, 1.0, 1.1, 1.2)] + [(1e6, 1e5, 1e7)]
    axis = plan("log", studies, null=1.0)
    assert not axis.holds(1e6)
    assert axis.high / axis.low < 100


def test_twelve_decades_of_evenly_spread_estimates_are_all_shown() -> None:
    studies = [(10.0**e, 10.0 ** (e - 1), 10.0 ** (e + 1)) for e in range(-6, 7, 2)]
    axis = plan("log", studies, null=1.0)
    assert all(axis.holds(estimate) for estimate, _, _ in studies)


def test_proportions_stay_between_nought_and_a_hundred_percent() -> None:
    axis = plan("percent", [(0.0, 0.0, 0.07), (0.02, 0.0, 0.1)], null=None)
    assert -0.02 < axis.low <= 0
    assert axis.high < 0.2
    assert plan("percent", [(0.99, 0.9, 1.0), (1.0, 0.93, 1.0)], null=None).high <= 1.01


def test_values_that_cannot_be_negative_get_no_negative_axis() -> None:
    assert plan("linear", [(0.5, 0.1, 2.0)], null=None).low > -0.1
    assert plan("linear", [(0.5, -0.1, 2.0)], null=0.0).low < -0.1


@pytest.mark.parametrize("kind", ["log", "linear", "percent"])
@pytest.mark.parametrize("null", [None, 1.0])
def test_nothing_to_show_still_gives_an_axis(kind: Axis, null: float | None) -> None:
    axis = plan(kind, [], null=null)
    assert axis.low < axis.high
    assert len(axis.ticks) >= 2


def test_limits_without_end_are_beyond_the_axis() -> None:
    axis = plan("log", [(1.0, 0.0, math.inf), (0.9, 0.7, 1.2)], null=1.0)
    assert axis.place(0.0) == -math.inf
    assert axis.place(math.inf) == math.inf
    assert math.isfinite(axis.low)
    assert axis.low > 0


def test_places_run_from_nought_to_one() -> None:
    for kind in ("log", "linear", "percent"):
        axis = AxisPlan(kind=kind, low=0.2, high=0.8)
        assert axis.place(0.2) == pytest.approx(0)
        assert axis.place(0.8) == pytest.approx(1)
    assert AxisPlan(kind="log", low=0.1, high=10.0).place(1.0) == pytest.approx(0.5)
