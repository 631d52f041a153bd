"""Regressions and networks under the half-normal rule against certified values, through the public functions.

Sources: Friede 2017 and Rover 2021 (prior), Lu & Ades 2004 and Higgins 2012 (covariance of networks). Source of the
digits: a program of 50 digits written without sight of these kernels, tests/reference/generate.py, topic
half_normal_linear. Tolerance: 1e-9, the stated error of the quadrature.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from agreement import certified, published

from metakit.core.effects import EffectTable
from metakit.measures.tables import effect_sizes
from metakit.models.differing.meta_regression import meta_regression
from metakit.networks.analysis import analyse_network
from metakit.networks.arms import arms_from_counts_or_means

RECORDS = certified("half_normal_linear")
CLOSE = 1e-9


def near(found: float, truth: str) -> None:
    assert found == pytest.approx(float(truth), abs=CLOSE)


def summary(estimate: float, interval: Any, prediction: Any, truth: dict[str, Any]) -> None:
    near(estimate, truth["median"])
    for mine, one in zip(interval, truth["interval"], strict=True):
        near(mine, one)
    for mine, one in zip(prediction, truth["prediction"], strict=True):
        near(mine, one)


def regression_table(record: dict[str, Any]) -> tuple[EffectTable, str]:
    if "table" in record:
        table = published(record["table"])
        frame = pd.DataFrame(table["rows"], columns=table["columns"])
        return effect_sizes(frame, measure=record["measure"]), "latitude"
    effect, variance = (np.array(record[name], dtype=float) for name in ("effect", "variance"))
    return EffectTable(
        measure="generic",
        scale="identity",
        study=tuple(f"s{n}" for n in range(len(effect))),
        effect=effect,
        variance=variance,
        estimable=np.ones(len(effect), dtype=bool),
        moderators={"moderator": tuple(float(value) for value in record["moderator"])},
    ), "moderator"


@pytest.mark.parametrize("record", [r for r in RECORDS if r["kind"] == "regression"], ids=lambda r: r["name"])
def test_regressions(record: dict[str, Any]) -> None:
    table, moderator = regression_table(record)
    found = meta_regression(table, [moderator])
    assert found.inference == "half_normal" and found.prior_scale == float(record["scale"])
    for coefficient, truth in zip(found.coefficients, (record["intercept"], record["slope"]), strict=True):
        near(coefficient.estimate, truth["median"])
        near(coefficient.interval.lower, truth["interval"][0])
        near(coefficient.interval.upper, truth["interval"][1])
        above = float(truth["above_zero"])
        near(coefficient.p_value, str(2 * min(above, 1 - above)))
    summary(*found.predict([1.0, float(record["at"])]), record["fitted"])
    near(found.omnibus.p_value, str(found.coefficients[1].p_value))


@pytest.mark.parametrize("record", [r for r in RECORDS if r["kind"] == "network"], ids=lambda r: r["name"])
def test_networks(record: dict[str, Any]) -> None:
    rows = [(study["study"], *arm) for study in record["studies"] for arm in study["arms"]]
    study, technique, events, total = zip(*rows, strict=True)
    arms = arms_from_counts_or_means(record["measure"], study, technique, {"events": events, "total": total})
    (item,) = analyse_network(arms, reference="A").parts
    for truth in record["comparisons"]:
        contrast = item.part.contrast(truth["technique"], truth["comparator"])
        summary(contrast.estimate, contrast.interval, contrast.prediction, truth)
    posterior = item.part.posterior
    near(float(posterior.weight @ posterior.given.tau), record["tau_mean"])
    if item.ranking is not None:
        for name, score in zip(item.ranking.techniques, item.ranking.p_scores, strict=True):
            near(float(score), record["p_scores_smaller_is_better"][name])
    assert math.isfinite(item.part.tau2)
