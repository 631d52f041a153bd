"""Tables of raw numbers: read rightly, or refused with every problem at its place."""

from __future__ import annotations

import datetime

import numpy as np
import openpyxl
import pandas as pd
import pytest

from metakit.errors import DataError, UnknownNameError, UsageError
from metakit.forms.sheets.tables import read_table
from metakit.measures.tables import effect_sizes, effects_of_table, exact_intervals

COUNTS = {
    "study": ["A", "B", "C"],
    "events_1": [3, 0, 0],
    "total_1": [20, 20, 25],
    "events_2": [5, 2, 0],
    "total_2": [22, 19, 24],
    "year": [2001, 2005, 2010],
}


def with_cell(column: str, cell: object) -> dict[str, list[object]]:
    table = {name: list(cells) for name, cells in COUNTS.items()}
    table[column][1] = cell
    return table


def problems(table: object, **options: object) -> tuple:
    with pytest.raises(DataError) as caught:
        effect_sizes(table, **({"measure": "risk_ratio"} | options))
    return caught.value.problems


def test_frame_and_mapping_give_the_same_table() -> None:
    one, two = (
        effect_sizes(pd.DataFrame(COUNTS), measure="odds_ratio"),
        effect_sizes(COUNTS, measure="odds_ratio"),
    )
    np.testing.assert_array_equal(one.effect, two.effect)
    assert one.study == two.study == ("A", "B", "C")
    assert one.moderators == {"year": (2001, 2005, 2010)}
    assert one.zero_cells == "constant"
    assert one.scale == "log"


def test_a_study_without_information_is_named_and_kept_in_the_raw_data() -> None:
    effects = effect_sizes(COUNTS, measure="risk_ratio")
    assert effects.estimable.tolist() == [True, True, False]
    assert [(item.study, "no events in either arm" in item.reason) for item in effects.set_aside] == [
        ("C", True)
    ]
    assert effects.data["total_1"].tolist() == [20, 20, 25]
    assert np.isnan(effects.effect[2])


def test_corrections_are_logged_with_numbers_before_and_after() -> None:
    (line,) = effect_sizes(COUNTS, measure="risk_ratio").assumptions
    assert line.study == "B"
    assert line.rule == "0.5 added to each cell, one of which is 0"
    assert line.inputs == "events_1 0 -> 0.5, total_1 20 -> 21, events_2 2 -> 2.5, total_2 19 -> 20"
    assert line.reference == "handbook"
    (other,) = effect_sizes(COUNTS, measure="risk_ratio", zero_cells="treatment_arm").assumptions
    assert other.reference == "sweeting_2004"
    (variance,) = effect_sizes(COUNTS, measure="risk_difference").assumptions
    assert variance.study == "C"
    assert "variance" in variance.rule
    assert variance.inputs.startswith("variance 0 -> 0.00")


def test_a_correction_is_said() -> None:
    notes = effect_sizes(COUNTS, measure="risk_ratio").notes
    assert any("corrected" in note and note.startswith("1 of 3") for note in notes)
    assert effect_sizes(COUNTS, measure="risk_difference").notes == ()


def test_uncorrected_policy_sets_single_zeros_aside() -> None:
    effects = effect_sizes(COUNTS, measure="odds_ratio", zero_cells="none")
    assert [item.study for item in effects.set_aside] == ["B", "C"]
    assert effects.assumptions == ()


@pytest.mark.parametrize("text", ["3", " 3 ", "3.0", "+3", "\u22120"])
def test_numbers_typed_as_text(text: str) -> None:
    effects = effect_sizes(with_cell("events_1", text), measure="risk_difference")
    assert effects.data["events_1"][1] == float(text.replace("\u2212", "-"))


