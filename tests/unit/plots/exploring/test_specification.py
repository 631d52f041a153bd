"""The specification curve: sorted, every option where it was taken, the fraction in words, refusals."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import pytest

from metakit.core.limits import Limits
from metakit.errors import NotEstimableError
from metakit.plots.exploring.specification import (
    specification_content,
    specification_figure,
    specification_text,
)
from metakit.plots.exploring.specification_layout import lay_out_specifications
from metakit.synthesis.choices.specification_results import (
    SpecificationChoice,
    SpecificationCurve,
    SpecificationOption,
    SpecificationRow,
)
from tests.unit.plots.looking import faults, smallest_type, words

CHOICES = {
    "measure": ("risk ratio", "odds ratio", "risk difference"),
    "model": ("random effects", "a model whose name goes on and on and has $dollars$ in it"),
    "zero_cells": ("none", "constant", "treatment arm"),
    "design": ("all designs", "<b>trials</b> only"),
}


def curve(count: int = 36) -> SpecificationCurve:
    """Return an invented curve; the planned analysis comes first, every tenth other one has no answer."""
    draw = random.Random(5)
    choices = tuple(
        SpecificationChoice(
            name=name,
            label=name.replace("_", " ").capitalize(),
            options=tuple(
                SpecificationOption(name=label.replace(" ", "_"), label=label, headline=not place)
                for place, label in enumerate(labels)
            ),
        )
        for name, labels in CHOICES.items()
    )
    rows = []
    combinations = itertools.product(*(choice.options for choice in choices))
    for number, options in enumerate(itertools.islice(combinations, count)):
        estimate, half = draw.gauss(-3, 1.5), abs(draw.gauss(3, 0.8))
        refused = number % 10 == 9
        rows.append(
            SpecificationRow(
                number=number,
                choices={choice.name: option.name for choice, option in zip(choices, options, strict=True)},
                standing="planned",
                k=12,
                estimate=None if refused else estimate,
                interval=None if refused else Limits(estimate - half, estimate + half),
                conclusion=None if refused else "below" if estimate + half < 0 else "open",
                holds=None if refused else estimate + half < 0,
                headline=number == 0,
                reason="too few studies" if refused else "",
            )
        )
    return SpecificationCurve(
        analysis="complications", title="Complications (invented)", unit="per 100 thumbs", choices=choices,
        rows=tuple(rows), conclusion="below", below="fewer after LRTI", above="more after LRTI",
        smallest_important_difference=5.0, planned=True, asked=len(rows),
    )  # fmt: skip


@pytest.mark.grid
@pytest.mark.parametrize("width", [85, 180])
@pytest.mark.parametrize("count", [1, 2, 3, 18, 36])
def test_nothing_is_cut_or_covered(count: int, width: float) -> None:
    drawing = specification_figure(specification_content(curve(count)), width_mm=width)
    assert faults(drawing) == []
    assert smallest_type(drawing) >= 7


def test_points_are_sorted_and_the_fraction_is_that_of_the_curve() -> None:
    whole = curve()
    content = specification_content(whole)
    estimates = [point.interval[0] for point in content.points]
    assert estimates == sorted(estimates)
    assert len(estimates) == len(whole.answered) < len(whole.rows)
    holding = sum(point.holds for point in content.points)
    assert whole.fraction == holding / len(estimates)
    assert f"holds in {holding} of {len(estimates)} specifications" in specification_text(content)
    assert any("no answer" in note for note in content.footnotes)
    assert sum(point.headline for point in content.points) == 1


def test_dashes_cover_each_option_as_often_as_it_was_taken() -> None:
    content = specification_content(curve())
    frame = lay_out_specifications(
        content, width_mm=180, measure=lambda text, size, bold: 0.55 * size * len(text)
    )
    step = (frame.panel.right - frame.panel.left) / len(content.points)
    by_row: dict[float, float] = {}
    for tile in frame.scene.tiles:
        top = tile.points[0][1]
        by_row[top] = by_row.get(top, 0.0) + round((tile.points[1][0] - tile.points[0][0]) / step + 0.1)
    taken = [sum(point.holds for point in content.points)]
    taken += [
        sum((row.choice, row.option) in point.options for point in content.points)
        for _, rows in content.groups
        for row in rows
    ]
    assert [by_row[top] for top in sorted(by_row)] == taken


def test_a_choice_that_never_varies_is_left_out() -> None:
    content = specification_content(curve(2))
    assert [label for label, _ in content.groups] == ["Design"]


def test_a_list_that_nobody_declared_is_called_exploratory() -> None:
    text = " ".join(words(specification_figure(specification_content(replace(curve(), planned=False)))))
    assert "exploratory" in text
    assert "no probability" in text


def test_a_curve_without_answers_is_refused_with_its_reason() -> None:
    empty = replace(curve(), rows=(), reason="the headline itself has no answer")
    with pytest.raises(NotEstimableError, match="headline itself"):
        specification_content(empty)
