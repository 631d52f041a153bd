"""Direct beside indirect evidence: two estimates a comparison and a bridge between them."""

from __future__ import annotations

from metakit.core.limits import Limits
from metakit.core.written import p_value
from metakit.errors import NotEstimableError
from metakit.measures.natural import Natural
from metakit.networks.answer import NetworkAnalysis
from metakit.networks.inconsistency import Split
from metakit.plots.footing import axis_name
from metakit.plots.networks.network_forest import interval_of, number_lines, rows_text
from metakit.plots.networks.network_marks import BridgeMark, EstimateMark
from metakit.plots.networks.network_registry import (
    NETWORK_FIGURES,
    NetworkFigure,
    NetworkWords,
    network_natural,
)
from metakit.plots.networks.network_rows import NetworkRow, RowsContent, lay_out_rows
from metakit.plots.registry import Built
from metakit.plots.scale import Interval
from metakit.synthesis.networking.network_words import Evidence

RISE = 7.0
"""Points of either estimate from the middle of its row."""


def network_splits_content(found: NetworkAnalysis, words: NetworkWords, *, title: str = "") -> RowsContent:
    """Return one row a comparison with direct and indirect evidence, the least agreement first.

    Raises
    ------
    NotEstimableError
        Where no comparison has both.
    """
    natural = network_natural(found)
    splits = [
        split for item in found.parts if item.inconsistency is not None for split in item.inconsistency.splits
    ]
    if not splits:
        raise NotEstimableError(
            "no comparison has both direct and indirect evidence (or the model keeps them together), so "
            "there is nothing to set side by side"
        )
    splits.sort(key=lambda split: split.p_value)
    level = found.parts[0].part.level
    differences = [interval_of(natural, split.difference, split.interval) for split in splits]
    ratio = natural.axis == "log"
    return RowsContent(
        title=title,
        rows=tuple(
            _row(natural, words, split, difference, differences)
            for split, difference in zip(splits, differences, strict=True)
        ),
        label_heading="Comparison",
        numbers_heading=(
            "Direct over indirect" if ratio else "Direct minus indirect", f"{100 * level:.4g} % interval",
        ),
        axis_name=axis_name(natural.heading, words.unit or natural.unit, natural.axis),
        axis=natural.axis,
        null=natural.null,
        mark_height=2 * RISE + 10,
        left_words="",
        right_words="",
        notes=(
            "Upper, full diamond: from the studies that compare the two. Lower, hollow diamond: from all "
            f"others. Lines: {100 * level:.4g} % intervals. The bridge between them is the disagreement.",
            "A large p value is no proof of agreement: with few studies a test misses much.",
        ),
    )  # fmt: skip


def _row(
    natural: Natural,
    words: NetworkWords,
    split: Split,
    difference: Interval,
    differences: list[Interval],
) -> NetworkRow:
    def mark(estimate: float, limits: Limits, evidence: Evidence, drop: float) -> EstimateMark:
        return EstimateMark(interval=interval_of(natural, estimate, limits), evidence=evidence, drop=drop)

    direct = mark(split.direct, split.direct_interval, "direct", -RISE)
    indirect = mark(split.indirect, split.indirect_interval, "indirect", RISE)
    both = [direct.interval, indirect.interval]
    said = [number_lines(natural, one, both)[0] for one in both]
    return NetworkRow(
        label=words.pair(split.technique, split.comparator),
        quiet=(f"direct {said[0]}, indirect {said[1]}",),
        numbers=(*number_lines(natural, difference, differences), p_value(split.p_value)),
        marks=(
            direct,
            indirect,
            BridgeMark(first=direct.interval[0], second=indirect.interval[0], rise=RISE),
        ),
    )


def build_network_splits(
    found: NetworkAnalysis,
    *,
    words: NetworkWords = NetworkWords(),  # noqa: B008
    title: str = "",
    width_mm: float = 180,
) -> Built:
    """Draw direct beside indirect evidence for every comparison that has both."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    content = network_splits_content(found, words, title=title)
    scene = lay_out_rows(content, width_mm=width_mm, measure=text_width)
    lead = f"{content.numbers_heading[0]}, with its interval and the p value of the difference."
    return Built(parts=(scene_figure(scene, title),), text=rows_text(content, lead))


NETWORK_FIGURES.add(
    NetworkFigure(
        name="direct_and_indirect", label="Direct beside indirect evidence", build=build_network_splits
    )
)
