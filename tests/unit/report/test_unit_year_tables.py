"""Years of a unit's page: the middle value beside each mean, and a remark where a few draws make the mean."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from metakit.decision.new_centre import NewCentre
from metakit.report.unit_year_tables import year_tables
from metakit.synthesis.confidence import ConfidenceDistribution
from tests.unit.decision.units import REVISIONS, decided


def test_means_of_years_are_marked_where_a_few_draws_make_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (even,) = year_tables(decided(tmp_path, REVISIONS))
    assert even.extreme == "" and "of extreme draws" not in even.since_operation[0].cells[0]
    few = ConfidenceDistribution.from_interval(-1.1, -4.0, 1.8, level=0.95, df=1.0)
    wide = NewCentre(estimate=-1.1, distribution=few, tau_scale=0.0, level=0.95, note="")
    monkeypatch.setattr("metakit.decision.one_unit.unit_cells.new_centre", lambda finding: wide)
    found = decided(tmp_path, REVISIONS)
    (skewed,) = year_tables(found)
    assert skewed.extreme.startswith("A few extreme draws make the means of LRTI (")
    assert skewed.extreme.endswith("lie below them); look at the middle values.")
    item = found.expectation("revision_index", "lrti")
    assert item is not None and item.cohort is not None and item.cohort.extreme
    # The middle value stands first, and the mean beside it is marked; the last year is the page's own count.
    last, own = skewed.since_operation[-1].cells[1], item.cohort
    ends = f"{own.median:.0f} ({own.lower:.0f} to {own.upper:.0f}; mean of extreme draws "
    assert last.startswith(ends) and item.by_year[-1].counts is own
    # The share is that of the draws themselves.
    means = 120 * item.cell.per_thumb(item.cell.draws, 5)
    assert item.cohort.below == pytest.approx(float(np.mean(means < means.mean())))


def test_the_calendar_goes_past_the_years_that_thumbs_are_followed(tmp_path: Path) -> None:
    """No steady state: from the year after, older thumbs come on top of those that one year's table follows."""
    (table,) = year_tables(decided(tmp_path, REVISIONS))
    assert (table.since_operation[-1].year, table.calendar[-1].year) == ("year 5", "year 6")
    one, last = (
        float(line.cells[0].rpartition("mean ")[2].rstrip(")"))
        for line in (table.since_operation[-1], table.calendar[-1])
    )
    assert last > one
