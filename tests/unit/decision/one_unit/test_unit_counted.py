"""What the unit counted itself: one limit everywhere, and a question where the studies count otherwise."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from scipy import stats

from metakit.decision.one_unit.unit_cells import arms_of
from metakit.decision.one_unit.unit_counted import counted_words, same_thing
from metakit.decision.one_unit.unit_json import decision_json
from metakit.report.unit_tables import expected_groups
from metakit.synthesis.baseline import baseline_from_counts
from tests.unit.decision.units import COMPLICATIONS, REVISIONS, decided

NONE_SEEN = COMPLICATIONS.replace("events: 21, thumbs: 96", "events: 0, thumbs: 30")


def test_none_and_all_are_explained_by_the_units_own_limits() -> None:
    # Exact two-sided limits (Clopper & Pearson 1934; Garwood 1936), from scipy.stats; rule of three: 3.7 / n.
    thumbs = baseline_from_counts("unit_audit", "audit", 0, 30)
    years = baseline_from_counts("unit_audit", "audit", 0, 60, per_year=True)
    every = baseline_from_counts("unit_audit", "audit", 30, 30)
    most = 100 * stats.binomtest(0, 30).proportion_ci(0.95, method="exact").high
    assert most == pytest.approx(100 * (1 - 0.025 ** (1 / 30)))  # nobody of 30 at this risk: 2.5 %
    assert f"up to {most:.1f} in 100 thumbs fit (exact limit)." in counted_words(thumbs)
    assert "no risk of zero" in counted_words(thumbs) and "no rate of zero" in counted_words(years)
    assert years.upper == pytest.approx(stats.chi2(2).ppf(0.975) / 2 / 60)
    assert f"up to {100 * years.upper:.2f} in 100 thumb-years fit (exact limit)." in counted_words(years)
    assert f"as few as {100 - most:.1f} in 100 thumbs fit (exact limit)." in counted_words(every)
    assert counted_words(baseline_from_counts("unit_audit", "audit", 8, 640, per_year=True)) == ""


@pytest.mark.lengthy
def test_one_limit_after_no_event_wherever_it_stands(tmp_path: Path) -> None:
    found = decided(
        tmp_path, NONE_SEEN, REVISIONS.replace("events: 8, thumb_years: 640", "events: 0, thumb_years: 60")
    )
    said = found.first.lines[0].text
    captions = [words for _, words, _, _ in expected_groups(found)]
    assert "up to 11.6 in 100 thumbs fit" in said and "up to 6.15 in 100 thumb-years fit" in said
    assert (
        "up to 11.6 in 100 thumbs fit" in captions[0] and "up to 6.15 in 100 thumb-years fit" in captions[1]
    )
    assert not any(re.search(r"\b0\.0 per 100", text) for text in (said, *captions))
    # No other limit stands beside it: of one side alone 9.5 and 5.0, after Jeffreys' prior 8.0 and 4.2.
    assert not re.search(r"\b(9\.5|5\.0|8\.0|4\.2) in 100", json.dumps(decision_json(found)))


def test_a_unit_that_counts_something_else_is_asked(tmp_path: Path) -> None:
    found = decided(tmp_path, NONE_SEEN)
    (cell,) = [cell for cell in found.cells if cell.link]
    seen = [events / size for events, size in arms_of(cell, current=True).values()]
    assert (len(seen), min(seen), max(seen)) == (5, 6 / 40, 8 / 40)  # tests/unit/decision/units.py
    assert found.first.lines[0].text.endswith(
        "For any complication the studies saw 15 to 20 in 100: do you count the same thing?"
    )
    (base,) = [cell.outcome.baseline for cell in found.cells if cell.is_current]
    assert base is not None and same_thing(base, found.cells) != ""
    # 21 in 96 is 15 to 31 in 100: the interval reaches what the studies saw.
    own = baseline_from_counts("unit_audit", "audit", 21, 96)
    assert same_thing(own, found.cells) == ""
    many = baseline_from_counts("unit_audit", "audit", 80, 96)
    assert "do you count the same thing?" in same_thing(many, found.cells)
    assert same_thing(many, [cell for cell in found.cells if cell.is_current]) == ""


def test_one_study_is_named_as_one(tmp_path: Path) -> None:
    # 8 of 40 fit from 9.9 in 100 on, which the exact limit of 0 in 30 (12) reaches, and that of 0 in 40 (8.8) not.
    assert "the same thing" not in decided(tmp_path, NONE_SEEN, studies=1).first.text
    found = decided(tmp_path, NONE_SEEN.replace("thumbs: 30", "thumbs: 40"), studies=1)
    assert found.first.lines[0].text.endswith(
        "For any complication the study saw 20 in 100: do you count the same thing?"
    )
