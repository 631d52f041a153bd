"""The rows of studies in a result: their own intervals by hand, shared by the hundreds of answers of a review."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from metakit.core.effects import EffectTable
from metakit.models.assembly import study_rows


def table(*effects: float) -> EffectTable:
    k = len(effects)
    known = np.isfinite(effects)
    return EffectTable(
        measure="generic", scale="identity", study=tuple("ABCDE"[:k]), effect=np.array(effects),
        variance=np.where(known, 0.04 * np.arange(1, k + 1), np.nan), estimable=known,
    )  # fmt: skip


def test_each_study_with_its_own_interval_and_none_without_an_effect() -> None:
    one, other, unknown = study_rows(table(0.3, -0.2, math.nan), np.array([0.75, 0.25, 0.0]), 0.9)
    z = stats.norm.ppf(0.95)
    assert (one.study, one.effect, one.variance, one.weight) == ("A", 0.3, 0.04, 0.75)
    assert one.interval == pytest.approx((0.3 - z * 0.2, 0.3 + z * 0.2), rel=1e-12)
    assert other.interval == pytest.approx(
        (-0.2 - z * math.sqrt(0.08), -0.2 + z * math.sqrt(0.08)), rel=1e-12
    )
    assert (unknown.effect, unknown.variance, unknown.interval, unknown.weight) == (None, None, None, 0.0)
    assert all(type(value) is float for value in (one.effect, one.variance, one.weight, *one.interval))


def test_answers_share_the_numbers_of_a_study_and_the_sign_of_zero_is_kept() -> None:
    """Leaving each study out in turn makes thousands of rows; what is the same in them is held once."""
    first = study_rows(table(0.3, -0.2), np.array([0.5, 0.5]), 0.95)[0]
    again = study_rows(table(0.3, 0.7), np.array([0.9, 0.1]), 0.95)[0]
    assert again.interval is first.interval and again.weight == 0.9
    wider = study_rows(table(0.3, 0.7), np.array([0.9, 0.1]), 0.99)[0]
    assert wider.interval is not None and first.interval is not None
    assert wider.interval.lower < first.interval.lower
    for zero in (0.0, -0.0):
        (row,) = study_rows(table(zero), np.ones(1), 0.95)
        assert row.effect == 0 and math.copysign(1, row.effect) == math.copysign(1, zero)
