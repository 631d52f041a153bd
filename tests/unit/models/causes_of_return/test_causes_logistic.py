"""Products of the first model against plain draws of its factors, and parts that add up."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import special

from metakit.core.causes import StudyReturns
from metakit.models.causes_of_return.causes_logistic import LogisticGroup
from metakit.models.causes_of_return.causes_rates import WholeRate
from metakit.numerics.posteriors.share_distribution import Distribution

STUDIES = [
    StudyReturns(
        study=name, counts={"residual_bone": bone, "mp_hyperextension": mp}, returned=bone + mp + lost,
        not_stated=lost, thumbs=80.0 + bone,
    )
    for name, bone, mp, lost in (("A", 4, 2, 1), ("B", 3, 3, 2), ("C", 0, 2, 0), ("D", 5, 1, 3))
]  # fmt: skip
NAMES = ["residual_bone", "mp_hyperextension"]
TAILS = np.array([0.025, 0.5, 0.975])


@pytest.fixture(scope="module")
def group() -> LogisticGroup:
    return LogisticGroup(STUDIES, NAMES, 0.95, exclusive=True)


def drawn(share: Distribution, rng: np.random.Generator) -> np.ndarray:
    """Draw by inverting the distribution."""
    return share.quantiles(rng.random(400_000))


@pytest.mark.lengthy
def test_products_are_those_of_independent_draws(group: LogisticGroup) -> None:
    rng = np.random.default_rng(4)
    whole = WholeRate(STUDIES, "thumbs", 0.95)
    found = group.numbers(0, {"thumbs": whole})
    ours, _ = group._cells[0]
    share, kept = drawn(ours.mean_share[0], rng), drawn(group.lost.mean_share[1], rng)
    rate = rng.choice(whole.rate.value, p=whole.rate.weight / whole.rate.weight.sum(), size=share.size)
    for name, values in (
        ("share_if_none", share * kept),
        ("share_if_all", 1 - (1 - share) * kept),
        ("per_thumb", share * kept * rate),
        ("per_thumb_if_all", (1 - (1 - share) * kept) * rate),
    ):
        estimate: Any = found[name]
        limits = [estimate.interval.lower, estimate.median, estimate.interval.upper]
        width = limits[2] - limits[0]
        assert np.abs(np.quantile(values, TAILS) - limits).max() < 0.015 * width, name
        assert values.mean() == pytest.approx(estimate.mean, rel=0.01), name


def test_parts_add_up_to_the_whole(group: LogisticGroup) -> None:
    whole = WholeRate(STUDIES, "thumbs", 0.95)
    parts = sum(group.numbers(place, {"thumbs": whole})["per_thumb"].mean for place in range(2))
    assert parts + group.lost_rate(whole).mean == pytest.approx(whole.rate.mean, rel=1e-12)
    none = sum(group.numbers(place, {})["share_if_none"].mean for place in range(2))
    assert none + group.lost.mean_share[0].mean == pytest.approx(1, rel=1e-12)


def test_where_every_cause_is_stated_there_are_no_bounds() -> None:
    stated = [
        StudyReturns(study=s.study, counts=s.counts, returned=s.returned - s.not_stated, thumbs=s.thumbs)
        for s in STUDIES
    ]
    numbers = LogisticGroup(stated, NAMES, 0.95, exclusive=True).numbers(0, {})
    assert numbers["share_if_none"] is None
    assert numbers["share_if_all"] is None
    assert special.logit(numbers["share"].median) == pytest.approx(special.logit(0.57), abs=0.4)
