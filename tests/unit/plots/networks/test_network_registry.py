"""Figures of networks: columns in a stable order, marks that tell the evidence, nothing cut, refusals in words."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest

from metakit.core.limits import Limits
from metakit.errors import NotEstimableError
from metakit.networks.analysis import analyse_network
from metakit.networks.answer import NetworkAnalysis
from metakit.networks.arms import arms_from_counts_or_means
from metakit.plots.networks.network_forest import network_forest_content
from metakit.plots.networks.network_funnel import adjusted_funnel_content
from metakit.plots.networks.network_geometry import column_order, geometry_content
from metakit.plots.networks.network_geometry_layout import lay_out_geometry
from metakit.plots.networks.network_marks import EstimateMark, SpindleMark
from metakit.plots.networks.network_ranks import network_ranks_content
from metakit.plots.networks.network_registry import NETWORK_FIGURES, Extrapolated, NetworkWords
from metakit.plots.networks.network_splits import network_splits_content
from metakit.plots.text import text_width
from tests.unit.plots.looking import faults, smallest_type
from tests.unit.plots.samples import NASTY_NAMES

HOSTILE = (*dict.fromkeys(name or "no name" for name in NASTY_NAMES), "x" * 200)
WORDS = NetworkWords()


def network(
    techniques: int, studies: int, *, names: tuple[str, ...] = (), parts: int = 1, seed: int = 5
) -> NetworkAnalysis:
    """Return an invented network of counts; techniques fall into so many unconnected parts."""
    draw = random.Random(seed)
    names = names or tuple(f"technique_{number}" for number in range(techniques))
    groups = [list(range(start, techniques, parts)) for start in range(parts)]
    designs = [(group[draw.randrange(n)], group[n]) for group in groups for n in range(1, len(group))]
    while len(designs) < studies:
        group = draw.choice(groups)
        designs.append(tuple(draw.sample(group, min(draw.choice((2, 2, 3)), len(group)))))
    study, technique, events, total = [], [], [], []
    for number, design in enumerate(designs):
        for member in design:
            study.append(f"Study {number}")
            technique.append(names[member])
            total.append(float(draw.randint(30, 200)))
            events.append(float(max(2, round(total[-1] * draw.uniform(0.05, 0.3)))))
    arms = arms_from_counts_or_means("risk_ratio", study, technique, {"events": events, "total": total})
    order = tuple(dict.fromkeys(technique)) if parts == 1 else ()
    return analyse_network(arms, reference=names[0], order=order)


@pytest.mark.grid
@pytest.mark.parametrize(
    ("techniques", "studies", "names", "parts", "width"),
    [
        (2, 1, (), 1, 85), (3, 3, (), 1, 85), (13, 30, HOSTILE[:13], 1, 85), (12, 16, (), 3, 85),
        (4, 8, HOSTILE[3:7], 1, 85),  # the reference has characters that no font can draw
        (4, 8, HOSTILE[:-5:-1], 1, 85),  # the reference has 200 characters without a place to break
        (30, 60, (), 1, 120),
    ],
)  # fmt: skip
def test_nothing_is_cut_or_covered(
    techniques: int, studies: int, names: tuple[str, ...], parts: int, width: float
) -> None:
    found = network(min(techniques, len(names) or techniques), studies, names=names, parts=parts)
    drawn = 0
    for entry in NETWORK_FIGURES:
        try:
            built = entry.build(found, words=WORDS, title="$Invented$", width_mm=width)
        except NotEstimableError as why:
            assert len(str(why).split()) > 4
            continue
        drawn += 1
        assert faults(built.parts[0]) == []
        assert smallest_type(built.parts[0]) >= 7
    assert drawn >= 2


def test_the_column_depends_on_what_was_compared_alone() -> None:
    compared = Counter({("a", "b"): 3, ("b", "c"): 1, ("c", "d"): 1, ("b", "d"): 2, ("d", "e"): 1})
    orders = {column_order(names, compared, "b") for names in permutations("abcde")}
    assert len(orders) == 1
    (order,) = orders
    assert order.index("b") <= 2


def test_no_other_column_has_shorter_arcs() -> None:
    compared = Counter({("a", "d"): 1, ("d", "f"): 1, ("b", "f"): 1, ("b", "c"): 1, ("c", "e"): 1})  # a chain

    def length(order: tuple[str, ...]) -> int:
        return sum(abs(order.index(one) - order.index(two)) for one, two in compared)

    best = min(length(order) for order in permutations("abcdef"))  # all 720 columns
    assert best == 5
    assert length(column_order("abcdef", compared, "a")) == best


@pytest.mark.lengthy
def test_discs_have_areas_in_proportion_to_thumbs_and_arcs_widths_to_studies() -> None:
    found = network(6, 20)
    content = geometry_content(found, WORDS)
    scene = lay_out_geometry(content, width_mm=180, measure=text_width)
    sizes = np.array([node.size for node in content.parts[0].nodes], dtype=float)
    areas = np.array([bubble.area for bubble in scene.bubbles])
    np.testing.assert_allclose(areas / areas.max(), sizes / sizes.max(), rtol=1e-12)
    edges = content.parts[0].edges
    widths = {stroke.role: stroke.width for stroke in scene.strokes if stroke.role.startswith("arc-")}
    studies = {f"arc-{edge.first}-{edge.second}": edge.studies for edge in edges}
    one = {role: widths[role] / studies[role] for role in widths}
    assert max(one.values()) == pytest.approx(min(one.values()))
    arms = found.arms
    for edge in edges:
        pair = {content.parts[0].nodes[place].name for place in (edge.first, edge.second)}
        counted = sum(
            pair <= {t for s, t in zip(arms.study, arms.technique, strict=True) if s == study}
            for study in arms.studies
        )
        assert edge.studies == counted


def test_widths_by_precision_follow_the_direct_variance() -> None:
    found = network(5, 14)
    content = geometry_content(found, replace(WORDS, edges="precision"))
    assert content.width_tells == "precision"
    direct = found.parts[0].direct
    assert direct is not None
    for edge in content.parts[0].edges:
        one, two = sorted(content.parts[0].nodes[place].name for place in (edge.first, edge.second))
        assert edge.precision == pytest.approx(direct[one, two].standard_error ** -2)


@pytest.mark.lengthy
def test_unconnected_parts_stand_apart_and_extrapolations_are_marked() -> None:
    found = network(8, 12, parts=2)
    content = geometry_content(found, WORDS)
    assert [len(part.nodes) for part in content.parts] == [4, 4]
    reference = found.parts[0].reference
    far = Extrapolated(technique="far", comparator=reference, estimate=1.4, interval=Limits(0.5, 3.9))
    rows = network_forest_content(found, replace(WORDS, extrapolated=(far,))).rows
    assert rows[-1].label == "far"
    assert rows[-1].quiet == ("extrapolated",)
    mark = rows[-1].marks[0]
    assert isinstance(mark, EstimateMark)
    assert mark.evidence == "extrapolated"
    assert mark.interval == (1.4, 0.5, 3.9)


def test_forest_tells_the_contrasts_of_the_model() -> None:
    found = network(5, 12)
    part = found.parts[0].part
    content = network_forest_content(found, WORDS)
    shown = {row.label: row.marks[0] for row in content.rows}
    for name in part.techniques:
        if name == found.parts[0].reference:
            continue
        contrast = part.contrast(name, found.parts[0].reference)
        mark = shown[name.replace("_", " ")]
        assert isinstance(mark, EstimateMark)
        assert mark.interval == pytest.approx(
            tuple(np.exp([contrast.estimate, *contrast.interval])), rel=1e-12
        )
        assert contrast.prediction is not None and mark.prediction is not None
        assert mark.prediction == pytest.approx(tuple(np.exp(contrast.prediction)), rel=1e-12)


def test_places_come_with_their_range_and_a_caution() -> None:
    content = network_ranks_content(network(5, 12), WORDS)
    assert len(content.rows) == 5
    for row in content.rows:
        mark = row.marks[0]
        assert isinstance(mark, SpindleMark)
        assert sum(mark.probabilities) == pytest.approx(1)
        assert row.numbers[0] in (f"{mark.lower} to {mark.upper}", f"{mark.lower}")
    assert any("no certainty" in note for note in content.notes)
    with pytest.raises(NotEstimableError, match="fewer than 3"):
        network_ranks_content(network(2, 4), WORDS)


def test_a_tree_has_nothing_to_set_side_by_side() -> None:
    with pytest.raises(NotEstimableError, match="both direct and indirect"):
        network_splits_content(network(5, 4), WORDS)


def test_a_contrast_is_hollow_only_where_one_study_makes_its_mean() -> None:
    found = network(4, 9)
    content = adjusted_funnel_content(found, WORDS)
    for point in content.points:
        if point.alone:
            assert point.centred == pytest.approx(0, abs=1e-12)
    assert any(not point.alone for point in content.points)
    with pytest.raises(NotEstimableError, match="--order"):
        adjusted_funnel_content(replace(found, funnel=None), WORDS)