@pytest.mark.parametrize(
    ("column", "cell", "what", "hint"),
    [
        ("events_1", "1,5", "decimal comma", "write 1.5"),
        ("events_1", "inf", "not a finite number", ""),
        ("events_1", float("inf"), "not a finite number", ""),
        ("events_1", float("nan"), "empty", "delete its row"),
        ("events_1", None, "empty", "delete its row"),
        ("events_1", "", "empty", ""),
        ("events_1", "nan", "not a finite number", ""),
        ("events_1", "1_000", "thousands", "write 1000"),
        ("events_1", "NA", "not a number", ""),
        ("events_1", "\u0663", "a mark, not a digit", ""),
        ("events_1", True, "truth value", ""),
        ("events_1", [3], "not a number", ""),
        ("events_1", 1j, "not a number", ""),
        ("events_1", datetime.date(2026, 3, 15), "a date", "3/15"),
        ("events_1", -1, "outside of what is possible", ""),
        ("events_1", 2.5, "not a whole number", "effective"),
        ("events_1", 52, "more events than total_1", ""),
        ("total_2", 0, "outside of what is possible", ""),
        ("total_2", "15 %", "percent", ""),
    ],
)
def test_refused_cells(column: str, cell: object, what: str, hint: str) -> None:
    (problem,) = problems(with_cell(column, cell))
    assert problem.line == 2
    assert problem.field == column
    assert what in problem.what
    assert hint in problem.hint


def test_all_problems_at_once_in_the_order_of_rows() -> None:
    table = with_cell("events_1", "x")
    table["total_2"][0] = -4
    table["study"][2] = " "
    found = problems(table)
    assert [(problem.line, problem.field) for problem in found] == [
        (1, "total_2"),
        (2, "events_1"),
        (3, "study"),
    ]
    message = "\n".join(map(str, found))
    assert "table:1: error: total_2" in message


def test_missing_columns_name_their_neighbours() -> None:
    table = {name.replace("events_2", "evens_2"): cells for name, cells in COUNTS.items() if name != "study"}
    found = {problem.field: problem for problem in problems(table)}
    assert set(found) == {"study", "events_2"}
    assert "evens_2" in found["events_2"].hint


def test_misshapen_tables() -> None:
    twice = pd.DataFrame([[1, 2]], columns=["study", "study"])
    assert "2 columns have this name" in problems(twice)[0].what
    assert "too short" in problems({"study": ["A", "B"], "events": [1]}, measure="proportion")[0].what
    assert "no studies" in problems({"study": [], "events": []}, measure="proportion")[0].what
    with pytest.raises(UsageError, match="one value a study"):
        effect_sizes({"study": "A", "events": [1], "total": [2]}, measure="proportion")


def test_pandas_own_missing_values_are_blanks() -> None:
    frame = pd.DataFrame(COUNTS).astype({"events_1": "Int64"})
    frame.loc[1, "events_1"] = pd.NA
    (problem,) = problems(frame)
    assert (problem.line, problem.what) == (2, "empty")


def test_equal_names_are_allowed_and_noted_where_somebody_says_that_rows_differ() -> None:
    effects = effect_sizes(with_cell("study", "A"), measure="risk_difference", rows_differ=True)
    assert effects.study == ("A", "A", "C")
    assert any("A (rows 1, 2)" in note for note in effects.notes)


def test_effective_numbers_only_when_asked() -> None:
    table = with_cell("total_1", 17.6)
    effects = effect_sizes(table, measure="risk_difference", effective_numbers=True)
    assert effects.data["total_1"][1] == 17.6
    assert any("effective numbers" in note for note in effects.notes)
    assert problems(table)[0].field == "total_1"


def test_unknown_names_get_the_nearest() -> None:
    with pytest.raises(UnknownNameError, match="risk_ratio"):
        effect_sizes(COUNTS, measure="riskratio")
    with pytest.raises(UnknownNameError, match="constant"):
        effect_sizes(COUNTS, measure="risk_ratio", zero_cells="konstant")
    with pytest.raises(UnknownNameError, match="log"):
        effect_sizes(COUNTS, measure="risk_ratio", scale="logg")
    with pytest.raises(UnknownNameError, match="none"):
        effect_sizes(COUNTS, measure="peto_odds_ratio", zero_cells="constant")


