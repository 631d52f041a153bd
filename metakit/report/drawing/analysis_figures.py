"""The figures of one analysis together: what can be drawn in a process of its own.

A drawing does not travel between processes, its SVG and its files do. Whoever needs a drawing again at
another size (a Word document, a journal's preset) has it drawn anew where it is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial

from metakit.core.sharing import Mapper
from metakit.core.written import count, listed
from metakit.plots.forests.funnel_content import FEWEST_TO_JUDGE
from metakit.report.drawing.exploration_figures import bubble_figures, robustness_figures
from metakit.report.drawing.exploration_parts import RobustnessFigures
from metakit.report.drawing.figure_content import forest_of, funnel_of
from metakit.report.drawing.figure_parts import FigurePart, figure_part
from metakit.report.drawing.unpooled import draw_directions
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.words import lower_first

FOREST_MM = 180.0
FUNNEL_MM = 140.0
FEWEST_FOR_FUNNEL = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysisFigures:
    """Forest, funnel, directions and explorations of one analysis; `bubbles` by exploration."""

    forest: FigurePart | None
    funnel: FigurePart | None
    directions: FigurePart | None
    bubbles: Mapping[str, FigurePart]
    robustness: RobustnessFigures

    @property
    def all(self) -> tuple[FigurePart, ...]:
        """Every figure."""
        found = (self.forest, self.funnel, self.directions, *self.bubbles.values(), *self.robustness.all)
        return tuple(part for part in found if part is not None)

    def changed(self, change: Callable[[FigurePart], FigurePart]) -> AnalysisFigures:
        """Return the same with every figure changed."""

        def maybe(part: FigurePart | None) -> FigurePart | None:
            return None if part is None else change(part)

        return AnalysisFigures(
            forest=maybe(self.forest),
            funnel=maybe(self.funnel),
            directions=maybe(self.directions),
            bubbles={name: change(part) for name, part in self.bubbles.items()},
            robustness=self.robustness.changed(change),
        )


def draw_analysis(named: tuple[str, AnalysisFinding], *, kinds: Sequence[str]) -> AnalysisFigures:
    """Draw the figures of an analysis; the name ends the names of its files."""
    name, finding = named
    return AnalysisFigures(
        forest=_forest(finding, name, kinds),
        funnel=_funnel(finding, name, kinds),
        directions=draw_directions(finding, name, kinds, width_mm=FOREST_MM),
        bubbles=bubble_figures(finding, name, kinds),
        robustness=robustness_figures(finding, name, kinds),
    )


def drawn_by(
    mapper: Mapper, named: Sequence[tuple[str, AnalysisFinding]], kinds: Sequence[str]
) -> Iterator[AnalysisFigures]:
    """Draw analyses here, or wherever the mapper has it done."""
    if mapper is map:
        yield from map(partial(draw_analysis, kinds=kinds), named)
        return
    for one, figures in zip(named, mapper(partial(draw_elsewhere, kinds=kinds), named), strict=True):
        yield brought_back(one, figures)


def draw_elsewhere(named: tuple[str, AnalysisFinding], *, kinds: Sequence[str]) -> AnalysisFigures:
    """Draw in another process: without what does not travel."""
    return draw_analysis(named, kinds=kinds).changed(lambda part: replace(part, figure=None, redraw=None))


def brought_back(named: tuple[str, AnalysisFinding], figures: AnalysisFigures) -> AnalysisFigures:
    """Return figures from another process, to be drawn here when they are asked for at another size."""

    @cache
    def here() -> dict[str, FigurePart]:
        return {part.name: part for part in draw_analysis(named, kinds=()).all}

    def again(part: FigurePart) -> FigurePart:
        return replace(part, elsewhere=lambda: here()[part.name])

    return figures.changed(again)


def _forest(finding: AnalysisFinding, name: str, kinds: Sequence[str]) -> FigurePart | None:
    from metakit.plots.forests.forest import forest_figure
    from metakit.plots.pages import in_pages

    if finding.table is None or len(finding.table) == 0:
        return None
    groups = [f"{lower_first(part.label)} ({len(part.studies)})" for part in finding.by_design]
    by_design = f": {listed(groups)}" if len(groups) > 1 else ""
    content = forest_of(finding, finding.table)
    return figure_part(
        f"forest-{name}",
        forest_figure(content, width_mm=FOREST_MM),
        redraw=lambda width_mm, page_mm: tuple(
            forest_figure(part, width_mm=width_mm)
            for part in in_pages(content, width_mm=width_mm, page_height_mm=page_mm)
        ),
        caption=f"Forest plot of {count(len(finding.numbers), 'study', 'studies')}{by_design}.",
        more=f"{finding.sentences[0]} The numbers of each study stand in the table below.",
        kinds=kinds,
    )


def _funnel(finding: AnalysisFinding, name: str, kinds: Sequence[str]) -> FigurePart | None:
    from metakit.plots.forests.funnel import funnel_figure

    result = finding.result
    if finding.table is None or result is None or result.k < FEWEST_FOR_FUNNEL:
        return None
    few = " With fewer than ten studies its shape says nothing." if result.k < FEWEST_TO_JUDGE else ""
    content = funnel_of(finding, finding.table, result)
    return figure_part(
        f"funnel-{name}",
        funnel_figure(content, width_mm=FUNNEL_MM),
        redraw=lambda width_mm, page_mm: (funnel_figure(content, width_mm=width_mm),),
        caption=f"Funnel plot of {count(result.k, 'study', 'studies')}.{few}",
        more="Each study stands at its effect, the more precise or larger ones higher up.",
        kinds=kinds,
    )
