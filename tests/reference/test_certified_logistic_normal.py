"""The logistic-normal of causes against grids and chains that share nothing with it.

Source of the model: Aitchison & Shen 1980 (from memory; priors as `metakit.numerics.posteriors.logistic_normal` states
them). Source of the values: tests/reference/generate_logistic_normal.py, written without knowledge of the kernel.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
import yaml
from agreement import HERE, FastLoader

from metakit.numerics.posteriors import logistic_normal as kernel

TAILS = np.array([0.025, 0.5, 0.975])
ALLOWED = 4.5
"""Standard errors between a drawn number and the reference; some 300 are looked at."""


@cache
def records() -> dict[str, dict[str, Any]]:
    text = (HERE / "causes_logistic_normal.yaml").read_text(encoding="utf-8")
    every: dict[str, dict[str, Any]] = yaml.load(text, Loader=FastLoader)["cases"]  # noqa: S506 - a safe loader
    return {name: record for name, record in every.items() if np.sum(record["counts"]) > 0}


@pytest.mark.lengthy
@pytest.mark.parametrize("name", records())
def test_draws_agree_with_the_reference(name: str) -> None:
    record = records()[name]
    found = kernel.logistic_normal(record["counts"])
    for share, truth in zip(found.mean_share, record["share"], strict=True):
        low, _, high = (value for value, _ in truth["quantiles"])
        width = max(high - low, kernel._NARROW)
        # The median is drawn better than the limits, the mean better than both.
        for value, (true, error) in zip(share.quantiles(TAILS), truth["quantiles"], strict=True):
            assert abs(value - true) < ALLOWED * np.hypot(found.error * width, error)
        mean, error = truth["mean"]
        assert abs(share.mean - mean) < ALLOWED * np.hypot(width / 4 / np.sqrt(found.effective), error)
    for new, truth in zip(found.new_centre, record["new_centre"], strict=True):
        low, _, high = (value for value, _ in truth["quantiles"])
        for value, (true, error) in zip(new.quantiles(TAILS), truth["quantiles"], strict=True):
            assert abs(value - true) < ALLOWED * np.hypot(
                found.error * max(high - low, kernel._NARROW), error
            )
    (tau,) = record["tau"]
    low, _, high = (value for value, _ in tau["quantiles"])
    for value, (true, _) in zip(found.tau_quantiles(TAILS), tau["quantiles"], strict=True):
        assert abs(value - true) < 0.03 * (high - low)


@pytest.mark.walk
@pytest.mark.parametrize("name", ["two causes, two studies", "five causes, six studies"])
def test_thirty_seeds_are_right_on_average_and_scatter_as_they_say(name: str) -> None:
    record = records()[name]
    seeds = [kernel.logistic_normal(record["counts"], seed=seed) for seed in range(30)]
    for cause, truth in enumerate(record["share"]):
        quantiles = np.array([found.mean_share[cause].quantiles(TAILS) for found in seeds])
        low, _, high = true = np.array([value for value, _ in truth["quantiles"]])
        error = np.array([error for _, error in truth["quantiles"]])
        width = max(high - low, kernel._NARROW)
        scatter = quantiles.std(axis=0, ddof=1)
        assert np.all(scatter < 1.5 * max(found.error for found in seeds) * width)
        assert np.all(np.abs(quantiles.mean(axis=0) - true) < 4 * np.hypot(scatter / np.sqrt(30), error))
