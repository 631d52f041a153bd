"""Studies that alone connect two techniques: without one of them nothing says how the two compare."""

from __future__ import annotations

from collections.abc import Sequence

Pair = tuple[str, str]


def linking_studies(
    study: Sequence[str], technique: Sequence[str], pairs: Sequence[Pair]
) -> dict[Pair, tuple[str, ...]]:
    """Return for each pair of techniques the studies that all evidence on it runs through.

    Parameters
    ----------
    study, technique : sequence of str, length n
        The arms of one connected network.
    pairs : sequence of pairs of str

    Returns
    -------
    dict
        A pair that stays connected without any one study has an empty tuple.

    Examples
    --------
    >>> linking_studies("112233", "ababbc", [("a", "b"), ("a", "c")])
    {('a', 'b'): (), ('a', 'c'): ('3',)}
    """
    import networkx

    # Studies and techniques are the two kinds of node; a study without which a pair falls apart is a node
    # whose removal cuts the graph.
    graph: networkx.Graph[tuple[str, str]] = networkx.Graph()
    graph.add_edges_from(
        (("study", one), ("technique", two)) for one, two in zip(study, technique, strict=True)
    )
    found: dict[Pair, list[str]] = {pair: [] for pair in pairs}
    for cut in sorted(node for node in networkx.articulation_points(graph) if node[0] == "study"):
        without = graph.subgraph(set(graph) - {cut})
        group = {
            node: number
            for number, members in enumerate(networkx.connected_components(without))
            for node in members
        }
        for pair, through in found.items():
            if group["technique", pair[0]] != group["technique", pair[1]]:
                through.append(cut[1])
    return {pair: tuple(through) for pair, through in found.items()}
