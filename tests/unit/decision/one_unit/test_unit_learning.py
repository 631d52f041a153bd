"""The first year with a new technique, as stated by the unit; nothing where it states nothing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.unit.decision.units import HEAD, REVISIONS, decided

LEARNING = "learning: {thumbs: 30, extra_minutes: 20, rate_ratio: 2, source: log book}"


def test_nothing_is_invented(tmp_path: Path) -> None:
    assert decided(tmp_path, REVISIONS).first_years == ()


def test_the_first_thumbs_carry_the_stated_ratio(tmp_path: Path) -> None:
    found = decided(tmp_path, REVISIONS, head=HEAD.replace("cost: 1500", f"cost: 1500, {LEARNING}"))
    (first,) = found.first_years
    assert (first.thumbs, first.hours, first.source) == (30, 10.0, "log book")
    ((label, counts, added),) = first.events
    item = found.expectation("revision_index", "lrti")
    assert item is not None and item.cohort is not None and label == "Revision of the index operation"
    rates = item.cell.draws
    # 30 thumbs at twice the rate, 90 at the rate, five years each.
    exact = float(np.mean(30 * -np.expm1(-10 * rates) + 90 * -np.expm1(-5 * rates)))
    assert counts.mean == pytest.approx(exact)
    assert added == pytest.approx(exact - item.cohort.mean)


def test_more_first_thumbs_than_a_year_has_are_cut_to_the_year(tmp_path: Path) -> None:
    head = HEAD.replace("cost: 1500", f"cost: 1500, {LEARNING.replace('30', '500')}")
    (first,) = decided(tmp_path, REVISIONS, head=head).first_years
    assert first.thumbs == 120
