"""Studies that alone connect two techniques, against taking each study away in turn. Invented networks."""

from __future__ import annotations

import itertools

import networkx
import numpy as np
import pytest

from metakit.networks.links import linking_studies


@pytest.mark.parametrize("seed", range(12))
def test_links_are_those_of_networks_without_one_study_each(seed: int) -> None:
    random = np.random.default_rng(seed)
    names = list("abcdefg")
    arms = [
        (str(number), name)
        for number in range(9)
        for name in random.choice(names, size=int(random.integers(2, 4)), replace=False)
    ]

    def graph(rows: list[tuple[str, str]]) -> networkx.Graph:
        made = networkx.Graph()
        made.add_nodes_from(name for _, name in arms)
        for one, two in itertools.combinations(rows, 2):
            if one[0] == two[0]:
                made.add_edge(one[1], two[1])
        return made

    pairs = [
        pair
        for pair in itertools.combinations(sorted({name for _, name in arms}), 2)
        if networkx.has_path(graph(arms), *pair)
    ]
    expected = {
        pair: tuple(
            study
            for study in sorted({study for study, _ in arms})
            if not networkx.has_path(graph([row for row in arms if row[0] != study]), *pair)
        )
        for pair in pairs
    }
    study, technique = zip(*arms, strict=True)
    assert linking_studies(study, technique, pairs) == expected


def test_a_chain_runs_through_all_its_studies() -> None:
    study, technique = ["1", "1", "2", "2", "3", "3"], ["a", "b", "b", "c", "c", "d"]
    found = linking_studies(study, technique, [("a", "d"), ("b", "c")])
    assert found == {("a", "d"): ("1", "2", "3"), ("b", "c"): ("2",)}
