"""What was compared with what: techniques as a column of discs, comparisons as arcs beside it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from itertools import combinations

from metakit.core.written import count
from metakit.networks.answer import NetworkAnalysis, PartAnalysis
from metakit.networks.evidence import evidence_on
from metakit.plots.networks.network_geometry_layout import (
    GeometryContent,
    GeometryEdge,
    GeometryNode,
    GeometryPart,
    lay_out_geometry,
)
from metakit.plots.networks.network_registry import NETWORK_FIGURES, NetworkFigure, NetworkWords
from metakit.plots.registry import Built

MOST_SEARCHED = 60
"""Techniques up to which the order of the column is improved; beyond, the first guess stands."""


def geometry_content(found: NetworkAnalysis, words: NetworkWords, *, title: str = "") -> GeometryContent:
    """Return the parts of a network with their columns in order.

    The order of a column depends on what was compared alone, not on the order of the rows of a table: the
    total length of the arcs is small, and there is nothing random in it.
    """
    parts = [_part(item, words) for item in found.parts]
    known = all(edge.precision is not None for part in parts for edge in part.edges)
    arms = Counter(found.arms.study)
    return GeometryContent(
        title=title,
        parts=tuple(parts),
        size_unit=words.size_unit,
        width_tells=words.edges if known else "studies",
        several_arms=sum(number > 2 for number in arms.values()),
    )


def _part(item: PartAnalysis, words: NetworkWords) -> GeometryPart:
    arms = item.part.arms
    members: dict[str, set[str]] = {}
    sizes: dict[str, float] = {}
    studies: Counter[str] = Counter()
    for study, technique, thumbs in zip(arms.study, arms.technique, arms.thumbs, strict=True):
        members.setdefault(study, set()).add(technique)
        sizes[technique] = sizes.get(technique, 0.0) + float(thumbs)
        studies[technique] += 1
    compared = Counter(pair for names in members.values() for pair in combinations(sorted(names), 2))
    order = column_order(item.part.techniques, compared, item.reference)
    place = {name: number for number, name in enumerate(order)}

    def size(name: str) -> float | None:
        value = words.sizes.get(name, sizes[name])
        return value if math.isfinite(value) else None

    def precision(pair: tuple[str, str]) -> float | None:
        direct = evidence_on(item.direct or {}, pair)
        return direct.standard_error**-2 if direct and direct.standard_error > 0 else None

    return GeometryPart(
        nodes=tuple(
            GeometryNode(
                name=name, label=words.label(name), within=words.within(name), studies=studies[name],
                size=size(name), reference=name == item.reference,
            )
            for name in order
        ),
        edges=tuple(
            GeometryEdge(
                first=min(place[one], place[two]), second=max(place[one], place[two]), studies=number,
                precision=precision((one, two)),
            )
            for (one, two), number in sorted(compared.items())
        ),
        studies=len(members),
    )  # fmt: skip


def column_order(names: Sequence[str], compared: Counter[tuple[str, str]], reference: str) -> tuple[str, ...]:
    """Order techniques so that those compared with each other stand close: short arcs, few crossings.

    From the techniques by number of partners, each is moved to the place where the arcs are shortest, until
    nothing gets shorter. Of the two directions of the column, the reference stands in the upper half.
    """
    partners: dict[str, list[str]] = {name: [] for name in sorted(names)}
    for one, two in sorted(compared):
        partners[one].append(two)
        partners[two].append(one)
    order: list[str] = []
    for name in sorted(partners, key=lambda name: (-len(partners[name]), name)):
        order = _best_insertion(order, name, partners)
    if len(order) <= MOST_SEARCHED:
        length = _length(order, compared)
        while True:
            for name in sorted(order):
                order = _best_insertion([other for other in order if other != name], name, partners)
            shorter = _length(order, compared)
            if shorter >= length:
                break
            length = shorter
    where = order.index(reference) if reference in order else 0
    if 2 * where > len(order) - 1 or (2 * where == len(order) - 1 and order[0] > order[-1]):
        order.reverse()
    return tuple(order)


def _best_insertion(order: list[str], name: str, partners: dict[str, list[str]]) -> list[str]:
    """Put a name where all arcs together are shortest; the first such place."""
    place = {other: number for number, other in enumerate(order)}
    links = [
        (place[one], place[two])
        for one in order
        for two in partners[one]
        if two in place and place[one] < place[two]
    ]
    mine = [place[other] for other in partners[name] if other in place]

    def cost(at: int) -> int:
        over = sum(one < at <= two for one, two in links)  # arcs that the new row makes longer by one
        return over + sum(at - other if other < at else other + 1 - at for other in mine)

    best = min(range(len(order) + 1), key=lambda at: (cost(at), at))
    return [*order[:best], name, *order[best:]]


def _length(order: Sequence[str], compared: Counter[tuple[str, str]]) -> int:
    place = {name: number for number, name in enumerate(order)}
    return sum(abs(place[one] - place[two]) for one, two in compared)


def geometry_text(content: GeometryContent) -> str:
    """Return the words that stand for the picture."""
    told = []
    for number, part in enumerate(content.parts, 1):
        pairs = [
            f"{part.nodes[edge.first].label} and {part.nodes[edge.second].within} "
            f"({count(edge.studies, 'study', 'studies')})"
            for edge in sorted(part.edges, key=lambda edge: (-edge.studies, edge.first, edge.second))
        ]
        group = f"Group {number}, connected with no other: " if len(content.parts) > 1 else ""
        told.append(
            f"{group}{count(len(part.nodes), 'technique')}, {count(part.studies, 'study', 'studies')}. "
            f"Compared directly: {'; '.join(pairs)}."
        )
    return " ".join(told)


def build_network_geometry(
    found: NetworkAnalysis,
    *,
    words: NetworkWords = NetworkWords(),  # noqa: B008
    title: str = "",
    width_mm: float = 140,
) -> Built:
    """Draw which techniques were compared with which."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    content = geometry_content(found, words, title=title)
    scene = lay_out_geometry(content, width_mm=width_mm, measure=text_width)
    return Built(parts=(scene_figure(scene, title),), text=geometry_text(content))


NETWORK_FIGURES.add(
    NetworkFigure(name="geometry", label="What was compared with what", build=build_network_geometry)
)
