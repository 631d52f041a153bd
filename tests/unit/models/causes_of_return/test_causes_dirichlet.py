"""The second model: which cells stand in it, and the bounds."""

from __future__ import annotations

import pytest

from metakit.core.causes import StudyReturns
from metakit.models.causes_of_return.causes_dirichlet import cause_models, lost_share, share_with_all

STUDIES = [
    StudyReturns(study="A", counts={"infection": 4, "nerve": 2}, returned=7, not_stated=1),
    StudyReturns(study="B", counts={"infection": 3, "nerve": 3}, returned=6),
]
NAMES = ["infection", "nerve"]


def test_parts_of_all_that_came_back_add_up() -> None:
    models = [cause_models(STUDIES, NAMES, place, 0.95, exclusive=True) for place in range(2)]
    none = sum(model.none.mean for model in models) + lost_share(STUDIES, NAMES, 0.95).mean
    assert none == pytest.approx(1, rel=1e-12)
    assert sum(model.stated.mean for model in models) == pytest.approx(1, rel=1e-12)
    assert models[0].none.mean < models[0].stated.mean < models[0].most.mean


def test_one_cause_against_all_else() -> None:
    single = cause_models(STUDIES, NAMES, 0, 0.95, exclusive=False)
    assert single.stated.mean == pytest.approx(share_with_all(STUDIES, NAMES, 0, 0.95).mean, rel=1e-12)
    assert set(single.numbers({})) == {"share", "share_if_none", "share_if_all"}


def test_all_of_them_is_the_same_as_typing_them_so() -> None:
    typed = [
        StudyReturns(study="A", counts={"infection": 5, "nerve": 2}, returned=7),
        StudyReturns(study="B", counts={"infection": 3, "nerve": 3}, returned=6),
    ]
    raised = cause_models(STUDIES, NAMES, 0, 0.95, exclusive=True).most.estimate(predicted=False)
    share = cause_models(typed, NAMES, 0, 0.95, exclusive=True).stated.estimate(predicted=False)
    assert (raised.mean, raised.interval) == (share.mean, share.interval)
