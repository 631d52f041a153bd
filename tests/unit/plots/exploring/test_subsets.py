"""Figures of explorations: nothing cut or overlapping, the numbers that they stand for, refusals in words."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.text import Text

from metakit.core.effects import EffectTable
from metakit.errors import NotEstimableError, UnknownNameError, UsageError
from metakit.models.differing.all_subsets import all_subsets
from metakit.models.differing.influence import influence
from metakit.models.pool import pool
from metakit.plots.exploring.bubble import bubble_content
from metakit.plots.exploring.bubble_layout import lay_out_bubbles
from metakit.plots.exploring.influence import influence_content, influence_text
from metakit.plots.exploring.small_study_marks import FUNNEL_LINES, added_points, funnel_line
from metakit.plots.exploring.subsets import subsets_content
from metakit.plots.forests.forest_content import forest_content
from metakit.plots.pages import in_pages
from metakit.plots.registry import FIGURES, Built, FigureOptions
from tests.unit.plots.looking import faults, smallest_type, words
from tests.unit.plots.results import counts_table
from tests.unit.plots.samples import NASTY_NAMES

HOSTILE = (*NASTY_NAMES, "x" * 200)


def studies(k: int, *, names: tuple[str, ...] = (), extreme: bool = False) -> EffectTable:
    """Return invented counts with moderators; `extreme` adds an arm in which everybody had an event."""
    draw = random.Random(3)
    cells = []
    for i in range(k):
        sizes = draw.randint(15, 140), draw.randint(15, 140)
        risk, ratio = draw.uniform(0.05, 0.3), math.exp(draw.gauss(-0.3, 0.4))
        events = min(sizes[0], round(risk * ratio * sizes[0]) + 1), round(risk * sizes[1]) + 1
        if extreme and i == 0:
            events = 0, sizes[1]
        name = names[i % len(names)] if names else f"Study {i} {2000 + i}"
        cells.append((name, float(events[0]), float(sizes[0]), float(events[1]), float(sizes[1])))
    moderators = {
        "age": tuple(round(draw.uniform(50, 70), 1) for _ in range(k)),
        "year": tuple(2000 + i // 2 for i in range(k)),
        "design": tuple(("randomised trial", "$cohort$ with a rather long name")[i % 2] for i in range(k)),
    }
    return replace(counts_table(cells), moderators=moderators)


def differences(k: int) -> EffectTable:
    """Return the same studies as ready effects, whose errors are free of the effects."""
    table = studies(k)
    return replace(table, measure="generic", scale="identity", data={})


def built(name: str, table: EffectTable, width: float = 85, **options: object) -> Built:
    result = pool(table, model="random_effects") if len(table) > 1 else pool(table)
    chosen = FigureOptions(**{"moderator": "age", "order_by": "year", **options})  # type: ignore[arg-type]
    return FIGURES[name].build(
        result, table, title="$Invented$", left_words="fewer after LRTI", right_words="more after LRTI",
        width_mm=width, options=chosen,
    )  # fmt: skip


@pytest.mark.grid
@pytest.mark.parametrize("name", FIGURES.names())
@pytest.mark.parametrize(
    ("k", "names", "extreme", "width"),
    [(1, (), False, 85), (2, (), False, 85), (3, (), True, 85), (11, HOSTILE, True, 85), (11, HOSTILE, False, 180)],
)  # fmt: skip
def test_nothing_is_cut_or_covered_or_read_as_mathematics(
    name: str, k: int, names: tuple[str, ...], extreme: bool, width: float
) -> None:
    table = studies(k, names=names, extreme=extreme)
    try:
        answer = built(name, table, width)
    except NotEstimableError as error:
        assert k < 6
        assert len(str(error).split()) > 5
        return
    for part in answer.parts:
        assert faults(part) == []
        assert smallest_type(part) >= 7
        assert not any(item.get_parse_math() for axes in part.axes for item in axes.findobj(Text))


@pytest.mark.lengthy
@pytest.mark.grid
@pytest.mark.parametrize("name", ["forest", "funnel", "bubble", "influence", "contribution", "leave_one_out"])
def test_eighty_studies_fit(name: str) -> None:
    (drawing,) = built(name, studies(80), 180).parts
    assert faults(drawing) == []


def test_bubbles_carry_weights_as_areas_and_names_never_meet() -> None:
    table = studies(12)
    content = bubble_content(table, "age")
    frame = lay_out_bubbles(content, width_mm=180, measure=lambda text, size, bold: 0.55 * size * len(text))
    weights = [content.points[bubble.row].weight for bubble in frame.scene.bubbles]
    areas = [bubble.area for bubble in frame.scene.bubbles]
    assert weights == sorted(weights, reverse=True)
    assert np.allclose(np.array(areas) / areas[0], np.array(weights) / weights[0])
    for bubble in frame.scene.bubbles:
        point = content.points[bubble.row]
        assert math.isclose(bubble.x, frame.x(point.at))
        assert math.isclose(bubble.y, frame.y(point.effect))


@pytest.mark.lengthy
def test_line_of_the_bubble_picture_is_the_regression_of_statsmodels() -> None:
    """Checked against statsmodels WLS with the same weights (a general-purpose library)."""
    import statsmodels.api

    from metakit.models.differing.meta_regression import meta_regression

    table = studies(12)
    tau2 = meta_regression(table, ["age"], tau2="reml").tau2
    design = statsmodels.api.add_constant(np.array(table.moderators["age"]))
    fit = statsmodels.api.WLS(table.effect, design, weights=1 / (table.variance + tau2)).fit()
    content = bubble_content(table, "age", tau2="reml")
    for expected in (content.expected[0], content.expected[-1]):
        assert math.isclose(expected.mean[0], math.exp(fit.params @ [1, expected.at]), rel_tol=1e-9)
        assert expected.prediction[0] <= expected.mean[1] < expected.mean[0] < expected.mean[2]


def test_a_factor_is_drawn_as_strips_with_the_means_of_its_levels() -> None:
    content = bubble_content(studies(10), "design")
    assert content.levels == ("$cohort$ with a rather long name", "randomised trial")
    assert len(content.expected) == 2
    shown = " ".join(words(built("bubble", studies(10), 180, moderator="design").parts[0]))
    assert "randomised trial" in shown


def test_studies_without_a_moderator_are_named_below() -> None:
    table = studies(12)
    gap = replace(table, moderators={"age": (None, *table.moderators["age"][1:])})
    content = bubble_content(gap, "age")
    assert any("Study 0 2000" in note for note in content.footnotes)
    assert len(content.points) == 11


def test_flagged_studies_are_named_in_the_influence_figure() -> None:
    table = studies(12)
    effect = table.effect.copy()
    effect[4] = 4.0
    table = replace(table, effect=effect)
    content = influence_content(influence(table), tau2=0.1, q=20.0)
    assert "far from the others" in content.flagged[4]
    assert table.study[4] in influence_text(content)
    drawing = built("influence", table, 180).parts[0]
    assert any(text.startswith("Worth a look:") and table.study[4] in text for text in words(drawing))


def test_stems_of_q_begin_at_q_of_all_studies() -> None:
    """Q is computed here from its definition (Cochran 1954)."""
    table = studies(9)
    weight = 1 / table.variance
    mean = np.sum(weight * table.effect) / np.sum(weight)
    q = float(np.sum(weight * (table.effect - mean) ** 2))
    for row in influence(table):
        assert math.isclose(row.q_without + row.q_contribution + row.mean_shift, q, rel_tol=1e-9)


def test_subsets_are_all_counted() -> None:
    table = studies(9)
    answers = all_subsets(table)
    content = subsets_content(answers, table, mean=0.0, chosen=["Study 3 2003"])
    assert content.counts.sum() + content.outside == 2**9 - 1
    (cloud,) = content.chosen
    assert cloud.counts.sum() <= 2**8
    assert cloud.counts[cloud.core].sum() >= 0.9 * cloud.counts.sum()
    inside = answers.with_study("Study 3 2003")
    assert math.isclose(cloud.median, float(np.median(np.exp(answers.estimate[inside]))), rel_tol=1e-9)


def test_too_many_chosen_studies_and_unknown_ones_are_refused() -> None:
    with pytest.raises(UsageError, match="4 studies to mark"):
        built("all_subsets", studies(6), chosen_studies=("a", "b", "c", "d"))
    with pytest.raises(UnknownNameError):
        built("all_subsets", studies(6), chosen_studies=("Nobody 2000",))


def test_lines_of_a_funnel_are_what_their_methods_expect() -> None:
    """Egger's line against statsmodels WLS; the others end in their estimate at a standard error of zero."""
    import statsmodels.api

    from metakit.models.small_studies.small_study_adjustments import small_study_adjustment

    table = differences(14)
    errors = np.sqrt(table.variance)
    fit = statsmodels.api.WLS(
        table.effect, statsmodels.api.add_constant(errors), weights=1 / table.variance
    ).fit()
    first, last = (funnel_line(table, "egger").points[i] for i in (0, -1))
    assert math.isclose(first[0], fit.params[0], rel_tol=1e-9)
    assert math.isclose(last[0], fit.params @ [1, last[1]], rel_tol=1e-9)
    for name in ("pet_peese", "limit_meta_analysis"):
        at_zero = funnel_line(table, name).points[0]
        assert at_zero[1] == 0
        assert math.isclose(at_zero[0], small_study_adjustment(table, name).estimate, rel_tol=1e-7)


