"""The figures of explorations and of robustness, as parts of a report."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields

from metakit.report.drawing.figure_parts import FigurePart
from metakit.synthesis.choices.robustness import Robustness


@dataclass(frozen=True, slots=True, kw_only=True)
class RobustnessFigures:
    """The figures of one comparison, with the numbers that they are drawn from."""

    studies: Robustness | None = None
    leave_one_out: FigurePart | None = None
    cumulative: FigurePart | None = None
    influence: FigurePart | None = None
    contribution: FigurePart | None = None
    specifications: FigurePart | None = None
    funnel: FigurePart | None = None

    @property
    def all(self) -> tuple[FigurePart, ...]:
        """Every figure, in the order of the page."""
        found = (
            self.leave_one_out,
            self.cumulative,
            self.influence,
            self.contribution,
            self.specifications,
            self.funnel,
        )
        return tuple(part for part in found if part is not None)

    def changed(self, change: Callable[[FigurePart], FigurePart]) -> RobustnessFigures:
        """Return the same with every figure changed."""
        parts: dict[str, FigurePart | None] = {
            item.name: getattr(self, item.name) for item in fields(self) if item.name != "studies"
        }
        changed = {name: None if part is None else change(part) for name, part in parts.items()}
        return RobustnessFigures(studies=self.studies, **changed)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExplorationFigures:
    """All of them: `bubbles` by the part's name and the exploration's id, `robustness` by the part's name."""

    bubbles: Mapping[tuple[str, str], FigurePart] = field(default_factory=dict)
    robustness: Mapping[str, RobustnessFigures] = field(default_factory=dict)

    @property
    def all(self) -> tuple[FigurePart, ...]:
        """Every figure, in the order of the page."""
        return (*self.bubbles.values(), *(part for item in self.robustness.values() for part in item.all))
