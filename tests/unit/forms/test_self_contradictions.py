"""The ten ways in which published abstracts contradict themselves, each with the numbers that were seen.

The numbers are those of the project's clinical brief, section 4.7 (as displayed in abstracts; they may be
typing errors there, and are used as patterns only). Every test shows that the sound twin raises no question.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from scipy import stats

from metakit.errors import Problem
from metakit.forms.arithmetic import fisher_p, p_of_z, pearson_p
from metakit.forms.library import shipped
from metakit.forms.reading import read_fields
from metakit.forms.rules.registry import run_rules
from metakit.forms.yaml_nodes import read_bytes
from metakit.review.across import Records, cohort_numbers_agree

STUDY = Path(__file__).parents[2] / "reference" / "forms" / "review" / "records" / "test_01.yaml"
TEXT = STUDY.read_text(encoding="utf-8")
OUTCOME = "time: {value: 12, unit: months}, unit_of_analysis: thumbs, reporting: reported"


def record(text: str):
    root = read_bytes(text.encode(), "record.yaml").root
    assert root is not None
    return read_fields(root, shipped().form("study"))


def questions(text: str, field: str) -> list[Problem]:
    group, problems = record(text)
    assert [problem for problem in problems if problem.severity == "error"] == []
    found = run_rules(group, shipped().form("study"))
    assert [str(problem) for problem in found if problem.severity == "error"] == []
    return [problem for problem in found if problem.field == field]


def changed(old: str, new: str) -> str:
    assert TEXT.count(old) >= 1
    return TEXT.replace(old, new, 1)


def with_section(section: str, *entries: str) -> str:
    return TEXT + f"{section}:\n" + "".join(f"  - {{{entry}}}\n" for entry in entries)


def contrast(rest: str, outcome: str = "kapandji") -> str:
    time = "time: {value: 24, unit: months}"
    return with_section("contrasts", f"arm: A, comparator: B, outcome: {outcome}, {time}, {rest}")


def one(text: str, field: str) -> str:
    found = questions(text, field)
    assert len(found) == 1, found
    assert found[0].severity == "question"
    assert found[0].line
    return str(found[0])


def test_pattern_01_estimate_outside_the_centre_of_its_interval():
    typed = "measure: mean_difference, estimate: {}, interval: {{lower: -0.66, upper: 0.21, level: 95}}"
    said = one(contrast(typed.format("0.22")), "contrasts[1].estimate")
    assert "(-0.66 + 0.21) / 2 = -0.225" in said
    assert "minus sign lost" in said
    assert not questions(contrast(typed.format("-0.22")), "contrasts[1].estimate")


def test_pattern_01_ratios_are_centred_on_their_logarithm():
    typed = "measure: hazard_ratio, estimate: {}, interval: {{lower: 0.5, upper: 2.0, level: 95}}"
    assert not questions(contrast(typed.format("1.0"), "implant_survival"), "contrasts[1].estimate")
    said = one(contrast(typed.format("1.25"), "implant_survival"), "contrasts[1].estimate")
    assert "root of 0.5 x 2 = 1" in said


def test_pattern_02_interval_and_p_disagree():
    typed = "measure: mean_difference, estimate: -3.72, interval: {{lower: -9.15, upper: 1.71, level: 95}}, p_value: {}"
    said = one(contrast(typed.format("0.64"), "dash"), "contrasts[1].p_value")
    assert "z = 1.34, p = 0.18" in said
    assert "another test" in said
    for p in ("0.18", "0.2", '">0.05"'):
        assert not questions(contrast(typed.format(p), "dash"), "contrasts[1].p_value"), p
    assert one(contrast(typed.format('"<0.001"'), "dash"), "contrasts[1].p_value")


def test_pattern_03_size_of_an_arm_changes():
    # 21 thumbs operated, then 14 of 22
    text = changed("thumbs: {analysed: 33}", "thumbs: {operated: 33, analysed: 32}")
    text = text.replace("events: 2, total: 33", "events: 2, total: 32").replace(
        "bilateral: 3", "bilateral: 2"
    )
    said = [str(problem) for problem in questions(text, "outcomes[4].total")]
    assert len(said) == 1
    assert "33 thumbs, 32 were analysed" in said[0]


def test_pattern_04_survival_differs_between_results_and_conclusion():
    entry = "arm: C, outcome: implant_survival, time: {{value: 12, unit: months}}, number: percent, value: {}"
    text = with_section("also_reported", entry.format("97")).replace(
        "percent: 93.9, interval: {lower: 80.2, upper: 98.3, level: 95}", "percent: 98"
    )
    said = one(text, "also_reported[1].value")
    assert "percent is 98 in one place and 97 in another, 1 apart" in said
    same = with_section("also_reported", entry.format("94"))  # 93.9 rounded
    assert not questions(same, "also_reported[1].value")


def test_pattern_05_rate_against_counts():
    # 50 of 1,142 is 4.4 %, the text says 5 %
    sizes = changed(
        "patients: {analysed: 30}\n    thumbs: {analysed: 33}\n    bilateral: 3",
        "patients: {analysed: 1100}\n    thumbs: {analysed: 1142}\n    bilateral: 42",
    )
    typed = (
        f"  - {{arm: C, outcome: implant_dislocation, {OUTCOME}, events: 50, total: 1142, percent: SHARE}}\n"
    )
    old = f"  - {{arm: C, outcome: implant_dislocation, {OUTCOME}, events: 2, total: 33}}\n"
    assert old in sizes
    said = one(sizes.replace(old, typed.replace("SHARE", "5")), "outcomes[3].percent")
    assert "50 of 1142 = 4.38 %" in said
    assert not questions(sizes.replace(old, typed.replace("SHARE", "4.4")), "outcomes[3].percent")


def test_pattern_06_parts_do_not_sum():
    # ten complications listed as 6 + 2 + 1; 28 cases listed as 15 + 6 + 2
    for total, counts in ((10, (6, 2, 1)), (28, (15, 6, 2))):
        parts = [
            f"whole: complications, part: kind {n}, count: {c}, total: {total}" for n, c in enumerate(counts)
        ]
        said = one(with_section("breakdowns", *parts), "breakdowns[3].count")
        assert f"{' + '.join(map(str, counts))} = {sum(counts)}, not {total}" in said
    sound = [f"whole: complications, part: kind {c}, count: {c}, total: 9" for c in (6, 2, 1)]
    assert not questions(with_section("breakdowns", *sound), "breakdowns[3].count")
    loose = [entry.replace("total: 9", "total: 10, overlapping: yes") for entry in sound]
    assert not questions(with_section("breakdowns", *loose), "breakdowns[3].count")


def test_pattern_06_kinds_of_events_exceed_all_events():
    kinds = "".join(
        f"  - {{arm: A, outcome: {name}, {OUTCOME}, events: {n}, total: 30}}\n"
        for name, n in (("infection_deep", 3), ("wound_superficial", 3))
    )
    text = TEXT.replace("appraisal:\n  instrument", kinds + "appraisal:\n  instrument", 1)
    said = one(text, "outcomes[1].event_count")
    assert "3 infection_deep + 3 wound_superficial = 6, more than 5" in said
    assert not questions(
        text.replace("events: 3, total: 30", "events: 2, total: 30"), "outcomes[1].event_count"
    )


@pytest.mark.parametrize(("percent", "exact"), [("12.5", "4.62"), ("75", "27.75")])
def test_pattern_07_impossible_percentage(percent, exact):
    sizes = changed(
        "thumbs: {allocated: 33, operated: 32, analysed: 30}",
        "thumbs: {allocated: 40, operated: 39, analysed: 37}",
    )
    sizes = sizes.replace(
        "patients: {allocated: 31, operated: 30, analysed: 29}",
        "patients: {allocated: 39, operated: 38, analysed: 36}",
    )
    old = "events: 4, total: 30, event_count: 5, counted: per_thumb, percent: 13.3"
    said = one(
        sizes.replace(old, f"total: 37, percent: {percent}.0".replace(".5.0", ".5")), "outcomes[1].percent"
    )
    assert f"of 37 = {exact}"[:11] in said
    assert not questions(sizes.replace(old, "total: 37, percent: 13.5"), "outcomes[1].percent")


def test_pattern_08_implausible_unit():
    # 12.1 'kg' of key pinch beside 3.6 of tripod pinch: pounds?
    text = changed("measured_in: lb, n: 30, mean: 9.9", "measured_in: kg, n: 30, mean: 12.1")
    text = text.replace(
        "measured_in: N, n: 30, mean: 50, standard_deviation: 14",
        "measured_in: kg, n: 30, mean: 3.6, standard_deviation: 1.1",
    )
    said = " ".join(map(str, questions(text, "outcomes[12].mean")))
    assert "in pounds 5.49 kg" in said
    assert "12.1 kg > 2.5 x tripod_pinch 3.6 kg" in said


def test_pattern_09_shares_leave_a_remainder():
    parts = [f"whole: techniques, part: {name}, percent: {p}" for name, p in (("one", 64.0), ("two", 26.1))]
    said = one(with_section("breakdowns", *parts), "breakdowns[2].percent")
    assert "64 + 26.1 = 90.1 %, 9.9 % unstated" in said
    rounded = [f"whole: techniques, part: p{p}, percent: {p}" for p in (33.3, 33.4, 33.2)]
    assert not questions(with_section("breakdowns", *rounded), "breakdowns[3].percent")


def test_pattern_10_arms_sum_to_another_number_than_the_study():
    # arms of 125 + 55 + 115 = 295, 297 in the other account
    text = TEXT
    for old, number in (
        ("thumbs: {allocated: 33, operated: 32, analysed: 30}", 125),
        ("thumbs: {allocated: 32, operated: 31, analysed: 30}", 55),
        ("thumbs: {analysed: 33}", 115),
    ):
        text = text.replace(old, f"thumbs: {{analysed: {number}}}")
    for old, number in (
        ("patients: {allocated: 31, operated: 30, analysed: 29}", 124),
        ("patients: {allocated: 32, operated: 31, analysed: 30}", 55),
        ("patients: {analysed: 30}", 112),
    ):
        text = text.replace(old, f"patients: {{analysed: {number}}}")
    stated = text.replace("  registration:", "  stated_thumbs: {analysed: 297}\n  registration:")
    said = [
        str(p) for p in run_rules(record(stated)[0], shipped().form("study")) if "stated_thumbs" in p.field
    ]
    assert len(said) == 1
    assert "125 + 55 + 115 = 295 thumbs analysed, the report states 297" in said[0]
    right = stated.replace("297", "295")
    assert not [p for p in run_rules(record(right)[0], shipped().form("study")) if "stated" in p.field]


def test_pattern_10_two_reports_of_one_cohort_give_two_numbers():
    def arms(*numbers: int) -> str:
        text = TEXT.replace("thumbs: {analysed: 33}", f"thumbs: {{operated: {numbers[2]}, analysed: 33}}")
        text = text.replace("operated: 32, analysed: 30", f"operated: {numbers[0]}, analysed: 30")
        return text.replace("allocated: 32, operated: 31", f"allocated: 32, operated: {numbers[1]}")

    paper = record(arms(125, 55, 115))[0]
    congress = record(arms(125, 57, 115).replace("id: TEST-01", "id: TEST-02"))[0]
    again = record(arms(125, 55, 115).replace("id: TEST-01", "id: TEST-03"))[0]
    said = [str(p) for p in cohort_numbers_agree(Records((paper, congress), None))]
    assert len(said) == 1
    assert "125 + 57 + 115 = 297 thumbs operated here, 125 + 55 + 115 = 295 in TEST-01" in said[0]
    assert not list(cohort_numbers_agree(Records((paper, again), None)))


def test_p_value_and_ratio_against_the_counts():
    kinds = "".join(
        f"  - {{arm: {arm}, outcome: infection_deep, {OUTCOME}, events: {n}, total: 30}}\n"
        for arm, n in (("A", 9), ("B", 2))
    )
    text = (
        TEXT.replace("appraisal:\n  instrument", kinds + "appraisal:\n  instrument", 1)
        .replace("event_count: 5", "event_count: 25")
        .replace("events: 4, total: 30, event_count", "events: 14, total: 30, event_count")
        .replace("percent: 13.3", "percent: 46.7")
        .replace(
            'reporting: reported_zero, author_definition: "any adverse event", definition: any_complication_author, events: 0',
            'reporting: reported, author_definition: "any adverse event", definition: any_complication_author, events: 3',
        )
    )
    time = "time: {value: 12, unit: months}"

    def told(rest: str, field: str) -> str:
        entry = f"contrasts:\n  - {{arm: A, comparator: B, outcome: infection_deep, {time}, {rest}}}\n"
        return " ".join(map(str, questions(text + entry, f"contrasts[1].{field}")))

    assert told("p_value: 0.04", "p_value") == ""
    assert "9 of 30 against 2 of 30" in told("p_value: 0.62", "p_value")
    assert "(9 / 30) / (2 / 30) = 4.5" in told("measure: risk_ratio, estimate: 3.1", "estimate")
    assert "wrong way round" in told("measure: risk_ratio, estimate: 0.22", "estimate")
    assert told("measure: risk_ratio, estimate: 3.1, adjusted_for: age", "estimate") == ""
    assert (
        told(
            "measure: risk_ratio, estimate: 4.5, interval: {lower: 1.06, upper: 19.1, level: 95}", "interval"
        )
        == ""
    )
    assert "about 1.06 to 19.1" in told(
        "measure: risk_ratio, estimate: 4.5, interval: {lower: 3.9, upper: 5.2, level: 95}", "interval"
    )
    assert "(9 x 28) / (21 x 2) = 6" in told("measure: odds_ratio, estimate: 4.5", "estimate")
    assert told("measure: risk_difference, estimate: 0.23", "estimate") == ""


def test_p_value_and_difference_against_the_means():
    pair = "".join(
        f"  - {{arm: {arm}, outcome: pain_rest, {OUTCOME}, kind: final, n: 30, mean: {mean}, standard_deviation: {sd}}}\n"
        for arm, mean, sd in (("A", 2.4, 2.0), ("B", 3.4, 2.1))
    )
    text = TEXT.replace("appraisal:\n  instrument", pair + "appraisal:\n  instrument", 1)
    p = float(stats.ttest_ind_from_stats(2.4, 2.0, 30, 3.4, 2.1, 30, equal_var=False).pvalue)

    def told(rest: str, field: str) -> str:
        time = "time: {value: 12, unit: months}"
        entry = f"contrasts:\n  - {{arm: A, comparator: B, outcome: pain_rest, {time}, {rest}}}\n"
        return " ".join(map(str, questions(text + entry, f"contrasts[1].{field}")))

    assert told(f"p_value: {p:.3f}", "p_value") == ""
    assert f"p = {p:.2g}" in told('p_value: "<0.001"', "p_value")
    assert "2.4 - 3.4 = -1" in told("measure: mean_difference, estimate: -1.9", "estimate")
    assert "wrong way round" in told("measure: mean_difference, estimate: 1.0", "estimate")


@pytest.mark.parametrize(
    "table", [(9, 30, 2, 30), (0, 12, 3, 11), (5, 5, 1, 9), (40, 80, 60, 85), (1, 20, 1, 20)]
)
def test_p_values_of_counts_are_those_of_scipy(table):
    a, n1, c, n2 = table
    cells = [[a, n1 - a], [c, n2 - c]]
    assert fisher_p(*table) == pytest.approx(stats.fisher_exact(cells).pvalue, rel=1e-9)
    for corrected in (False, True):
        expected = stats.chi2_contingency(cells, correction=corrected).pvalue
        assert pearson_p(*table, corrected=corrected) == pytest.approx(expected, rel=1e-9)


def test_p_without_events_is_one_and_normal_p_is_that_of_scipy():
    assert pearson_p(0, 10, 0, 12) == 1.0
    assert fisher_p(0, 10, 0, 12) == 1.0
    assert p_of_z(1.959964) == pytest.approx(2 * stats.norm.sf(1.959964), rel=1e-12)
    assert math.isclose(p_of_z(0), 1)
