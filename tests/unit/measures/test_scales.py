"""Scales lead there and back, and end where nature ends. Expected values by numpy and the functions' own definitions."""

from __future__ import annotations

import numpy as np
import pytest

from metakit.measures import scales
from metakit.measures.registry import Scale

ALL = [(name, found) for name, found in vars(scales).items() if isinstance(found, Scale)]
NATURAL = np.array([0.05, 0.3, 0.5, 0.9])


@pytest.mark.parametrize(
    ("name", "scale"), [one for one in ALL if one[1].from_natural is not None], ids=lambda one: str(one)[:30]
)
def test_there_and_back(name: str, scale: Scale) -> None:
    np.testing.assert_allclose(scale.to_natural(scale.from_natural(NATURAL)), NATURAL, rtol=1e-12)


def test_the_turned_log_log_rises_and_has_its_values() -> None:
    # -ln(-ln S), so that a larger value is a longer survival: 0 at S = 1/e.
    found = scales._turned_log_log(np.array([np.exp(-1.0), 0.9, 1.0]))
    np.testing.assert_allclose(found[:2], [0.0, -np.log(-np.log(0.9))], atol=1e-15)
    assert found[2] == np.inf
    np.testing.assert_allclose(
        scales._from_turned_log_log(np.array([0.0, 2.0])), np.exp(-np.exp([0.0, -2.0]))
    )


def test_beyond_its_range_an_interval_ends_at_nothing_or_all() -> None:
    np.testing.assert_allclose(
        scales._squared_sine(np.array([-0.2, 0.0, 0.5, 1.6, 3.0])), [0, 0, np.sin(0.5) ** 2, 1, 1]
    )
    np.testing.assert_allclose(scales._square(np.array([-1.0, 0.0, 3.0])), [0, 0, 9])
    np.testing.assert_allclose(scales._arcsine(np.array([0.25])), np.arcsin(0.5))
