"""What the picture of studies without pooling shows. Numbers are in natural units; no matplotlib."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from metakit.core.written import Axis, p_value

Side = Literal["left", "right", "neither", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectionRow:
    """One study: the side on which its effect lies, its size, whether arms were drawn by lot, its effect.

    `detail` are its numbers in words; `effect` is None without one.
    """

    study: str
    side: Side
    size: float
    randomised: bool
    detail: str = ""
    effect: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectionsContent:
    """Studies on two sides, the share of one of them, and the range of their effects.

    `share` is the fraction of studies on the right with its limits, None without directions; `spread` is
    lowest, median and highest effect, `quartiles` stands within it. `show` writes an effect.
    """

    title: str
    rows: tuple[DirectionRow, ...]
    left_words: str
    right_words: str
    axis: Axis
    axis_label: str
    null: float
    level: float
    show: Callable[[float], str]
    size_words: str = "thumbs"
    share: tuple[float, float, float] | None = None
    p_value: float | None = None
    spread: tuple[float, float, float] | None = None
    quartiles: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        for row in self.rows:
            if not math.isfinite(row.size) or row.size < 0:
                raise ValueError(f"{row.study}: {row.size} is no size of a study")
        if self.share is not None and not 0 <= self.share[1] <= self.share[0] <= self.share[2] <= 1:
            raise ValueError(f"{self.share} is no share with limits around it")

    def side(self, *sides: Side) -> tuple[DirectionRow, ...]:
        """Return the studies on a side, the largest first."""
        return tuple(sorted((r for r in self.rows if r.side in sides), key=lambda r: (-r.size, r.study)))

    def text(self) -> str:
        """Return the words that stand for the picture."""
        parts = []
        sides: tuple[tuple[Side, str], ...] = (("left", self.left_words), ("right", self.right_words))
        for side, words in sides:
            rows = self.side(side)
            names = "; ".join(f"{row.study}{f' ({row.detail})' if row.detail else ''}" for row in rows)
            parts.append(f"{words or side}: {len(rows)}{f', {names}' if names else ''}.")
        rest = self.side("neither", "unknown")
        if rest:
            parts.append(f"Without a direction: {len(rest)}, {'; '.join(row.study for row in rest)}.")
        if self.share is not None and self.p_value is not None:
            share, low, high = (f"{100 * value:.0f}" for value in self.share)
            parts.append(
                f"Share on the right side {share} %, {100 * self.level:g} % exact interval {low} to "
                f"{high} %, sign test {p_value(self.p_value)}."
            )
        if self.spread is not None:
            low, middle, high = map(self.show, self.spread)
            middle_half = ""
            if self.quartiles is not None:
                first, third = map(self.show, self.quartiles)
                middle_half = f", middle half {first} to {third}"
            parts.append(f"{self.axis_label}: {low} to {high}, median {middle}{middle_half}.")
        return " ".join(parts)
