"""Every model of networks, walked whole: order and names of studies and techniques change nothing."""

from __future__ import annotations

import numpy as np
import pytest

from metakit.networks.arms import arms_from_counts_or_means
from metakit.networks.model import connected_parts
from metakit.networks.models import NETWORK_MODELS
from tests.unit.networks import networks


def fitted(name: str, study, technique, data):
    model = NETWORK_MODELS[name]
    arms = arms_from_counts_or_means("odds_ratio", study, technique, data)
    arms = model.prepare(arms) if model.prepare else arms
    (part,) = connected_parts(arms)
    return model.fit(part, "reml", 0.95)


@pytest.mark.parametrize("name", NETWORK_MODELS)
def test_order_of_rows_and_names_of_techniques_change_nothing(name: str) -> None:
    study, technique, data = networks.smoking_rows()
    whole = fitted(name, study, technique, data)
    mixed = np.random.default_rng(1).permutation(len(study))
    renamed = dict(zip("ABCD", "wvzu", strict=True))
    turned = fitted(
        name,
        [study[n] for n in mixed],
        [renamed[technique[n]] for n in mixed],
        {key: [column[n] for n in mixed] for key, column in data.items()},
    )
    for one in "ABCD":
        for two in "ABCD":
            if one == two:
                continue
            here, there = whole.contrast(one, two), turned.contrast(renamed[one], renamed[two])
            assert there.estimate == pytest.approx(here.estimate, rel=1e-7, abs=1e-9)
            assert there.standard_error == pytest.approx(here.standard_error, rel=1e-7)
            assert whole.contrast(two, one).estimate == -here.estimate
    assert turned.tau2 == pytest.approx(whole.tau2, rel=1e-7)


@pytest.mark.parametrize("name", NETWORK_MODELS)
def test_what_a_model_adds_covers_every_direct_pair(name: str) -> None:
    model = NETWORK_MODELS[name]
    part = fitted(name, *networks.smoking_rows())
    if model.direct is not None:
        direct = model.direct(part)
        assert all(0 < row.share <= 1 and row.standard_error > 0 for row in direct.values())
    if model.contributions is not None:
        shares = model.contributions(part)
        assert shares.by_study.sum(axis=1) == pytest.approx(1.0)
        assert shares.by_study.shape == (6, len(part.arms.studies))
    if model.inconsistency is not None:
        found = model.inconsistency(part)
        assert found.between_designs is not None
        assert all(split.difference_error > 0 for split in found.splits)
