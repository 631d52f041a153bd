"""Bounds of what a conversion takes, and the words beside a refusal."""

from __future__ import annotations

import math

import pytest

from metakit.errors import UsageError
from metakit.measures.converting import spread
from metakit.measures.converting.change_scores import change_sd, correlation_from_sds
from metakit.measures.converting.combining import MeanSummary, RateSummary, combined_means, combined_rates
from metakit.measures.converting.derived import required, required_level, required_size
from metakit.measures.converting.hazards import hazard_ratio_from_logrank, hazard_ratio_from_p
from metakit.measures.converting.quantiles import Quantiles, mean_from_quantiles, sd_from_quantiles
from metakit.measures.converting.ratio_errors import log_error_from_interval, log_error_from_p
from metakit.measures.converting.reexpression import EstimateWithLimits, in_points


@pytest.mark.parametrize(("level", "hint"), [(95, "write 0.95"), (99.5, "write 0.995"), (1.5, "write 0.015")])
def test_a_percentage_is_answered_with_its_fraction(level: float, hint: str) -> None:
    with pytest.raises(UsageError, match=hint):
        required_level(level)


@pytest.mark.parametrize("level", [0, 1, 100, 250, -0.5, math.nan])
def test_what_is_no_level_has_no_hint(level: float) -> None:
    with pytest.raises(UsageError) as error:
        required_level(level)
    assert "write" not in str(error.value)
    assert required_level(0.001) == 0.001 and required_level(0.999) == 0.999


def test_sizes_and_numbers_at_their_bounds() -> None:
    assert required_size("n", 2) == 2 and required_size("n", 1, fewest=1) == 1
    for size in (1.99, math.inf, math.nan):
        with pytest.raises(UsageError, match="at least 2"):
            required_size("n", size)
    assert required("x", 0.1, above=0) == 0.1 and required("x", -5.0) == -5.0
    for value in (0.0, -1.0, math.inf, math.nan):
        with pytest.raises(UsageError, match="above 0"):
            required("x", value, above=0)
    with pytest.raises(UsageError, match="below 1"):
        required("x", 1.0, above=0, below=1)


SMALL = 1e-6
UNITS = {
    # what a unit a million times larger makes of an answer: as much smaller, or nothing
    "change_sd": (lambda u: change_sd(3 * u, 4 * u, 0.3).value, 1),
    "correlation_from_sds": (lambda u: correlation_from_sds(3 * u, 4 * u, 5 * u).value, 0),
    "sd_from_standard_error": (lambda u: spread.sd_from_standard_error(0.5 * u, 20).value, 1),
    "sd_from_interval": (lambda u: spread.sd_from_interval(-2 * u, 3 * u, 20).value, 1),
    "sd_from_difference_error": (lambda u: spread.sd_from_difference_error(0.5 * u, 12, 15).value, 1),
    "sd_from_difference_interval": (lambda u: spread.sd_from_difference_interval(-u, 3 * u, 12, 15).value, 1),
    "sd_from_t": (lambda u: spread.sd_from_t(3 * u, 1.7, 12, 15).value, 1),
    "sd_from_p": (lambda u: spread.sd_from_p(3 * u, 0.2, 12, 15).value, 1),
    "sd_from_quantiles": (lambda u: sd_from_quantiles(Quantiles(total=20, minimum=u, first_quartile=2 * u, median=3 * u, third_quartile=5 * u, maximum=9 * u)).value, 1),
    "mean_from_quantiles": (lambda u: mean_from_quantiles(Quantiles(total=20, minimum=u, first_quartile=2 * u, median=3 * u, third_quartile=5 * u, maximum=9 * u)).value, 1),
    "combined_means": (lambda u: combined_means([MeanSummary(3 * u, u, 12), MeanSummary(5 * u, 2 * u, 9)]).value.sd, 1),
    "combined_rates": (lambda u: combined_rates([RateSummary(2, 3 * u), RateSummary(1, 4 * u)]).value.time, 1),
    "log_error_from_interval": (lambda u: log_error_from_interval(0.5 * u, 0.3 * u, 0.9 * u).value, 0),
    "in_points": (lambda u: in_points(EstimateWithLimits(0.5, 0.2, 0.8), 4 * u, scale="x", sd_source="y").value.lower, 1),
}  # fmt: skip


@pytest.mark.parametrize("name", UNITS)
@pytest.mark.parametrize("unit", [SMALL, 1e6])
def test_numbers_below_one_are_numbers_as_any_other(name: str, unit: float) -> None:
    """Grams or kilograms: what must lie above 0 may lie below 1, and the answer has the unit of what was given."""
    conversion, power = UNITS[name]
    assert conversion(unit) == pytest.approx(unit**power * conversion(1.0), rel=1e-9)


@pytest.mark.parametrize("events", [(0.4, 0.6), (0.4, 3.0), (3.0, 0.4)])
def test_effective_numbers_of_events_may_lie_below_one(events: tuple[float, float]) -> None:
    one, two = events
    found = hazard_ratio_from_p(0.02, one, two, fewer_in="arm_1").value
    assert found.standard_error == pytest.approx(((one + two) / (one * two)) ** 0.5, rel=1e-9)
    logrank = hazard_ratio_from_logrank(-0.3, 0.25).value
    assert (logrank.log_hazard_ratio, logrank.standard_error) == pytest.approx((-1.2, 2.0), rel=1e-12)


def test_ratios_below_one_have_errors_too() -> None:
    z = 1.959963984540054
    assert log_error_from_p(0.5, 0.05).value == pytest.approx(0.6931471805599453 / z, rel=1e-9)
    assert log_error_from_p(2.0, 0.05).value == pytest.approx(0.6931471805599453 / z, rel=1e-9)
