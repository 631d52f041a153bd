"""What each column accepts, from both sides of its bounds."""

from __future__ import annotations

import pytest

from metakit.measures import column_rules as rules


@pytest.mark.parametrize(
    ("rule", "accepted", "refused", "whole"),
    [
        (rules.COUNT, (0, 1, 1e6), (-1, -0.5), True),
        (rules.SIZE, (1, 0.5), (0, -1), True),
        (rules.SIZE_WITH_SPREAD, (2, 1.5), (1, 0), True),
        (rules.POSITIVE, (1e-9, 5), (0, -1), False),
        (rules.NOT_NEGATIVE, (0, 5), (-1e-9,), False),
        (rules.NUMBER, (-5, 0, 5), (), False),
        (rules.SHARE, (0, 0.5, 1), (-0.01, 1.01), False),
        (rules.PROBABILITY, (0.01, 1), (0, 1.01), False),
        (rules.LEVEL, (0.5, 0.95, 0.999), (0.49, 1, 95), False),
        (rules.CORRELATION, (-0.999, 0, 0.999), (-1, 1, 1.5, -1.5), False),
    ],
)
def test_bounds(
    rule: rules.ColumnRule, accepted: tuple[float, ...], refused: tuple[float, ...], whole: bool
) -> None:
    assert rule.whole is whole
    assert all(rule.accepts(value) for value in accepted)
    assert not any(rule.accepts(value) for value in refused)
