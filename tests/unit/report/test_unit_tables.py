"""Words of the unit's tables."""

from __future__ import annotations

from metakit.decision.one_unit.expected import Range
from metakit.report.unit_tables import other_side_words


def test_a_mean_on_the_other_side_than_half_of_the_draws_says_so() -> None:
    assert other_side_words(Range(mean=0.9, median=-0.84, lower=-1.6, upper=9.0)) == (
        "a few extreme draws make this mean; the middle value is −0.8"
    )
    assert other_side_words(Range(mean=-0.9, median=0.84, lower=-9.0, upper=1.0)).endswith("value is +0.8")
    assert other_side_words(Range(mean=0.1, median=-0.03, lower=-1.6, upper=9.0)).endswith("value is −0.03")
    assert other_side_words(Range(mean=-0.9, median=-0.4, lower=-9.0, upper=1.0)) == ""
    assert other_side_words(Range(mean=None, median=-0.4, lower=-9.0, upper=1.0)) == ""
