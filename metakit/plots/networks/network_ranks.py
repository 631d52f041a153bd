"""Places of the techniques, never without their uncertainty: a spindle of how likely each place is."""

from __future__ import annotations

from metakit.errors import NotEstimableError
from metakit.networks.answer import NetworkAnalysis
from metakit.plots.networks.network_marks import SpindleMark
from metakit.plots.networks.network_registry import NETWORK_FIGURES, NetworkFigure, NetworkWords
from metakit.plots.networks.network_rows import NetworkRow, RowsContent, lay_out_rows
from metakit.plots.registry import Built

TALLEST = 26.0
"""Height of a spindle in points."""


def network_ranks_content(found: NetworkAnalysis, words: NetworkWords, *, title: str = "") -> RowsContent:
    """Return one row a technique, the highest P-score first.

    Raises
    ------
    NotEstimableError
        Where no ranks were made; the message says why.
    """
    item = found.parts[0]
    ranking = item.ranking
    if ranking is None:
        why = next((note for note in item.notes if note.startswith("No ranks")), "No ranks were made.")
        raise NotEstimableError(f"{why[:1].lower()}{why[1:].rstrip('.')}")
    order = sorted(range(len(ranking.techniques)), key=lambda n: (-float(ranking.p_scores[n]), n))
    most = float(ranking.rank_probabilities.max())
    rows = []
    for n in order:
        low, high = (int(limit) for limit in ranking.rank_intervals[n])
        places = f"{low} to {high}" if low < high else f"{low}"
        rows.append(
            NetworkRow(
                label=words.label(ranking.techniques[n]),
                numbers=(places, f"P-score {ranking.p_scores[n]:.2f}"),
                marks=(
                    SpindleMark(
                        probabilities=tuple(float(share) for share in ranking.rank_probabilities[n]),
                        mean=float(ranking.mean_ranks[n]), lower=low, upper=high, tallest=TALLEST / most,
                    ),
                ),
            )
        )  # fmt: skip
    better = "lower" if ranking.lower_is_better else "higher"
    return RowsContent(
        title=title,
        rows=tuple(rows),
        label_heading="Technique",
        numbers_heading=("Places", "95 % range"),
        axis_name=f"Place (1: the best; here {better} values are better)",
        places=len(order),
        mark_height=TALLEST + 8,
        notes=(
            "Spindle: how likely each place is, the thicker the likelier; all have the same area. Bracket: "
            "95 % range of places; paler beyond it. Upright: mean place.",
            "A place says nothing of how large differences are, and is no certainty: read the intervals of "
            "the comparisons first. P-score: mean certainty of being better than another technique, 0 to 1.",
        ),
    )


def network_ranks_text(content: RowsContent) -> str:
    """Return the words that stand for the picture."""
    told = []
    for row in content.rows:
        mark = row.marks[0]
        if isinstance(mark, SpindleMark):
            first = 100 * mark.probabilities[0]
            chance = "below 1" if first < 1 else f"{first:.0f}"
            told.append(
                f"{row.label}: places {row.numbers[0]}, mean {mark.mean:.1f}, {row.numbers[1]}, "
                f"first with a probability of {chance} %"
            )
    return f"Places with their 95 % range; they say nothing of how large differences are. {'; '.join(told)}."


def build_network_ranks(
    found: NetworkAnalysis,
    *,
    words: NetworkWords = NetworkWords(),  # noqa: B008
    title: str = "",
    width_mm: float = 180,
) -> Built:
    """Draw the places of all techniques of the part of the reference."""
    from metakit.plots.draw import scene_figure
    from metakit.plots.text import text_width

    content = network_ranks_content(found, words, title=title)
    scene = lay_out_rows(content, width_mm=width_mm, measure=text_width)
    return Built(parts=(scene_figure(scene, title),), text=network_ranks_text(content))


NETWORK_FIGURES.add(
    NetworkFigure(
        name="ranks", label="Places with their uncertainty", build=build_network_ranks,
        needs="for means, which direction is better",
    )
)  # fmt: skip
