from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from metakit.core.alignment import align
from metakit.core.effects import EffectTable
from metakit.core.notes import Assumption
from metakit.core.results import StudyRow
from metakit.measures.registry import MEASURES
from metakit.plots.forests.forest_content import NO_EFFECT_OF_ITS_OWN, forest_content
from metakit.plots.forests.funnel_content import FEWEST_TO_JUDGE, NOT_PROOF, ONLY_TO_LOOK, funnel_content
from metakit.telling.result_words import how_pooled, mean_label, method_words, spread_words
from tests.unit.plots.results import counts_table, pooled

CELLS = (
    ("Amsel 2011", 4, 50, 8, 50),
    ("Dohle 2012", 0, 40, 0, 41),
    ("Amsel 2011", 2, 30, 5, 31),
    ("Lerche 2013", 0, 25, 3, 26),
    ("Kiebitz 2014", 9, 100, 12, 98),
)
TABLE = counts_table(
    CELLS,
    assumptions=(Assumption(study="Lerche 2013", rule="0.5 added to each cell", reference="sweeting_2004"),),
)


def test_every_study_is_a_row_and_the_one_without_information_says_why() -> None:
    result = replace(pooled(TABLE), assumptions=TABLE.assumptions)
    content = forest_content(result, TABLE, arm_labels=("LRTI", "Trapeziectomy"))
    assert [row.study for row in content.rows] == [name for name, *_ in CELLS]
    silent = content.rows[1]
    assert silent.estimate is None
    assert silent.note == "no events in either arm"
    assert silent.cells == ("0/40", "0/41")
    assert content.rows[3].note == "0.5 added to each cell"
    assert content.headings == ("LRTI events/thumbs", "Trapeziectomy events/thumbs")


def test_numbers_are_natural_and_belong_to_their_own_study() -> None:
    content = forest_content(pooled(TABLE), TABLE)
    first, second = content.rows[0], content.rows[2]
    assert first.estimate == pytest.approx(0.5)
    assert second.estimate == pytest.approx((2 / 30) / (5 / 31))
    assert first.lower == pytest.approx(0.5 * math.exp(-1.96 * math.sqrt(1 / 4 - 1 / 50 + 1 / 8 - 1 / 50)))
    assert content.null == 1.0
    assert content.axis == "log"
    assert math.fsum(row.weight for row in content.rows if row.weight is not None) == pytest.approx(1)


def test_the_mean_sums_only_the_studies_it_used() -> None:
    summary = forest_content(pooled(TABLE), TABLE).summary
    assert summary is not None
    assert summary.cells == ("15/205", "28/205")
    assert summary.label == "Random-effects mean, 4 studies"
    assert summary.prediction is not None
    assert summary.prediction[0] < summary.lower < summary.estimate < summary.upper < summary.prediction[1]


def test_groups_keep_their_order_and_their_own_means() -> None:
    groups = ["Randomised", "Cohorts", "Randomised", "Cohorts", "Randomised"]
    masks = {name: np.array([g == name for g in groups]) for name in dict.fromkeys(groups)}
    means = {name: pooled(TABLE.select(mask)) for name, mask in masks.items()}
    content = forest_content(None, TABLE, groups=groups, group_results=means, overall_allowed=False)
    assert [group.label for group in content.groups] == ["Randomised", "Cohorts"]
    assert [row.study for row in content.groups[0].rows] == ["Amsel 2011", "Amsel 2011", "Kiebitz 2014"]
    assert content.summary is None
    for group in content.groups:
        weights = [row.weight for row in group.rows if row.weight is not None]
        assert math.fsum(weights) == pytest.approx(1)
    overall = forest_content(pooled(TABLE), TABLE, groups=groups, group_results=means)
    assert math.fsum(row.weight for row in overall.rows if row.weight is not None) == pytest.approx(1)


def test_a_group_of_one_study_keeps_the_weights_of_the_whole() -> None:
    groups = ["Randomised"] * 4 + ["Cohorts"]
    masks = {name: np.array([g == name for g in groups]) for name in dict.fromkeys(groups)}
    means = {
        "Randomised": pooled(TABLE.select(masks["Randomised"])),
        "Cohorts": pooled(TABLE.select(masks["Cohorts"]), model="single_study"),
    }
    content = forest_content(pooled(TABLE), TABLE, groups=groups, group_results=means)
    assert math.fsum(row.weight for row in content.rows if row.weight is not None) == pytest.approx(1)
    assert content.groups[1].summary is None
    assert content.footnotes[0].startswith("All studies: Random-effects mean")
    assert "Cohorts: One study: nothing was pooled." in content.footnotes


