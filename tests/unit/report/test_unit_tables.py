"""Words of the unit's tables."""

from __future__ import annotations

from pathlib import Path

from metakit.core.written import signed
from metakit.decision.one_unit.expected import Range
from metakit.report.unit_tables import burden_lines, other_side_words, range_words, tie_basis
from tests.unit.decision.one_unit.test_unit_decision import WEIGHTS
from tests.unit.decision.units import REVISIONS, SCORES, decided


def test_a_mean_on_the_other_side_than_half_of_the_draws_says_so() -> None:
    assert other_side_words(Range(mean=0.9, median=-0.84, lower=-1.6, upper=9.0)) == (
        "a few extreme draws make this mean; the middle value is −0.8"
    )
    assert other_side_words(Range(mean=-0.9, median=0.84, lower=-9.0, upper=1.0)).endswith("value is +0.8")
    assert other_side_words(Range(mean=0.1, median=-0.03, lower=-1.6, upper=9.0)).endswith("value is −0.03")
    assert other_side_words(Range(mean=-0.9, median=-0.4, lower=-9.0, upper=1.0)) == ""
    assert other_side_words(Range(mean=None, median=-0.4, lower=-9.0, upper=1.0)) == ""


def test_near_none_is_not_written_as_a_power_of_ten() -> None:
    """ "1.4×10⁻⁴ per 100" was the lower limit after no event."""
    assert range_words(Range(mean=1.6, median=0.7, lower=1.4e-4, upper=8.0)) == "1.6 (near 0 to 8.0)"
    assert range_words(Range(mean=1.6, median=0.7, lower=0.0, upper=8.0)) == "1.6 (0.0 to 8.0)"
    assert range_words(Range(mean=1.6, median=0.7, lower=0.02, upper=8.0)) == "1.6 (0.02 to 8.0)"


def test_drivers_say_that_they_stand_at_the_estimates_and_what_the_mean_is(tmp_path: Path) -> None:
    found = decided(tmp_path, *WEIGHTS[:2])
    (item,) = found.drivers
    (burden,) = [one for one in found.burdens if one.technique.id == "lrti"]
    assert item.weighted and burden.change is not None and burden.change.mean is not None
    (line,) = [line for line in burden_lines(found) if line[0] == "LRTI"]
    assert line[2].endswith(f"; middle value {signed(burden.change.median)}")
    said = tie_basis(found, item)
    at, mean = item.difference / 120 * 100, burden.change.mean
    assert f"there the difference is {signed(at)} per 100 thumbs" in said and f"is {signed(mean)}" in said
    alone = decided(tmp_path, REVISIONS)
    (item,) = alone.drivers
    change = alone.expectation("revision_index", "lrti").change  # type: ignore[union-attr]
    assert change is not None and change.mean is not None
    said = tie_basis(alone, item)
    assert f"{signed(item.difference)} of a year's 120 thumbs" in said and signed(change.mean) in said
    assert tie_basis(decided(tmp_path, SCORES), decided(tmp_path, SCORES).drivers[0]) == ""
