"""Two kinds of number for one proportion: a typical study's, and all thumbs added up."""

from __future__ import annotations

import pytest

import metakit
from metakit.telling.proportions import added_words, proportion_words


def pooled(*counts: tuple[int, int]):
    table = {
        "study": [str(number) for number in range(len(counts))],
        "events": [events for events, _ in counts],
        "total": [total for _, total in counts],
    }
    return metakit.pool(metakit.effect_sizes(table, measure="proportion"))


def test_a_sum_that_fits_is_only_added_up() -> None:
    result = pooled((10, 100), (11, 100), (9, 100))
    assert added_words(30, 300, 3, result) == "30 of 300 thumbs in 3 studies added up (10 of 100)"
    assert proportion_words(result).startswith("10 (")


@pytest.mark.lengthy
def test_a_sum_outside_of_the_interval_says_why() -> None:
    counts = ((300, 400), (1, 90), (2, 110), (1, 80), (0, 60), (2, 95), (1, 100), (0, 70))
    result = pooled(*counts)
    events, total = (sum(part) for part in zip(*counts, strict=True))
    assert (
        not result.back_transform(result.interval[0])
        <= events / total
        <= result.back_transform(result.interval[1])
    )
    assert added_words(events, total, 8, result).endswith("the two part because studies differ much)")


def test_one_study_is_not_added_up() -> None:
    assert added_words(3, 12, 1, None) == "3 of 12 thumbs in 1 study (25 of 100)"
    assert added_words(0, 0, 0, None) == "0 of 0 thumbs in 0 studies"