def test_a_mean_that_must_not_be_is_refused() -> None:
    with pytest.raises(ValueError, match="stay apart"):
        forest_content(pooled(TABLE), TABLE, overall_allowed=False)


def test_one_study_is_not_pooled() -> None:
    table = TABLE.select(np.array([True, False, False, False, False]))
    content = forest_content(pooled(table, model="single_study"), table)
    assert content.summary is None
    assert content.footnotes[0] == "One study: nothing was pooled."


def test_a_result_of_other_studies_is_refused() -> None:
    other = counts_table((("Zaunkönig", 1, 10, 2, 10), ("Amsel 2011", 4, 50, 8, 50)))
    with pytest.raises(ValueError, match="lacks"):
        forest_content(pooled(other), TABLE)
    with pytest.raises(ValueError, match="group labels"):
        forest_content(pooled(TABLE), TABLE, groups=["one"])
    with pytest.raises(ValueError, match="no study is in the group"):
        forest_content(None, TABLE, groups=["a"] * 5, group_results={"b": pooled(TABLE)})


def test_equal_names_are_matched_by_their_order() -> None:
    rows = align(TABLE, pooled(TABLE))
    assert rows[1] is None
    assert [row.effect for row in rows if row is not None] == pytest.approx(
        list(TABLE.effect[TABLE.estimable])
    )
    result = pooled(TABLE)
    fewer = replace(result, studies=result.studies[1:])
    assert [row is not None for row in align(TABLE, fewer)] == [True, False, False, True, True]


def test_a_study_that_only_a_one_stage_model_uses_keeps_its_row() -> None:
    result = pooled(TABLE)
    silent = StudyRow(study="Dohle 2012", effect=None, variance=None, weight=None, interval=None)
    studies = [replace(row, weight=None) for row in result.studies]
    studies.insert(1, silent)
    content = forest_content(replace(result, studies=tuple(studies)), TABLE)
    assert content.rows[1].note == NO_EFFECT_OF_ITS_OWN
    assert all(row.weight is None for row in content.rows)
    assert content.summary is not None
    assert content.summary.cells == ("15/245", "28/246")


def proportions(counts: tuple[tuple[float, float], ...]) -> EffectTable:
    events, totals = (np.array(column, dtype=float) for column in zip(*counts, strict=True))
    kernel = MEASURES["proportion"].kernel(
        {"events": events, "total": totals}, scale="logit", zero_cells="none"
    )
    return EffectTable(
        measure="proportion",
        scale="logit",
        study=tuple(f"Series {i}" for i in range(len(counts))),
        effect=kernel.effect,
        variance=kernel.variance,
        estimable=kernel.estimable,
        data={"events": events, "total": totals},
    )


def test_proportions_get_their_exact_interval_also_without_events() -> None:
    """Clopper & Pearson 1934: with 0 of n the upper limit is 1 - (alpha/2)^(1/n), a closed form."""
    table = proportions(((0, 54), (4, 140), (15, 222)))
    result = pooled(table, back=lambda value: 1 / (1 + math.exp(-value)))
    content = forest_content(result, table)
    first = content.rows[0]
    assert (first.estimate, first.lower) == (0, 0)
    assert first.upper == pytest.approx(1 - 0.025 ** (1 / 54), rel=1e-9)
    assert content.axis == "percent"
    assert content.null is None
    assert content.left_words == content.right_words == ""
    assert content.headings == ("Events/thumbs",)
    assert any("clopper pearson" in note.lower().replace("-", " ") for note in content.footnotes)


def test_rates_are_shown_per_hundred_thumb_years() -> None:
    events, time = np.array([3.0, 5.0]), np.array([150.0, 94.3])
    kernel = MEASURES["rate"].kernel({"events": events, "time": time}, scale="log", zero_cells="none")
    table = EffectTable(
        measure="rate", scale="log", study=("A", "B"), effect=kernel.effect, variance=kernel.variance,
        estimable=kernel.estimable, data={"events": events, "time": time},
    )  # fmt: skip
    content = forest_content(pooled(table), table)
    assert content.rows[0].estimate == pytest.approx(2.0)
    assert content.unit == "per 100 thumb-years"
    assert content.summary is not None
    assert content.summary.estimate == pytest.approx(100 * math.exp(pooled(table).estimate))


