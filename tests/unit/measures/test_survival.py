"""Standard errors behind printed intervals of a survival, by half and whole. Values by the formulas, written out.

Source: Parmar MKB et al. 1998, Stat Med 17:2815-2834; Kalbfleisch & Prentice 1980, section 1.3 (log-log interval).
"""

from __future__ import annotations

import math

import pytest
from scipy import stats

from metakit.errors import UsageError
from metakit.measures.survival import survival_error_from_interval

Z = stats.norm.ppf(0.975)


@pytest.mark.parametrize(
    ("given", "error", "how"),
    [
        ((0.8, 0.7, 0.9), 0.1 / Z, "a symmetric interval"),
        ((0.9, 0.82, 1.0), 0.08 / Z, "the lower half of an interval cut at 1"),
        ((0.1, 0.0, 0.25), 0.15 / Z, "the upper half of an interval cut at 0"),
    ],
)
def test_each_form(given: tuple[float, float, float], error: float, how: str) -> None:
    found = survival_error_from_interval(*given)
    assert found.value == pytest.approx(error, rel=1e-12)
    assert found.rule == f"standard error of the survival from {how}"
    wider = survival_error_from_interval(*given, level=0.9).value
    assert wider == pytest.approx(error * Z / stats.norm.ppf(0.95), rel=1e-12)


def test_an_interval_of_the_bent_scale_gives_greenwoods_error_back() -> None:
    s, error = 0.9, 0.03
    bent = error / (s * -math.log(s))
    low, high = (math.exp(-math.exp(math.log(-math.log(s)) + sign * Z * bent)) for sign in (1, -1))
    found = survival_error_from_interval(s, low, high)
    assert found.value == pytest.approx(error, rel=1e-9) and "log-log" in found.rule and found.doubt == ""


@pytest.mark.parametrize("given", [(0.9, 0.9, 1.0), (0.9, 0.95, 0.99), (0.2, 0.0, 0.2), (0.5, 0.6, 0.4), (0.5, -0.1, 0.6), (0.5, 0.4, 1.1), (1.0, 0.9, 1.0), (0.5, 0.5, 0.5)])  # fmt: skip
def test_what_gives_no_error(given: tuple[float, float, float]) -> None:
    with pytest.raises(UsageError):
        survival_error_from_interval(*given)


def test_the_scale_on_which_the_estimate_lies_in_the_middle_is_taken() -> None:
    """Off the middle as a share of the width, on either scale, written out; a grid with both answers in it."""
    taken = set()
    for s in (0.6, 0.75, 0.9):
        for below in (0.04, 0.06, 0.08):
            for above in (0.04, 0.05, 0.06, 0.07):
                low, high = s - below, s + above
                plain = abs(s - (low + high) / 2) / (high - low)
                at, up, down = (math.log(-math.log(x)) for x in (s, high, low))
                bent = abs(at - (up + down) / 2) / (down - up)
                found = survival_error_from_interval(s, low, high)
                assert ("log-log" in found.rule) == (bent < plain), (s, low, high)
                error = (down - up) / (2 * Z) * -s * math.log(s) if bent < plain else (high - low) / (2 * Z)
                assert found.value == pytest.approx(error, rel=1e-12)
                taken.add(bent < plain)
    assert taken == {True, False}