@pytest.mark.parametrize("name", FUNNEL_LINES.names())
def test_every_line_can_be_drawn_and_is_refused_for_few_studies(name: str) -> None:
    (drawing,) = built("funnel", differences(14), 140, small_study_line=name, added_studies=True).parts
    assert faults(drawing) == []
    assert any("Dotted line" in text for text in words(drawing))
    with pytest.raises(NotEstimableError):
        built("funnel", differences(6), small_study_line=name)


def test_a_line_is_refused_where_effect_and_error_are_linked() -> None:
    with pytest.raises(UsageError, match="linked by arithmetic"):
        built("funnel", studies(14), small_study_line="egger")


def test_added_studies_mirror_the_trimmed_ones() -> None:
    table = studies(14)
    variances = [point.standard_error**2 for point in added_points(table) if point.standard_error]
    assert all(any(math.isclose(one, other) for other in table.variance) for one in variances)
    with pytest.raises(UsageError, match="standard_error"):
        built("funnel", table, added_studies=True, vertical="study_size")


def test_a_long_forest_is_cut_into_pages_on_one_axis() -> None:
    table = studies(40)
    parts = built("forest", table, 180, page_height_mm=120.0).parts
    assert len(parts) > 1
    assert all(part.get_size_inches()[1] * 25.4 <= 120.5 for part in parts)
    content = forest_content(pool(table, model="random_effects"), table)
    pieces = in_pages(content, width_mm=180, page_height_mm=120)
    assert [row.study for piece in pieces for row in piece.rows] == list(table.study)
    assert [piece.summary is not None for piece in pieces] == [False] * (len(pieces) - 1) + [True]
    assert all(faults(part) == [] for part in parts)
    ticks = [[text for text in words(part) if text in {"0.1", "0.2", "0.5", "1", "2", "5"}] for part in parts]
    assert all(shown == ticks[0] for shown in ticks)


def test_figures_that_need_a_column_say_so() -> None:
    with pytest.raises(UsageError, match="moderator"):
        built("bubble", studies(8), moderator="")
    with pytest.raises(UsageError, match="order"):
        built("cumulative", studies(8), order_by="")
