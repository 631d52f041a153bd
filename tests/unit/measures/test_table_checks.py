"""Columns that a row may leave out are read where they are filled, and stand at their usual value where not."""

from __future__ import annotations

import pytest

from metakit.measures.tables import effect_sizes

Z95, Z90 = 1.959963984540054, 1.6448536269514722


def test_the_level_of_an_interval_is_that_of_its_row_and_95_where_it_is_empty() -> None:
    columns = {
        "study": ["A", "B", "C"], "survival": [0.8, 0.8, 0.8], "interval_lower": [0.7, 0.7, 0.7],
        "interval_upper": [0.9, 0.9, 0.9], "interval_level": [0.9, None, 0.95],
    }  # fmt: skip
    found = effect_sizes(columns, measure="survival", rows_differ=True).data["standard_error"]
    assert found.tolist() == pytest.approx([0.1 / Z90, 0.1 / Z95, 0.1 / Z95], rel=1e-9)
    del columns["interval_level"]
    plain = effect_sizes(columns, measure="survival", rows_differ=True).data["standard_error"]
    assert plain.tolist() == pytest.approx([0.1 / Z95] * 3, rel=1e-9)
