"""What is said of a correction of empty cells, by measure."""

from __future__ import annotations

import pytest

from metakit.measures.effect_log import _rule
from metakit.measures.registry import MEASURES


@pytest.mark.parametrize(
    ("measure", "where", "reason"),
    [
        ("risk_ratio", "to each cell", "one of which is 0"),
        ("proportion", "to events and to non-events", "one of which is 0"),
        ("rate", "to the events", "of which there are none"),
        ("rate_ratio", "to the events of both arms", "one of which is 0"),
    ],
)
def test_where_something_is_added_and_why(measure: str, where: str, reason: str) -> None:
    assert _rule(MEASURES[measure], "constant", variance_only=False).endswith(f" added {where}, {reason}")
    said = _rule(MEASURES[measure], "constant", variance_only=True)
    assert f"added {where}, since it would be 0" in said and reason not in said
