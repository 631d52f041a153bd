"""Contrasts of two mean proportions with their errors: the delta method by differences."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from metakit.numerics.of_counts.one_stage_contrast import contrast

LOGITS = np.array([[-2.0, -1.2], [0.4, 0.1]])
COVARIANCE = np.array([[[0.05, 0.01], [0.01, 0.08]], [[0.2, -0.03], [-0.03, 0.1]]])


def value(kind: str, logits: np.ndarray) -> float:
    p = special.expit(logits)
    if kind == "odds_ratio":
        return float(logits[0] - logits[1])
    return float(np.log(p[0] / p[1])) if kind == "risk_ratio" else float(p[0] - p[1])


@pytest.mark.parametrize("kind", ["odds_ratio", "risk_ratio", "risk_difference"])
def test_value_and_error_of_each_contrast(kind: str) -> None:
    found, error = contrast(LOGITS, COVARIANCE, kind)  # type: ignore[arg-type]
    for row in range(2):
        assert found[row] == pytest.approx(value(kind, LOGITS[row]), rel=1e-12)
        step = 1e-6 * np.eye(2)
        slopes = [(value(kind, LOGITS[row] + h) - value(kind, LOGITS[row] - h)) / 2e-6 for h in step]
        assert error[row] == pytest.approx(np.sqrt(slopes @ COVARIANCE[row] @ slopes), rel=1e-7)