def test_places_of_a_file(tmp_path) -> None:
    file = tmp_path / "trials.csv"
    file.write_text("study,events,total\nA,3,20\n\nB,x,20\n", encoding="utf-8")
    with pytest.raises(DataError, match=r"trials\.csv:4: error: events: not a number"):
        effects_of_table(read_table(file), measure="proportion")


def test_places_of_a_workbook(tmp_path) -> None:
    book = openpyxl.Workbook()
    for row in (["study", "events", "total"], ["A", 30, 20], ["B", datetime.datetime(2026, 3, 15), 20]):
        book.active.append(row)
    file = tmp_path / "trials.xlsx"
    book.save(file)
    with pytest.raises(DataError) as caught:
        effects_of_table(read_table(file), measure="proportion")
    assert [problem.field for problem in caught.value.problems] == ["events (cell B2)", "events (cell B3)"]
    assert "3/15" in caught.value.problems[1].hint


# --- ready effects, hazard ratios, survival ------------------------------------------------------


def test_generic_takes_variance_or_standard_error() -> None:
    by_error = effect_sizes({"study": ["A"], "effect": [0.3], "standard_error": [0.2]}, measure="generic")
    assert by_error.variance[0] == pytest.approx(0.04)
    assert by_error.assumptions == ()
    mixed = {
        "study": ["A", "B"],
        "effect": [0.3, 0.1],
        "variance": [0.04, None],
        "standard_error": [None, 0.3],
    }
    assert effect_sizes(mixed, measure="generic").variance == pytest.approx([0.04, 0.09])
    (problem,) = problems({"study": ["A"], "effekt": [0.3], "variance": [1]}, measure="generic")
    assert "effect, standard_error" in problem.allowed
    assert "effekt" in problem.hint
    (problem,) = problems({"study": ["A"], "effect": [0.3], "variance": [0]}, measure="generic")
    assert problem.allowed == "a number above 0"


# The bladder cancer trial of Tierney 2007 (status: memory; see test_conversions) in three forms, one a row.
HAZARDS = {
    "study": ["interval", "p", "ready"],
    "hazard_ratio": [0.85, None, None],
    "interval_lower": [0.71, None, None],
    "interval_upper": [1.02, None, None],
    "p_value": [None, 0.075, None],
    "events_1": [None, 229, None],
    "events_2": [None, 256, None],
    "fewer_in_arm": [None, 1, None],
    "log_hazard_ratio": [None, None, -0.1625],
    "standard_error": [None, None, 0.0924],
    "centre": ["x", "y", "z"],
}


def test_hazard_ratios_in_mixed_forms() -> None:
    effects = effect_sizes(HAZARDS, measure="hazard_ratio")
    np.testing.assert_allclose(np.exp(effects.effect), 0.85, atol=2e-3)
    np.testing.assert_allclose(np.sqrt(effects.variance), 0.0924, atol=2e-3)
    assert [line.study for line in effects.assumptions] == ["interval", "p"]
    assert effects.moderators == {"centre": ("x", "y", "z")}


def test_hazard_ratio_rows_that_cannot_be_used() -> None:
    table = {
        "study": ["A", "B", "C"],
        "hazard_ratio": [0.85, 2.0, None],
        "interval_lower": [0.71, 3.0, None],
        "interval_upper": [1.22, 4.0, None],
    }
    found = problems(table, measure="hazard_ratio")
    assert [problem.line for problem in found] == [2, 3]
    assert "outside its interval" in found[0].what
    assert "no complete set" in found[1].what
    kept = {name: cells[:1] for name, cells in table.items()}
    assert "off its centre" in effect_sizes(kept, measure="hazard_ratio").notes[0]


