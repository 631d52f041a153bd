"""All subsets: the same numbers in one process, in several and on Dask; against a loop of pooled subsets."""

from __future__ import annotations

import itertools
from importlib.util import find_spec

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from metakit.core.sharing import cluster_mapper, process_mapper
from metakit.errors import UnknownNameError, UsageError
from metakit.models.differing import all_subsets as module
from metakit.models.differing.all_subsets import all_subsets
from metakit.models.differing.exploring import SubsetRequest, explore, exploring_text
from tests.unit.models.differing.test_exploring import BCG

SEVEN = BCG.select(np.arange(13) < 7)


# computed: statsmodels' combine_effects (DerSimonian-Laird is not truncated there, hence the maximum with 0).
def test_every_subset_is_the_pool_of_its_studies() -> None:
    found = all_subsets(SEVEN)
    assert found.exhaustive and len(found.estimate) == 127
    for code in (3, 37, 127):
        inside = [n for n in range(7) if code >> n & 1]
        y, v = SEVEN.effect[inside], SEVEN.variance[inside]
        with np.errstate(invalid="ignore"):  # their untruncated tau2 gives roots of negative numbers
            theirs = combine_effects(y, v, method_re="dl")
        tau2 = max(float(theirs.tau2), 0.0)
        weight = 1 / (v + tau2)
        assert found.tau2[code - 1] == pytest.approx(tau2, rel=1e-9)
        assert found.estimate[code - 1] == pytest.approx(np.sum(weight * y) / np.sum(weight), rel=1e-9)
        assert found.size[code - 1] == len(inside)


def test_chosen_studies_are_marked_in_half_of_the_subsets() -> None:
    found = all_subsets(SEVEN)
    marks = {name: found.with_study(name) for name in found.studies}
    assert all(mark.sum() == 64 for mark in marks.values())
    sizes = np.sum(list(marks.values()), axis=0)
    assert np.array_equal(sizes, found.size)
    with pytest.raises(UnknownNameError, match="study"):
        found.with_study("nobody")


@pytest.fixture
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut the work into several pieces where it is made and where the answers are put together."""
    monkeypatch.setattr(module, "PIECE", 1 << 5)


def test_processes_give_the_very_same_numbers() -> None:
    alone, shared = all_subsets(SEVEN), all_subsets(SEVEN, mapper=process_mapper(2))
    assert np.array_equal(alone.estimate, shared.estimate) and np.array_equal(alone.tau2, shared.tau2)
    with pytest.raises(UsageError, match="at least 1"):
        process_mapper(0)


def test_pieces_change_nothing(small_pieces: None) -> None:
    fractions: list[float] = []
    cut = all_subsets(SEVEN, progress=fractions.append)
    assert len(fractions) == 4 and fractions[-1] == 1.0 and fractions == sorted(fractions)
    codes = [
        sum(1 << n for n in part) for size in range(1, 8) for part in itertools.combinations(range(7), size)
    ]
    assert sorted(codes) == list(range(1, 128))
    assert np.array_equal(cut.size, [bin(code).count("1") for code in range(1, 128)])


@pytest.mark.walk
@pytest.mark.skipif(find_spec("distributed") is None, reason="the extra 'cluster' is not installed")
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
def test_a_dask_cluster_gives_the_very_same_numbers() -> None:
    alone, shared = all_subsets(SEVEN), all_subsets(SEVEN, mapper=cluster_mapper(None, 1))
    assert np.array_equal(alone.estimate, shared.estimate) and np.array_equal(alone.tau2, shared.tau2)


def test_explore_sums_up_the_cloud_and_marks_a_study() -> None:
    answer = explore(SEVEN, all_subsets=SubsetRequest(chosen=(SEVEN.study[3],)))
    cloud = answer["all_subsets"]
    assert cloud["subsets"] == 127 and cloud["all_of_them"] is True and cloud["seed"] is None
    inside = all_subsets(SEVEN).with_study(SEVEN.study[3])
    estimates = all_subsets(SEVEN).estimate
    assert cloud["chosen"][0]["with_it"]["0.5"] == pytest.approx(np.median(estimates[inside]))
    assert cloud["chosen"][0]["without_it"]["1"] == estimates[~inside].max()
    assert f"without {SEVEN.study[3]}" in exploring_text(answer, SEVEN)
