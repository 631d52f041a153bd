"""The pictures of the planned networks for the report: each figure of the registry that has content."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from metakit.core.plans import ComparisonPlan
from metakit.errors import NotEstimableError
from metakit.networks.components import INTERACTION, JOIN
from metakit.plots.networks.network_registry import NETWORK_FIGURES, Extrapolated, NetworkWords
from metakit.plots.registry import Built
from metakit.report.drawing.figure_parts import FigurePart, figure_part
from metakit.synthesis.networking.network_arms import component_label, node_label
from metakit.synthesis.networking.network_findings import NetworkFinding
from metakit.synthesis.words import directions

WIDE_MM, NARROW_MM, FUNNEL_MM = 180.0, 85.0, 140.0
GEOMETRY = "geometry"
NARROW = "geometry_narrow"


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkFigures:
    """One network on the page: its anchor, and its figures by their name in the registry.

    The geometry stands a second time as `geometry_narrow`, for narrow screens.
    """

    finding: NetworkFinding
    anchor: str
    parts: Mapping[str, FigurePart]


def draw_network(finding: NetworkFinding, name: str, kinds: Sequence[str]) -> NetworkFigures:
    """Draw what one network has to show; a figure without content is left out.

    Parameters
    ----------
    finding : NetworkFinding
    name : str
        Safe for anchors and file names, unique among the networks.
    kinds : sequence of str
        Endings of the files to write.
    """
    parts: dict[str, FigurePart] = {}
    for entry in NETWORK_FIGURES:
        width = FUNNEL_MM if entry.name == "comparison_adjusted_funnel" else WIDE_MM
        part = _part(finding, entry.name, name, width, kinds)
        if part is not None:
            parts[entry.name] = part
    narrow = _part(finding, GEOMETRY, name, NARROW_MM, kinds, suffix="-narrow")
    if narrow is not None:
        parts[NARROW] = narrow
    return NetworkFigures(finding=finding, anchor=f"network-{name}", parts=parts)


def _part(
    finding: NetworkFinding,
    figure: str,
    name: str,
    width_mm: float,
    kinds: Sequence[str],
    *,
    suffix: str = "",
) -> FigurePart | None:
    try:
        built = build_figure(finding, figure, width_mm=width_mm)
    except NotEstimableError:
        return None  # the section says in words what there is not
    (drawing,) = built.parts
    return figure_part(
        f"network-{name}-{figure.replace('_', '-')}{suffix}",
        drawing,
        caption=f"{NETWORK_FIGURES[figure].label}.",
        more=built.text,
        kinds=kinds,
        redraw=lambda width, page_mm: build_figure(finding, figure, width_mm=width).parts,
    )


def build_figure(finding: NetworkFinding, figure: str, *, width_mm: float) -> Built:
    """Draw one figure of a finding.

    Raises
    ------
    UnknownNameError
        For a figure that is none.
    NotEstimableError
        Where the finding holds nothing that the figure shows.
    """
    entry = NETWORK_FIGURES[figure]
    if finding.analysis is None:
        raise NotEstimableError(finding.reason)
    found = replace(finding.analysis, components=finding.components)
    words = network_words(finding, of_components=figure == "components")
    return entry.build(found, words=words, title=finding.title, width_mm=width_mm)


def network_words(finding: NetworkFinding, *, of_components: bool = False) -> NetworkWords:
    """Return how the figures tell a finding: labels of the vocabulary, thumbs as reported, directions."""
    names: set[str] = set()
    if finding.analysis is not None:
        names |= set(finding.analysis.arms.techniques)
    labels = {name: node_label(name) for name in names}
    if finding.components is not None:
        parts = {
            part
            for name in (*finding.components.columns, *finding.components.inactive)
            for part in name.replace(INTERACTION, JOIN).split(JOIN)
        }
        components = {part: component_label(part) for part in parts}
        labels = {**labels, **components} if of_components else {**components, **labels}
    after = "adding this part" if of_components else "that technique"
    sides = directions(
        finding.term,
        ComparisonPlan(
            id="", label="", technique=(), technique_label=after, comparator=(), comparator_label=""
        ),
        finding.measure,
    )
    far = [item for item in finding.comparisons if item.evidence == "extrapolated"]
    return NetworkWords(
        labels=labels | {item.technique: item.technique_label for item in far},
        sizes={node.technique: node.size for node in finding.nodes},
        size_unit=finding.measure.kind.size_word,
        left_words=sides.below[:1].upper() + sides.below[1:],
        right_words=sides.above[:1].upper() + sides.above[1:],
        unit=finding.measure.unit_for(finding.term.unit),
        extrapolated=tuple(
            Extrapolated(
                technique=item.technique, comparator=item.comparator, estimate=item.estimate,
                interval=item.interval,
            )
            for item in far
        ),
    )  # fmt: skip
