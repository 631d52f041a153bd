"""Rungs of the quadrature: what a finer one does not move is taken, the finest is the last word."""

from __future__ import annotations

import numpy as np
import pytest

from metakit.numerics.of_counts import one_stage_models as models
from metakit.numerics.of_counts.one_stage import NODE_LADDER
from metakit.numerics.of_counts.one_stage_profile import profile_limits, signed_root
from tests.unit.numerics.of_counts.test_one_stage_fit import CUTOFF, ONE_ARM, fitted, rows


def test_beyond_the_finest_rule_nothing_is_asked_and_the_answer_stands(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    prepared = models.binomial_normal(*rows(ONE_ARM))
    fit = fitted(prepared)
    whole = profile_limits(prepared.model, fit, parameter=0, cutoff=CUTOFF)
    root = signed_root(prepared.model, fit, parameter=0, value=-2.0)
    monkeypatch.setitem(NODE_LADDER, 1, (321,))
    last = profile_limits(prepared.model, fit, parameter=0, cutoff=CUTOFF)
    assert np.isfinite(last[0]).all() and np.isfinite(last[1]).all()
    assert (last[0][0], last[1][0]) == pytest.approx((whole[0][0], whole[1][0]), rel=1e-8)
    assert signed_root(prepared.model, fit, parameter=0, value=-2.0) == pytest.approx(root, rel=1e-7)


def test_a_rule_too_coarse_is_left_for_a_finer_one(monkeypatch: pytest.MonkeyPatch) -> None:
    prepared = models.binomial_normal(*rows(ONE_ARM))
    fit = fitted(prepared)
    whole = profile_limits(prepared.model, fit, parameter=0, cutoff=CUTOFF)
    fit.nodes[:] = 3  # as if three nodes had been enough at the maximum
    monkeypatch.setitem(NODE_LADDER, 1, (3, 161))
    again = profile_limits(prepared.model, fit, parameter=0, cutoff=CUTOFF)
    assert (again[0][0], again[1][0]) == pytest.approx((whole[0][0], whole[1][0]), rel=1e-6)