def test_a_study_drawn_with_a_correction_that_the_model_does_not_use_says_so() -> None:
    """Stratified and one-stage models use the counts as they are; the interval shown needs 0.5."""
    result = pooled(TABLE)
    rows = [replace(r, effect=None, interval=None) if r.study == "Lerche 2013" else r for r in result.studies]
    row = forest_content(replace(result, studies=tuple(rows)), TABLE).rows[3]
    assert row.estimate == pytest.approx((0.5 / 25.5) / (3.5 / 26.5))
    assert row.note == "0.5 added to each cell; for display only, the mean uses the counts as reported"


def test_one_study_gets_no_weight() -> None:
    table = TABLE.select(np.array([True, False, False, False, False]))
    assert forest_content(pooled(table, model="single_study"), table).rows[0].weight is None


def test_without_words_the_sides_are_told_neutrally() -> None:
    content = forest_content(pooled(TABLE), TABLE, arm_labels=("LRTI", "trapeziectomy"))
    assert (content.left_words, content.right_words) == ("fewer events in LRTI", "more events in LRTI")
    spoken = forest_content(pooled(TABLE), TABLE, left_words="fewer complications")
    assert (spoken.left_words, spoken.right_words) == ("fewer complications", "")


def test_where_names_repeat_a_correction_is_told_of_its_own_study_only() -> None:
    import pandas as pd

    from metakit.measures.tables import effect_sizes

    frame = pd.DataFrame(
        [("Amsel 2011", 0, 31, 2, 30), ("Amsel 2011", 3, 64, 3, 61), ("Dohle 2012", 1, 50, 4, 52)],
        columns=["study", "events_1", "total_1", "events_2", "total_2"],
    )
    table = effect_sizes(frame, measure="risk_ratio", rows_differ=True, zero_cells="constant")
    result = replace(pooled(table), assumptions=table.assumptions)
    notes = [row.note for row in forest_content(result, table).rows]
    assert "0.5 added" in notes[0]
    assert notes[1:] == ["", ""]


def test_words_name_the_spread_first_and_the_share_last() -> None:
    words = spread_words(pooled(TABLE), "log")
    assert words.startswith(
        "Spread of the true effects (τ) on the log scale: 0.20 (95 % interval 0.00 to 0.80)."
    )
    assert words.index("τ") < words.index("Q 12.3 on 4 degrees of freedom, p = 0.015") < words.index("I²")
    assert words.endswith("43 % (0 to 75 %).")
    assert spread_words(pooled(TABLE, model="single_study"), "log") == ""


def test_words_say_how_it_was_pooled_and_warn_of_few_studies() -> None:
    words = how_pooled(pooled(TABLE))
    assert "restricted maximum likelihood" in words
    assert "Hartung-Knapp with a floor" in words
    assert "3 degrees of freedom" in words
    assert "hardly more than a guess" in words
    assert mean_label(pooled(TABLE, model="common_effect")) == "Common-effect mean, 4 studies"
    assert method_words("paule_mandel") == "Paule-Mandel"


def test_a_funnel_has_a_place_or_a_name_for_every_study() -> None:
    content = funnel_content(pooled(TABLE), TABLE)
    assert content.vertical == "standard_error"
    assert content.contours
    assert [point.study for point in content.points] == [n for n, a, _, c, _ in CELLS if a or c]
    assert content.footnotes[0] == "Without a place in this figure: Dohle 2012."
    assert NOT_PROOF in content.footnotes
    assert ONLY_TO_LOOK in content.footnotes
    many = counts_table(tuple((f"S{i}", 3 + i, 60, 6, 60) for i in range(FEWEST_TO_JUDGE)))
    assert ONLY_TO_LOOK not in funnel_content(pooled(many), many).footnotes


def test_proportions_are_drawn_raw_against_the_size_of_the_study() -> None:
    table = proportions(((0, 54), (4, 140), (15, 222)))
    result = pooled(table, back=lambda value: 1 / (1 + math.exp(-value)))
    content = funnel_content(result, table)
    assert content.vertical == "study_size"
    assert not content.contours
    assert [point.effect for point in content.points] == pytest.approx([0, 4 / 140, 15 / 222])
    assert [point.size for point in content.points] == [54, 140, 222]
    assert content.centre == pytest.approx(result.back_transform(result.estimate))


def test_a_comparison_can_be_drawn_against_size_too() -> None:
    content = funnel_content(pooled(TABLE), TABLE, vertical="study_size")
    assert [point.size for point in content.points] == [100, 61, 51, 198]
    assert content.centre == pooled(TABLE).estimate