def test_survival_at_a_time() -> None:
    table = {
        "study": ["A", "B", "C"],
        "survival": [0.9, 1.0, 0.95],
        "standard_error": [0.02, 0.0, None],
        "interval_lower": [None, None, 0.90],
        "interval_upper": [None, None, 1.0],
    }
    effects = effect_sizes(table, measure="survival")
    # Delta method by numerical derivative of -ln(-ln S) at 0.9.
    step = 1e-6
    slope = (-np.log(-np.log(0.9 + step)) + np.log(-np.log(0.9 - step))) / (2 * step)
    assert np.sqrt(effects.variance[0]) == pytest.approx(0.02 * slope, rel=1e-6)
    assert effects.estimable.tolist() == [True, False, True]
    assert "100 %" in effects.set_aside[0].reason
    assert "cut at 1" in effects.assumptions[0].rule
    assert "fraction" in problems(table | {"survival": [90, 1, 1]}, measure="survival")[0].allowed


# --- means -------------------------------------------------------------------------------------------


MEANS = {
    "study": ["A", "B"],
    "mean_1": [20.0, 80.0],
    "sd_1": [15.0, 18.0],
    "total_1": [30, 40],
    "mean_2": [26.0, 74.0],
    "sd_2": [16.0, 17.0],
    "total_2": [31, 39],
}


def test_opposite_instruments_are_aligned_and_logged() -> None:
    table = MEANS | {"better": ["lower", "higher"]}
    effects = effect_sizes(table, measure="standardized_mean_difference")
    assert (effects.effect > 0).all()
    (line,) = effects.assumptions
    assert line.study == "A"
    assert line.inputs == f"{-effects.effect[0]:.6g} -> {effects.effect[0]:.6g}"
    assert any("more of what is better" in note for note in effects.notes)
    other = effect_sizes(table, measure="standardized_mean_difference", align_to="lower")
    np.testing.assert_array_equal(other.effect, -effects.effect)
    assert [line.study for line in other.assumptions] == ["B"]


def test_one_direction_is_left_alone() -> None:
    effects = effect_sizes(MEANS | {"better": ["lower", "lower"]}, measure="standardized_mean_difference")
    bare = effect_sizes(MEANS, measure="standardized_mean_difference")
    np.testing.assert_array_equal(effects.effect, bare.effect)
    assert effects.assumptions == effects.notes == ()


def test_directions_that_cannot_be_used() -> None:
    mixed = MEANS | {"better": ["lower", "higher"]}
    assert "one instrument" in problems(mixed, measure="mean_difference")[0].what
    (problem,) = problems(MEANS | {"better": ["lower", "down"]}, measure="standardized_mean_difference")
    assert problem.allowed == "higher or lower"
    with pytest.raises(UsageError, match="column 'better'"):
        effect_sizes(MEANS, measure="standardized_mean_difference", align_to="higher")
    with pytest.raises(UsageError, match="standardised mean differences only"):
        effect_sizes(COUNTS, measure="risk_ratio", align_to="higher")


def test_final_values_and_change_scores() -> None:
    mixed = MEANS | {"value_kind": ["final", "change"]}
    assert "which mean differences allow" in effect_sizes(mixed, measure="mean_difference").notes[0]
    assert "cannot be mixed" in problems(mixed, measure="standardized_mean_difference")[0].what
    assert problems(mixed, measure="ratio_of_means")[0].line == 2


def test_standard_error_typed_as_sd_is_suspected() -> None:
    table = MEANS | {"sd_1": [2.7, 18.0], "sd_2": [1.9, 17.0], "mean_2": [30.0, 74.0]}
    notes = effect_sizes(table, measure="standardized_mean_difference").notes
    assert [note.split(":")[0] for note in notes] == ["A"]
    assert "standard error was typed" in notes[0]


def test_sd_and_size_rules() -> None:
    assert problems(MEANS | {"sd_1": [0, 18.0]}, measure="mean_difference")[0].allowed == "a number above 0"
    assert "one alone" in problems(MEANS | {"total_1": [1, 40]}, measure="mean_difference")[0].allowed


