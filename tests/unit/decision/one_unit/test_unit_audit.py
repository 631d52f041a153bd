"""A unit's own audit: years until it could tell a difference, limits of running totals, what was counted."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from metakit.decision.information import size_for_risks
from metakit.decision.one_unit.unit_words import plain_text
from metakit.report.unit_plan_tables import audit_tables
from tests.unit.decision.units import COMPLICATIONS, HEAD, REVISIONS, decided

AUDIT = """audit:
  - {outcome: any_complication, technique: lrti, year: 2026, events: 45, thumbs: 60}
  - {outcome: any_complication, technique: lrti, year: 2025, events: 12, thumbs: 60}
"""


@pytest.mark.lengthy
def test_years_to_tell_are_those_of_the_published_size(tmp_path: Path) -> None:
    outcome = COMPLICATIONS.replace("    baseline", "    difference_to_tell: 5\n    baseline", 1)
    found = decided(tmp_path, outcome, head=HEAD.replace("thumbs_a_year: 120", "thumbs_a_year: 150"))
    (item,) = found.to_tell
    now = 21.5 / 97  # the mean after Jeffreys' prior
    assert item.now == pytest.approx(now, rel=1e-3) and item.typed
    # Fleiss, Levin & Paik 2003, eq. 4.14, written out again with scipy's normal quantiles.
    other, z = now - 0.05, stats.norm.ppf([0.975, 0.8])
    middle = (now + other) / 2
    root = z[0] * math.sqrt(2 * middle * (1 - middle)) + z[1] * math.sqrt(
        now * (1 - now) + other * (1 - other)
    )
    assert item.thumbs == 2 * math.ceil((root / 0.05) ** 2) == size_for_risks(now, other)
    assert item.years == math.ceil(item.thumbs / 150) == 14
    assert "after 14 years at 150 thumbs a year, half with each technique, and 1 more" in plain_text(found)


def test_a_difference_nobody_states_has_no_years(tmp_path: Path) -> None:
    outcome = COMPLICATIONS.replace("any_complication", "crps").replace(
        "    effects: [{technique: lrti, analysis: complications}]\n", ""
    )
    (item,) = decided(tmp_path, outcome).to_tell
    assert item.why_not == "neither the unit nor the review states a difference"


@pytest.mark.lengthy
def test_limits_follow_expected_totals_and_promise_five_in_a_hundred(tmp_path: Path) -> None:
    found = decided(tmp_path, REVISIONS)
    (plan,) = found.audits
    years = np.arange(1, 6)
    # Thumbs begun evenly: the expected total to the end of year n is the double integral of the hazard's curve.
    rates = stats.gamma(8.5, scale=1 / 640).ppf((np.arange(4000) + 0.5) / 4000)
    exact = [120 * np.mean(n - (1 - np.exp(-rates * n)) / rates) for n in years]
    assert [row.expected for row in plan.rows] == pytest.approx(exact, rel=1e-3)
    random = np.random.default_rng(3)
    left = 0
    audits = 4000
    for _ in range(audits):
        times = np.sort(random.uniform(0, plan.horizon, random.poisson(plan.horizon)))
        ratios = [n * math.log(n / t) - (n - t) if n > t else 0.0 for n, t in enumerate(times, start=1)]
        before = [n * math.log(n / t) - (n - t) if n else t
                  for n, t in enumerate([*times, plan.horizon]) if n < t]  # fmt: skip
        left += max([*ratios, *before, 0.0]) >= plan.critical
    assert left / audits == pytest.approx(0.05, abs=0.014)
    assert plan.alarm_if_double > 0.5 > plan.alarm_if_half / 2


def test_running_totals_are_held_against_now_in_the_order_of_years(tmp_path: Path) -> None:
    found = decided(tmp_path, COMPLICATIONS, end=AUDIT)
    (plan,) = found.audits
    first, second = (plan.totals or {})["lrti"]
    rate = 21.5 / 97
    assert (first.year, first.observed, second.observed) == (2025, 12, 57)
    assert (first.expected, second.expected) == pytest.approx((60 * rate, 120 * rate), rel=1e-3)
    assert (first.side, second.side) == (0, 1)
    told = audit_tables(found)[0][3][0]
    assert told.startswith("LRTI, to the end of 2026: 57 counted, 27 expected; above the upper limit")


def test_a_register_is_too_much_to_watch_and_says_so(tmp_path: Path) -> None:
    head = HEAD.replace("thumbs_a_year: 120, lowest: 90, highest: 150", "thumbs_a_year: 20000")
    (plan,) = decided(tmp_path, COMPLICATIONS, head=head).audits
    assert "more than 2000 events are expected" in plan.why_not


@pytest.mark.lengthy
def test_what_takes_longer_than_a_working_life_is_never_told_alone(tmp_path: Path) -> None:
    """A unit of 12 thumbs printed "after 292 years"; and a rise was told without saying so."""
    head = HEAD.replace("thumbs_a_year: 120, lowest: 90, highest: 150", "thumbs_a_year: 12")
    none = COMPLICATIONS.replace("events: 21, thumbs: 96", "events: 0, thumbs: 30")
    found = decided(tmp_path, none, head=head)
    (item,) = found.to_tell
    assert item.years > 30 and item.other > item.now
    said = plain_text(found)
    assert (
        "cannot tell 6.6 from 1.6 in 100 thumbs within 30 years" in said
        and "never" not in said
        and "Join a register." in said
    )
    assert "upwards, since 1.6 cannot fall by as much" in said and "could tell" not in said
    assert "upwards" not in plain_text(decided(tmp_path, COMPLICATIONS))