def test_mean_at_or_below_zero_has_no_ratio() -> None:
    effects = effect_sizes(MEANS | {"mean_1": [0.0, 80.0]}, measure="ratio_of_means")
    assert effects.estimable.tolist() == [False, True]
    assert "mean difference" in effects.set_aside[0].reason


def test_stated_correlation_is_logged_for_each_study() -> None:
    table = {
        "study": ["A", "B"],
        "mean_before": [50, 48],
        "sd_before": [15, 16],
        "mean_after": [18, 20],
        "sd_after": [16, 15],
        "total": [30, 40],
    }
    effects = effect_sizes(table, measure="mean_change", correlation=0.5)
    assert effects.effect.tolist() == [-32, -28]
    assert [line.study for line in effects.assumptions] == ["A", "B"]
    assert "assumed to be 0.5" in effects.assumptions[0].rule
    assert {problem.field for problem in problems(table, measure="mean_change")} == {"correlation"}
    with pytest.raises(UsageError, match="not both"):
        effect_sizes(table | {"correlation": [0.5, 0.5]}, measure="mean_change", correlation=0.5)
    with pytest.raises(UsageError, match="between -1 and 1"):
        effect_sizes(table, measure="mean_change", correlation=1.0)
    with pytest.raises(UsageError, match="no correlation"):
        effect_sizes(MEANS, measure="mean_difference", correlation=0.5)


# --- one arm ---------------------------------------------------------------------------------------


def test_double_arcsine_always_warns() -> None:
    table = {"study": ["A", "B"], "events": [0, 5], "total": [20, 60]}
    notes = effect_sizes(table, measure="proportion", scale="double_arcsine").notes
    assert any("Schwarzer 2019" in note for note in notes)
    assert any("30, the harmonic mean of the 2 sample sizes" in note and "6.25 %" in note for note in notes)


def test_exact_intervals_of_a_table() -> None:
    table = {"study": ["A", "B"], "events": [0, 20], "total": [20, 20]}
    effects = effect_sizes(table, measure="proportion", zero_cells="none")
    assert not effects.estimable.any()
    lower, upper = exact_intervals(effects)
    np.testing.assert_allclose(upper[0], 1 - 0.025 ** (1 / 20), rtol=1e-12)
    np.testing.assert_allclose(lower[1], 0.025 ** (1 / 20), rtol=1e-12)
    assert exact_intervals(effects, method="wilson")[1][0] < upper[0]
    with pytest.raises(UsageError, match="clopper_pearson"):
        exact_intervals(effects, method="exact")
    with pytest.raises(UsageError, match="level"):
        exact_intervals(effects, level=95)
    with pytest.raises(UsageError, match="no exact interval"):
        exact_intervals(effect_sizes(COUNTS, measure="risk_ratio"))


def test_the_raw_columns_do_not_describe_the_studies(tmp_path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(
        "study,events_1,total_1,events_2,total_2,year,design\nA,3,20,5,22,2001,trial\nB,4,25,2,19,,cohort\n",
        encoding="utf-8",
    )
    effects = effects_of_table(read_table(path), measure="risk_ratio")
    assert effects.moderators == {"year": (2001.0, None), "design": ("trial", "cohort")}
    of_mapping = effect_sizes(COUNTS, measure="risk_ratio")
    assert of_mapping.moderators == {"year": (2001, 2005, 2010)}


@pytest.mark.parametrize("level", [-0.1, 0.0, 1.0, 1.5, 95])
def test_the_level_of_an_interval_is_a_fraction(level: float) -> None:
    effects = effect_sizes({"study": ["A"], "events": [3], "total": [20]}, measure="proportion")
    with pytest.raises(UsageError, match="between 0 and 1"):
        exact_intervals(effects, level=level)
    lower, upper = exact_intervals(effects, level=0.5)
    assert 0 < lower[0] < 0.15 < upper[0] < 1
