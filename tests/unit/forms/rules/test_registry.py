"""Each consistency rule is broken on purpose, one edit of a sound record a time.

The patterns marked '4.7' are self-contradictions met in published abstracts (project's clinical brief, 4.7).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.errors import Problem
from metakit.forms.library import shipped
from metakit.forms.reading import read_fields
from metakit.forms.rules.registry import RULES, Context
from metakit.forms.yaml_nodes import read_bytes
from tests.unit.forms.rules.places_cases import PLACE_CASES, PLACES
from tests.unit.forms.rules.returns_cases import DIFFERING_CASES, RETURN_CASES, SECTIONS

REVIEW = Path(__file__).parents[3] / "reference" / "forms" / "review"
STUDY = (REVIEW / "records" / "test_01.yaml").read_text(encoding="utf-8")
RETURNS = STUDY + SECTIONS
PROTOCOL = (REVIEW / "protocol.yaml").read_text(encoding="utf-8")
SEARCH = (REVIEW.parent / "search.yaml").read_text(encoding="utf-8")
CERTAINTY = (REVIEW.parent / "certainty.yaml").read_text(encoding="utf-8")
EXPLORATION = "unit_of_analysis: thumbs\nexplorations:\n  - {id: e, expected: more, data_seen: no, "
NETWORK = (
    "unit_of_analysis: thumbs\nnetworks:\n  - {id: n, label: n, outcome: any_complication, reference: lrti, "
)

CONTRAST = "contrasts:\n  - {arm: A, outcome: any_complication, time: {value: 12, unit: months}, "
DASH_CONTRAST = (
    "contrasts:\n  - {arm: A, comparator: C, outcome: dash, time: {value: 12, unit: months}, "
    "measure: mean_difference, estimate: -5}"
)
AGAIN = "also_reported:\n  - {arm: A, outcome: any_complication, time: {value: 12, unit: months}, number: "

# rule, old text, new text, severity, what the message must say, where (field, or '' for any)
STUDY_CASES = [
    ("arm_ids_unique", "  - id: B\n", "  - id: A\n", "error", "already", "arms[2].id"),
    (
        "patients_and_thumbs",
        "thumbs: {allocated: 33, operated: 32, analysed: 30}",
        "thumbs: {allocated: 33, operated: 32, analysed: 28}",
        "error",
        "28 thumbs in 29 patients",
        "arms[1].thumbs.analysed",
    ),
    (
        "patients_and_thumbs",
        "thumbs: {analysed: 33}",
        "thumbs: {analysed: 61}",
        "error",
        "61 thumbs in 30 patients",
        "arms[3].thumbs.analysed",
    ),
    (
        "bilateral_is_the_difference",
        "bilateral: 3",
        "bilateral: 4",
        "error",
        "33 thumbs - 30 patients = 3 bilateral, not 4",
        "arms[3].bilateral",
    ),
    (
        "numbers_fall_along_the_study",
        "patients: {allocated: 31, operated: 30, analysed: 29}",
        "patients: {allocated: 31, operated: 28, analysed: 29}",
        "error",
        "29 analysed of 28 operated",
        "arms[1].patients.analysed",
    ),
    (
        "numbers_fall_along_the_study",
        "patients: {allocated: 31, operated: 30,",
        "patients: {allocated: 29, operated: 30,",
        "question",
        "cross over",
        "arms[1].patients.operated",
    ),
    (
        "women_within_patients",
        "women: 25",
        "women: 35",
        "error",
        "35 women among 31 patients",
        "arms[1].women",
    ),
    ("women_within_patients", "women: 25", "women: 10", "question", "34 % women", "arms[1].women"),
    ("age_order", "age: {mean: 61.2", "age: {mean: 84.2", "question", "unusual age", "arms[1].age.mean"),
    ("age_order", "age: {mean: 61.2", "age: {mean: 80.2", "error", "outside its range", "arms[1].age.mean"),
    (
        "age_order",
        "minimum: 44, maximum: 79",
        "minimum: 79, maximum: 44",
        "error",
        "above maximum",
        "arms[1].age.minimum",
    ),
    (
        "age_order",
        "minimum: 44, maximum: 79",
        "minimum: 59, maximum: 63",
        "error",
        "cannot spread|can spread",
        "arms[1].age.standard_deviation",
    ),
    (
        "stages_add_up",
        "stage_3: 20",
        "stage_3: 18",
        "question",
        "0 + 6 + 18 + 4 = 28 thumbs",
        "arms[1].eaton_stage",
    ),
    ("stages_add_up", "stage_3: 20", "stage_3: 26", "error", "= 36 thumbs", "arms[1].eaton_stage"),
    (
        "counts_within_arm",
        "stt_arthritis: 4",
        "stt_arthritis: 34",
        "error",
        "34 of 33 thumbs",
        "arms[1].stt_arthritis",
    ),
    (
        "follow_up_order",
        "follow_up: {mean: 12.4,",
        "follow_up: {mean: 16.4,",
        "error",
        "outside its range",
        "arms[1].follow_up.mean",
    ),
    (
        "follow_up_order",
        "follow_up: {mean: 1.05, minimum: 0.9, maximum: 1.3, unit: years}",
        "follow_up: {mean: 61, unit: years}",
        "question",
        "years of follow-up",
        "arms[2].follow_up.mean",
    ),
    (
        "follow_up_spread",
        "mean: 12.4, standard_deviation: 1.1",
        "mean: 12.4, standard_deviation: 5.1",
        "error",
        "cannot spread|can spread",
        "arms[1].follow_up.standard_deviation",
    ),
    (
        "wide_follow_up",
        "minimum: 11, maximum: 15",
        "minimum: 3, maximum: 15",
        "question",
        "15 / 3 = 5.0",
        "arms[1].follow_up.maximum",
    ),
    ("lost_to_follow_up", "lost: 2,", "lost: 4,", "question", "32 - 30 = 2 thumbs", "arms[1].follow_up.lost"),
    ("lost_to_follow_up", "lost: 2,", "lost: 40,", "error", "40 lost of 32", "arms[1].follow_up.lost"),
    (
        "lost_to_follow_up",
        "completeness: 94",
        "completeness: 70",
        "question",
        "30 of 32 = 93.8 %",
        "arms[1].follow_up.completeness",
    ),
    (
        "thumb_years_match",
        "thumb_years: 31.1",
        "thumb_years: 311",
        "question",
        "30 thumbs x 12.4 months / 12 = 31.0",
        "arms[1].follow_up.thumb_years",
    ),
    (
        "dates_in_order",
        "recruitment_end: 2014-06",
        "recruitment_end: 2011-06",
        "error",
        "ends before it starts",
        "design.recruitment_end",
    ),
    (
        "dates_in_order",
        "recruitment_end: 2014-06",
        "recruitment_end: 2017",
        "error",
        "published in 2016",
        "design.recruitment_end",
    ),
    (
        "dates_in_order",
        "date: 2026-05-04",
        "date: 2015-05-04",
        "error",
        "before the report",
        "extraction.date",
    ),
    (
        "arms_fit_design",
        "type: randomised\n",
        "type: case_series\n",
        "question",
        "Case series with 3 arms",
        "design.type",
    ),
    (
        "mp_preoperative_sign",
        "over_30: 3, sign: positive_is_hyperextension}",
        "over_30: 3}",
        "error",
        "can mean either",
        "arms[1].mp_preoperative.mean",
    ),
    (
        "mp_preoperative_sign",
        "mean: -12, sign: positive_is_flexion",
        "mean: -12, sign: unclear",
        "question",
        "left out",
        "arms[3].mp_preoperative.sign",
    ),
    (
        "mp_preoperative_sign",
        "maximum: 40, over_30: 3",
        "maximum: 25, over_30: 3",
        "error",
        "3 thumbs over 30 degrees",
        "arms[1].mp_preoperative.over_30",
    ),
    (
        "temporary_pin_and_immobilisation",
        "pin_weeks: 4",
        "pin_weeks: 12",
        "question",
        "unusual",
        "care.pin_weeks",
    ),
    (
        "ambiguous_technique",
        "technique: lrti",
        "technique: suspensionplasty",
        "error",
        "several operations",
        "arms[2].technique",
    ),
    (
        "technique_parts_named",
        "components: [lr_fcr_slip, ti_fcr]",
        "components: [lr_fcr_slip]",
        "error",
        "tendon interposition",
        "arms[2].components",
    ),
    (
        "technique_parts_named",
        "technique: lrti\n    components: [lr_fcr_slip, ti_fcr]",
        "technique: by_components\n    components: []",
        "error",
        "every part",
        "arms[2].components",
    ),
    (
        "technique_parts_named",
        "technique: prosthesis_ball_socket",
        "technique: pyrocarbon_interposition",
        "question",
        "trapezium",
        "arms[3].components",
    ),
    (
        "components_exclude",
        "components: [lr_fcr_slip, ti_fcr]",
        "components: [lr_fcr_slip, ti_fcr, arthrodesis_cmc1]",
        "error",
        "trapeziectomy_total excludes arthrodesis_cmc1",
        "arms[2].components",
    ),
    (
        "components_exclude",
        "components: []",
        "components: [trapezium_preserved]",
        "error",
        "excludes trapezium_preserved",
        "arms[1].components",
    ),
    (
        "mixed_arm",
        "technique: trapeziectomy\n",
        "technique: mixed_techniques\n",
        "error",
        "mixed is yes",
        "arms[1].mixed",
    ),
    (
        "part_given_to_some",
        "thumbs: 7}",
        "thumbs: 37}",
        "error",
        "37 of 33 thumbs",
        "arms[1].partly_given[1].thumbs",
    ),
    (
        "part_given_to_some",
        "thumbs: 7}",
        "thumbs: 31}",
        "question",
        "belongs under components",
        "arms[1].partly_given[1].thumbs",
    ),
    (
        "part_given_to_some",
        "{component: kwire_fixation, thumbs: 7}",
        "{component: trapeziectomy_total, thumbs: 7}",
        "error",
        "as well",
        "arms[1].partly_given[1].component",
    ),
    (
        "identical_arms",
        "technique: lrti\n    components: [lr_fcr_slip, ti_fcr]",
        "technique: trapeziectomy",
        "question",
        "what differs",
        "arms[2].technique",
    ),
    (
        "outcome_entered_once",
        "arm: C, outcome: implant_dislocation",
        "arm: C, outcome: conversion_to_trapeziectomy",
        "error",
        "same outcome",
        "",
    ),
    (
        "values_fit_outcome",
        "kind: final, n: 30, mean: 8.87, standard_deviation: 0.9",
        "kind: final, events: 3, total: 30",
        "error",
        "is measured",
        "outcomes[14].events",
    ),
    (
        "values_fit_outcome",
        "events: 2, total: 33}",
        "mean: 2, total: 33}",
        "error",
        "is counted",
        "outcomes[3].mean",
    ),
    (
        "reporting_fits_values",
        "events: 2, total: 33}",
        "total: 33}",
        "error",
        "no value",
        "outcomes[3].reporting",
    ),
    (
        "reporting_fits_values",
        'reporting: reported_zero, author_definition: "any adverse event", definition: any_complication_author, events: 0',
        'reporting: reported_zero, author_definition: "any adverse event", definition: any_complication_author, events: 1',
        "error",
        "not zero",
        "outcomes[2].events",
    ),
    (
        "reporting_fits_values",
        "events: 0, total: 30",
        "events: 0",
        "error",
        "none of how many",
        "outcomes[2]",
    ),
    (
        "reporting_fits_values",
        "reporting: measured_not_reported}",
        "reporting: measured_not_reported, mean: 3}",
        "error",
        "beside reporting",
        "outcomes[16].mean",
    ),
    (
        "reporting_fits_values",
        "events: 1, total: 33",
        "events: 0, total: 33",
        "question",
        "reported_zero",
        "outcomes[6].events",
    ),
    (
        "events_within_total",
        "events: 4, total: 30",
        "events: 52, total: 30",
        "error",
        "52 of 30",
        "outcomes[1].events",
    ),
    (
        "events_within_total",
        "event_count: 5",
        "event_count: 3",
        "error",
        "4 thumbs with an event",
        "outcomes[1].event_count",
    ),
    (
        "events_within_total",
        "events: 1, total: 33",
        "events: 1",
        "error",
        "of how many",
        "outcomes[6].events",
    ),
    # 4.7 pattern 3: the size of an arm changes
    (
        "total_within_arm",
        "events: 4, total: 30",
        "events: 4, total: 35",
        "error",
        "never had more than 33",
        "outcomes[1].total",
    ),
    (
        "total_within_arm",
        "events: 4, total: 30",
        "events: 4, total: 32",
        "question",
        "30 were analysed",
        "outcomes[1].total",
    ),
    # 4.7 patterns 5 and 7: rate against counts, impossible percentage
    (
        "percent_matches_events",
        "percent: 13.3",
        "percent: 15",
        "question",
        "4 of 30 = 13.33 %",
        "outcomes[1].percent",
    ),
    (
        "percent_matches_events",
        "events: 4, total: 30, event_count: 5, counted: per_thumb, percent: 13.3",
        "total: 30, percent: 12.5",
        "question",
        "12.5 % of 30 = 3.75",
        "outcomes[1].percent",
    ),
    (
        "percent_matches_events",
        "events: 4, total: 30, event_count: 5, counted: per_thumb, percent: 13.3",
        "percent: 12.5",
        "error",
        "needs its total",
        "outcomes[1].percent",
    ),
    (
        "counted_per_event",
        "events: 1, total: 33",
        "events: 1, total: 33, counted: per_event",
        "error",
        "counted says per_event",
        "outcomes[6].events",
    ),
    (
        "definition_fits_outcome",
        "definition: revision_index",
        "definition: any_complication_author",
        "error",
        "not a definition of revision_index",
        "outcomes[5].definition",
    ),
    (
        "definition_fits_outcome",
        "definition: revision_index, ",
        "",
        "question",
        "which definition",
        "outcomes[5].definition",
    ),
    (
        "definition_fits_outcome",
        'author_definition: "any adverse event", definition: any_complication_author, events: 4',
        "definition: any_complication_author, events: 4",
        "question",
        "own words",
        "outcomes[1].author_definition",
    ),
    (
        "unit_fits_outcome",
        "measured_in: lb",
        "measured_in: kPa",
        "error",
        "not measured in kPa",
        "outcomes[12].measured_in",
    ),
    (
        "unit_fits_outcome",
        "measured_in: lb",
        "measured_in: unclear",
        "question",
        "left out of pooling",
        "outcomes[12].measured_in",
    ),
    ("unit_fits_outcome", "measured_in: lb, ", "", "question", "taken as kg", "outcomes[12].measured_in"),
    (
        "unit_fits_outcome",
        "measured_in: lb",
        "measured_in: not_reported",
        "question",
        "left out of pooling",
        "outcomes[12].measured_in",
    ),
    ("values_in_range", "mean: 20.5", "mean: 120.5", "error", "outside the limits", "outcomes[10].mean"),
    (
        "values_in_range",
        "mean: 51.8",
        "mean: 12",
        "question",
        "before surgery usually 30 to 70",
        "outcomes[9].mean",
    ),
    # 4.7 pattern 8: 12.1 'kg' of key pinch (perhaps pounds)
    (
        "values_in_range",
        "measured_in: lb, n: 30, mean: 9.9",
        "measured_in: kg, n: 30, mean: 12.1",
        "question",
        "in pounds 5.49 kg",
        "outcomes[12].mean",
    ),
    (
        "values_in_range",
        "mean: -9,",
        "mean: 9,",
        "question",
        "unusual mean of mp_hyperextension",
        "outcomes[15].mean",
    ),
    (
        "values_in_range",
        "minimum: -25",
        "minimum: -95",
        "error",
        "outside the limits",
        "outcomes[15].minimum",
    ),
    (
        "spread_is_plausible",
        "mean: 20.5, standard_deviation: 14.2",
        "mean: 20.5, standard_deviation: 0",
        "error",
        "spread of zero",
        "outcomes[10].standard_deviation",
    ),
    (
        "spread_is_plausible",
        "mean: 20.5, standard_deviation: 14.2",
        "mean: 20.5, standard_deviation: 62",
        "error",
        "cannot spread",
        "outcomes[10].standard_deviation",
    ),
    (
        "spread_is_plausible",
        "mean: 20.5, standard_deviation: 14.2",
        "mean: 20.5, standard_deviation: 2.6",
        "question",
        "3 % of the scale",
        "outcomes[10].standard_deviation",
    ),
    (
        "spread_is_plausible",
        "mean: 20.5, standard_deviation: 14.2",
        "mean: 10.5, standard_deviation: 14.2",
        "question",
        "1.2 x the mean",
        "outcomes[10].standard_deviation",
    ),
    (
        "standard_error_as_deviation",
        "mean: 51.8, standard_deviation: 12.3",
        "mean: 51.8, standard_deviation: 2.3",
        "question",
        "it is 12.4",
        "outcomes[9].standard_deviation",
    ),
    (
        "standard_error_as_deviation",
        "standard_error: 2.64",
        "standard_error: 5",
        "question",
        "5 x root of 29",
        "outcomes[10].standard_error",
    ),
    (
        "order_of_quantiles",
        "median: 19, quartiles",
        "median: 9, quartiles",
        "error",
        "median 9 is below",
        "outcomes[11].median",
    ),
    (
        "order_of_quantiles",
        "median: 19, quartiles",
        "mean: 70, median: 19, quartiles",
        "error",
        "outside its range",
        "outcomes[11].mean",
    ),
    # 4.7 pattern 1: the sign of an estimate was lost
    (
        "interval_around_mean",
        "interval: {lower: 15.1, upper: 25.9, level: 95}",
        "interval: {lower: -25.9, upper: -15.1, level: 95}",
        "question",
        "minus sign lost",
        "outcomes[10].mean",
    ),
    (
        "interval_around_mean",
        "interval: {lower: 15.1, upper: 25.9, level: 95}",
        "interval: {lower: 25.9, upper: 15.1, level: 95}",
        "error",
        "above upper",
        "outcomes[10].interval",
    ),
    (
        "interval_around_mean",
        "percent: 93.9",
        "percent: 79.9",
        "question",
        "80.2 to 98.3",
        "outcomes[7].percent",
    ),
    (
        "outcome_sign",
        ", maximum: 2, sign: positive_is_flexion}",
        ", maximum: 2}",
        "error",
        "can mean either",
        "outcomes[15].sign",
    ),
    (
        "outcome_sign",
        ", maximum: 2, sign: positive_is_flexion}",
        ", maximum: 2, sign: unclear}",
        "question",
        "left out",
        "outcomes[15].sign",
    ),
    # 4.7 pattern 8 again: key pinch 12.1 with tripod 3.6
    (
        "pinch_strengths",
        "measured_in: N, n: 30, mean: 50",
        "measured_in: N, n: 30, mean: 14",
        "question",
        "2.5 x tripod_pinch",
        "outcomes[12].mean",
    ),
    ("possible_mean", "mean: 8.87", "mean: 8.88", "question", "8.88 x 30 = 266.40", "outcomes[14].mean"),
    (
        "score_gets_better",
        "mean: 20.5",
        "mean: 60.5",
        "question",
        "51.8 before, 60.5 after",
        "outcomes[10].mean",
    ),
    (
        "nested_outcomes",
        "definition: any_reoperation, events: 3",
        "definition: any_reoperation, events: 1",
        "error",
        "2 revision_index, but 1 any_reoperation",
        "outcomes[5].events",
    ),
    ("nested_outcomes", "arm: C, outcome: implant_dislocation", "arm: A, outcome: crps", "", "", ""),
    (
        "nested_outcomes",
        "{arm: C, outcome: implant_dislocation, time: {value: 12, unit: months}, unit_of_analysis: thumbs, reporting: reported, events: 2, total: 33}",
        "{arm: A, outcome: impingement, time: {value: 12, unit: months}, unit_of_analysis: thumbs, reporting: reported, events: 6, total: 30}",
        "question",
        "6 impingement, but 4 any_complication",
        "outcomes[3].events",
    ),
    (
        "impossible_events",
        "technique: prosthesis_ball_socket",
        "technique: silicone_spacer",
        "error",
        "impossible after trapeziectomy_total",
        "outcomes[6].events",
    ),
    (
        "impossible_events",
        "technique: prosthesis_ball_socket",
        "technique: arthrodesis",
        "question",
        "without an implant",
        "outcomes[3].events",
    ),
    (
        "time_is_stated",
        "time: {label: last_follow_up}",
        "time: {value: 12}",
        "error",
        "which unit",
        "outcomes[8].time",
    ),
    (
        "time_is_stated",
        "time: {label: last_follow_up}",
        "time: {unit: months}",
        "error",
        "neither a time nor a label",
        "outcomes[8].time",
    ),
    (
        "time_is_stated",
        "time: {label: before_surgery}",
        "time: {value: 6, unit: months}",
        "error",
        "baseline value",
        "outcomes[9].time",
    ),
    (
        "time_is_stated",
        "kind: final, n: 29",
        "kind: baseline, n: 29",
        "error",
        "baseline value",
        "outcomes[10].time",
    ),
    (
        "time_is_stated",
        "outcome: kapandji, time: {value: 12,",
        "outcome: kapandji, time: {value: 60,",
        "question",
        "longest follow-up",
        "outcomes[14].time",
    ),
    (
        "appraisal_fits",
        "instrument: randomised_trial_domains",
        "instrument: case_series_items",
        "question",
        "made for series",
        "appraisal.instrument",
    ),
    (
        "appraisal_fits",
        "domain: randomisation",
        "domain: confounding",
        "error",
        "not in randomised_trial_domains",
        "appraisal.judgements[1].domain",
    ),
    (
        "appraisal_fits",
        "judgement: some_concerns",
        "judgement: serious",
        "error",
        "not a level",
        "appraisal.judgements[4].judgement",
    ),
    (
        "appraisal_fits",
        "domain: deviations",
        "domain: randomisation",
        "error",
        "twice",
        "appraisal.judgements[2].domain",
    ),
    (
        "appraisal_complete",
        '    - {domain: missing_data, outcome: all, judgement: low, reason: "few lost", page: 2}\n',
        "",
        "error",
        "no judgement for missing_data",
        "appraisal.judgements",
    ),
    (
        "appraisal_complete",
        "domain: missing_data, outcome: all",
        "domain: missing_data, outcome: dash",
        "error",
        "no judgement for missing_data",
        "appraisal.judgements",
    ),
    (
        "appraisal_complete",
        "domain: missing_data, outcome: all",
        "domain: missing_data, outcome: infection_deep",
        "question",
        "no result of it",
        "appraisal.judgements[3].outcome",
    ),
    (
        "overall_explained",
        "domain: overall, outcome: all, judgement: low",
        "domain: overall, outcome: all, judgement: high",
        "error",
        "rule proposes low (low in every domain); another level needs its reason",
        "appraisal.judgements[7].judgement",
    ),
    (
        "overall_explained",
        "domain: overall, outcome: all, judgement: low, ",
        "domain: overall, outcome: all, judgement: high, changed_because: unblinded, ",
        "",
        "",
        "",
    ),
    (
        "overall_explained",
        "domain: overall, outcome: all, judgement: low, ",
        "domain: overall, outcome: all, judgement: low, changed_because: unblinded, ",
        "question",
        "nothing was changed",
        "appraisal.judgements[7].changed_because",
    ),
    (
        "overall_explained",
        '    - {domain: overall, outcome: dash, judgement: some_concerns, reason: "as the domains", page: 3}\n',
        "",
        "question",
        "no overall judgement for dash: the instrument's rule proposes some_concerns",
        "appraisal.judgements",
    ),
    *(
        (name, "appraisal:\n  instrument", f"{entry}\nappraisal:\n  instrument", severity, words, field)
        for name, entry, severity, words, field in (
            (
                "contrast_fits",
                f"{CONTRAST}comparator: A, p_value: 0.3}}",
                "error",
                "with itself",
                "contrasts[1].comparator",
            ),
            (
                "contrast_fits",
                f"{CONTRAST}comparator: B, measure: risk_ratio, estimate: -0.2}}",
                "error",
                "is above 0",
                "contrasts[1].estimate",
            ),
            (
                "contrast_fits",
                f"{CONTRAST}comparator: B, measure: mean_difference, estimate: 2}}",
                "error",
                "not compared by this measure",
                "contrasts[1].measure",
            ),
            (
                "contrast_fits",
                f"{CONTRAST}comparator: B, estimate: 2}}",
                "error",
                "an estimate of what",
                "contrasts[1].measure",
            ),
            ("contrast_fits", f"{CONTRAST}comparator: B}}", "error", "neither an estimate", "contrasts[1]"),
            (
                "contrast_fits",
                f"{CONTRAST}comparator: B, measure: risk_ratio, estimate: 2, observed_minus_expected: 3, logrank_variance: 9}}",
                "error",
                "to a hazard ratio",
                "contrasts[1].observed_minus_expected",
            ),
            (
                "contrast_fits",
                f"{CONTRAST}comparator: B, measure: hazard_ratio, logrank_variance: 9}}",
                "error",
                "belong together",
                "contrasts[1].logrank_variance",
            ),
            (
                "interval_around_contrast",
                f"{CONTRAST}comparator: B, measure: risk_ratio, estimate: 3.00, interval: {{lower: 1.00, upper: 4.00, level: 95}}}}",
                "question",
                "root of 1 x 4 = 2",
                "contrasts[1].estimate",
            ),
            (
                "interval_around_contrast",
                f"{CONTRAST}comparator: B, measure: risk_ratio, interval: {{lower: 4, upper: 1, level: 95}}}}",
                "error",
                "above upper",
                "contrasts[1].interval",
            ),
            (
                "p_fits_interval",
                f"{CONTRAST}comparator: B, measure: risk_ratio, interval: {{lower: 1.00, upper: 4.00, level: 95}}, p_value: 0.4}}",
                "question",
                "z = 1.96, p = 0.05",
                "contrasts[1].p_value",
            ),
            (
                "p_fits_counts",
                f"{CONTRAST}comparator: B, p_value: 0.9}}",
                "question",
                "4 of 30 against 0 of 30",
                "contrasts[1].p_value",
            ),
            (
                "contrast_fits_counts",
                f"{CONTRAST}comparator: B, measure: risk_difference, estimate: 0.3}}",
                "question",
                "4 / 30 - 0 / 30 = 0.133",
                "contrasts[1].estimate",
            ),
            ("contrast_fits_means", DASH_CONTRAST, "", "", ""),
            (
                "told_twice",
                f"{AGAIN}events, value: 5}}",
                "question",
                "4 in one place and 5 in another",
                "also_reported[1].value",
            ),
            (
                "told_twice",
                f"{AGAIN}mean, value: 5}}",
                "error",
                "no outcome of this arm",
                "also_reported[1].number",
            ),
            (
                "breakdown_adds_up",
                "breakdowns:\n  - {whole: w, part: p, count: 4, percent: 20, total: 10}",
                "question",
                "4 of 10 = 40.00 %",
                "breakdowns[1].percent",
            ),
            (
                "breakdown_adds_up",
                "breakdowns:\n  - {whole: w, part: p, count: 4, total: 10}\n  - {whole: W, part: q, count: 7, total: 11}",
                "question",
                "given as 10 and as 11",
                "breakdowns[2].total",
            ),
        )
    ),
    ("parts_add_up", "event_count: 5", "event_count: 4", "", "", ""),
    (
        "parts_add_up",
        "arm: C, outcome: any_reoperation, time: {value: 12, unit: months}, unit_of_analysis: thumbs, reporting: reported, definition: any_reoperation",
        "arm: A, outcome: impingement, time: {value: 12, unit: months}, unit_of_analysis: thumbs, reporting: reported, event_count: 6",
        "question",
        "6 impingement = 6, more than 5",
        "outcomes[1].event_count",
    ),
    (
        "arms_add_up",
        "  registration: not_reported\n",
        "  stated_thumbs: {analysed: 94}\n",
        "question",
        "30 + 30 + 33 = 93 thumbs analysed, the report states 94",
        "design.stated_thumbs.analysed",
    ),
    ("arms_add_up", "  registration: not_reported\n", "  stated_patients: {analysed: 89}\n", "", "", ""),
    (
        "contrast_fits_means",
        "appraisal:\n  instrument",
        "  - {arm: C, outcome: dash, time: {value: 12, unit: months}, unit_of_analysis: patients, reporting: reported, kind: final, n: 30, mean: 24.5}\n"
        + DASH_CONTRAST
        + "\nappraisal:\n  instrument",
        "question",
        "20.5 - 24.5 = -4",
        "contrasts[1].estimate",
    ),
]
PLANNED = "unit_of_analysis: thumbs\n"
PLANNED_CASES = [
    ("planned_in_words", PLANNED, f"{PLANNED}{typed}\n", severity, words, field)
    for typed, severity, words, field in (
        ('sensitivity: ["high_concrn: without studies of high concern"]', "error", "did you mean high_concern",
         "sensitivity"),
        ('sensitivity: ["industry: without studies that makers paid for"]', "error", "'other:'", "sensitivity"),
        ('sensitivity: ["without the largest study"]', "question", "names it as not done", "sensitivity"),
        ('sensitivity: ["models, all of them"]', "question", "did you mean model", "sensitivity"),
        ('sensitivity: ["other: by a statistician of the register", "outliers: left out"]', "", "", ""),
        ('subgroups: ["desing: trials and cohorts apart"]', "error", "did you mean design", "subgroups"),
        ('subgroups: ["technique: ball and socket against dual mobility"]', "question", "add to explorations",
         "subgroups"),
        ('subgroups: ["young and old"]', "question", "names it as not done", "subgroups"),
        ('subgroups: ["design: trials and cohorts apart", "other: by age, from the register"]', "", "", ""),
        ('subgroups: ["e: by concern"]\nexplorations:\n  - {id: e, kind: subgroups, moderators: [concern], '
         "expected: more, data_seen: no}", "", "", ""),
    )
]  # fmt: skip
PROTOCOL_CASES = [
    *(
        ("exploration_fits", "unit_of_analysis: thumbs\n", f"{EXPLORATION}{asked}}}\n", "error", words, where)
        for asked, words, where in (
            ("kind: subgroups, moderators: [age]", "arbitrary cut-off", "explorations[1].moderators"),
            ("kind: subgroups, moderators: [design, concern]", "one property", "explorations[1].moderators"),
            (
                "kind: meta_regression, moderators: [age], analyses: [x]",
                "no such analysis",
                "explorations[1].analyses",
            ),
            (
                "kind: meta_regression, moderators: [age_difference], analyses: [complications_prosthesis]",
                "does not exist in series",
                "explorations[1].moderators",
            ),
        )
    ),
    ("protocol_names", "id: dash_lrti", "id: complications_lrti", "error", "already", "analyses[2].id"),
    (
        "protocol_names",
        "{outcome: dash, importance: important",
        "{outcome: any_complication, importance: important",
        "error",
        "already",
        "outcomes[2].outcome",
    ),
    (
        "analysis_asks_one_thing",
        ", comparison: lrti_vs_trapeziectomy, measure: risk_ratio",
        ", measure: risk_ratio",
        "error",
        "needs a comparison",
        "analyses[1]",
    ),
    (
        "analysis_asks_one_thing",
        "measure: risk_ratio}",
        "measure: risk_ratio, techniques: [lrti]}",
        "error",
        "not both",
        "analyses[1].techniques",
    ),
    (
        "measure_fits",
        "measure: mean_difference",
        "measure: risk_ratio",
        "error",
        "dash is continuous",
        "analyses[2].measure",
    ),
    (
        "measure_fits",
        "measure: proportion",
        "measure: odds_ratio",
        "error",
        "series have one",
        "analyses[3].measure",
    ),
    (
        "measure_fits",
        "measure: risk_ratio",
        "measure: proportion",
        "error",
        "a comparison has two",
        "analyses[1].measure",
    ),
    (
        "sides_differ",
        "comparator: [trapeziectomy]",
        "comparator: [trapeziectomy, lrti]",
        "error",
        "both sides",
        "comparisons[1].comparator",
    ),
    (
        "sides_differ",
        "comparator: [trapeziectomy]",
        "comparator: [suspensionplasty]",
        "error",
        "ambiguous",
        "comparisons[1].comparator",
    ),
    (
        "asked_bands_are_intervals",
        "comparator: [trapeziectomy]",
        "mp_before: {above: 30, from: 30}\n    comparator: [trapeziectomy]",
        "error",
        "give one of them",
        "comparisons[1].mp_before.from",
    ),
    (
        "asked_bands_are_intervals",
        "comparator: [trapeziectomy]",
        "mp_before: {above: 30, below: 20}\n    comparator: [trapeziectomy]",
        "error",
        "no value lies between 30 and 20",
        "comparisons[1].mp_before.below",
    ),
    (
        "outcome_difference_source",
        ', smallest_important_difference_source: "invented panel"',
        "",
        "question",
        "which source",
        "outcomes[1].smallest_important_difference",
    ),
    (
        "options_fit_measure",
        "measure: risk_ratio}",
        "measure: risk_ratio, model: mantel_haenszel, tau2: reml}",
        "error",
        "no estimator of tau2",
        "analyses[1].tau2",
    ),
    (
        "options_fit_measure",
        "measure: risk_ratio}",
        "measure: risk_ratio, model: peto}",
        "error",
        "does not pool a risk ratio",
        "analyses[1].model",
    ),
    (
        "options_fit_measure",
        "measure: risk_ratio}",
        "measure: risk_ratio, model: mantel_haenszel, adjusted: prefer}",
        "error",
        "needs the counts of both arms",
        "analyses[1].model",
    ),
    (
        "options_fit_measure",
        "measure: risk_ratio}",
        "measure: arcsine_difference, adjusted: only}",
        "error",
        "no report gives this measure ready: arcsine",
        "analyses[1].adjusted",
    ),
    (
        "options_fit_measure",
        "level: 0.9}",
        "zero_cells: constant}",
        "error",
        "not an option of mean_difference",
        "analyses[2].zero_cells",
    ),
    (
        "network_fits",
        "unit_of_analysis: thumbs\n",
        NETWORK + "measure: mean_difference}\n",
        "error",
        "outcome of kind events",
        "networks[1].measure",
    ),
    (
        "network_fits",
        "unit_of_analysis: thumbs\n",
        NETWORK + "measure: risk_ratio, model: mantel_haenszel}\n",
        "error",
        "for odds ratios",
        "networks[1].model",
    ),
    (
        "network_fits",
        "unit_of_analysis: thumbs\n",
        NETWORK + "measure: risk_ratio, model: common_effect, tau2: reml}\n",
        "error",
        "no estimator of tau2",
        "networks[1].tau2",
    ),
    (
        "network_fits",
        "unit_of_analysis: thumbs\n",
        NETWORK + "measure: risk_ratio, techniques: [lrti, lr], order: [lr, lrti, trapeziectomy]}\n",
        "error",
        "no technique of this network",
        "networks[1].order",
    ),
    *(
        (
            "option_pairs_fit",
            "unit_of_analysis: thumbs\n",
            f"unit_of_analysis: thumbs\noption_pairs:\n  - {{id: p, source: {rest}}}\n",
            "error",
            words,
            f"option_pairs[1].{field}",
        )
        for rest, words, field in (
            ("infection, outcomes: [any_complication]", "no operation deals with this cause", "source"),
            ("residual_bone, outcomes: [implant_survival]", "compared by events or continuous", "outcomes"),
            ("residual_bone, outcomes: [infection_deep]", "names no time window", "outcomes"),
        )
    ),
    (
        "option_pairs_fit",
        "unit_of_analysis: thumbs\n",
        NETWORK.replace(
            "unit_of_analysis: thumbs\n",
            "unit_of_analysis: thumbs\noption_pairs:\n"
            "  - {id: n, source: residual_bone, outcomes: [any_complication]}\n",
        )
        + "measure: risk_ratio}\n",
        "error",
        "a network has this name",
        "option_pairs[1].id",
    ),
    (
        "specifications_fit",
        "unit_of_analysis: thumbs\n",
        "unit_of_analysis: thumbs\nspecifications: {analyses: [no_such_analysis], data_seen: no}\n",
        "error",
        "no analysis of this id",
        "specifications.analyses",
    ),
    (
        "specifications_fit",
        "unit_of_analysis: thumbs\n",
        "unit_of_analysis: thumbs\nspecifications: {icc: ['0.2', '1.2'], data_seen: no}\n",
        "error",
        "0 to 1",
        "specifications.icc",
    ),
    (
        "options_fit_measure",
        "level: 0.9}",
        "model: mantel_haenszel}",
        "error",
        "does not pool a mean difference",
        "analyses[2].model",
    ),
]


def problems_of(text: str, name: str) -> list[Problem]:
    document = read_bytes(text.encode(), "record.yaml")
    assert document.root is not None, document.problems
    form = shipped().form(document.root.get("form").text)  # type: ignore[union-attr]
    group, _ = read_fields(document.root, form)
    return list(RULES[name].check(Context(group, form)))


SEARCH_CASES = [
    ("limits_have_reasons", 'limits_reason: "the techniques are younger"\n', "", "question", "without a reason", "limits"),
    ("limits_have_reasons", '"published since 1990"\nlimits_reason: "the techniques are younger"', "none", "", "", ""),
    ("search_dates_in_order", "from: 1990-01", "from: 2026-02", "error", "ends before it starts", "covered_until"),
    ("search_dates_in_order", "until: 2026-01-20", "until: 2026-01-22", "error", "after the day", "covered_until"),
    ("search_dates_in_order", "until: 2026-01-20", "until: 2026", "", "", ""),
]  # fmt: skip
CERTAINTY_CASES = [
    ("judgements_named_once", "analysis: dash_lrti", "analysis: complications_lrti", "error", "already", "judgements[2].analysis"),
    ("judgements_named_once", "domain: imprecision, proposed: -1", "domain: risk_of_bias, proposed: -1", "error", "already", "judgements[1].domains[2].domain"),
    ("judgements_have_reasons", ', because: "assessors did not know the operation"', "", "error", "why 0 instead of the proposed -1", "judgements[1].domains[1].because"),
    ("judgements_have_reasons", "proposed: -1, judged: 0", "proposed: -1, judged: 1", "error", "no such level", "judgements[1].domains[1].judged"),
    ("judgements_signed", "proposed: -1, judged: -1", "proposed: -1", "question", "imprecision is not judged", "judgements[1].domains[2].judged"),
    ("judgements_signed", "proposed: -1, judged: -1", "proposed: -1, judged: -1, proposed_because: 'Open: which thumbs.'", "question", "open question has no answer", "judgements[1].domains[2].because"),
    ("judgements_signed", "signed_on: 2026-03-02", "signed_on: 2999-03-02", "error", "a day to come", "judgements[1].signed_on"),
    ("judgements_have_reasons", "assessors did not know", "not statistically significant", "question", "not on a test", "judgements[1].domains[1].because"),
    ("judgements_signed", "    signed_on: 2026-03-02\n", "", "error", "a signature has", "judgements[1].signed_on"),
    ("judgements_signed", "    signed_by: Ada Example\n", "", "error", "a signature has", "judgements[1].signed_by"),
]  # fmt: skip
BASELINE = "unit_of_analysis: thumbs\nbaselines:\n  - {label: a register, kind: registry, outcome: any_complication, source: report, "
SIZES_CASES = [
    ("difference_sizes_rise", "smallest_important_difference: 5,", "smallest_important_difference: 5, moderate_difference: 4,", "error", "larger than the size before", "outcomes[1].moderate_difference"),
    ("difference_sizes_rise", "smallest_important_difference: 5,", "smallest_important_difference: 0,", "error", "difference of nothing", "outcomes[1].smallest_important_difference"),
    ("difference_sizes_rise", "smallest_important_difference: 5,", "large_difference: 5,", "error", "needs the smallest", "outcomes[1].large_difference"),
    ("baseline_counts", "unit_of_analysis: thumbs\n", BASELINE + "events: 5}\n", "error", "either thumbs (a risk) or thumb_years", "baselines[1].events"),
    ("baseline_counts", "unit_of_analysis: thumbs\n", BASELINE + "events: 5, thumbs: 9, thumb_years: 8}\n", "error", "either thumbs", "baselines[1].thumb_years"),
    ("baseline_counts", "unit_of_analysis: thumbs\n", BASELINE + "events: 5, thumbs: 4}\n", "error", "more events than thumbs", "baselines[1].events"),
    ("baseline_counts", "unit_of_analysis: thumbs\n", BASELINE + "events: 5, thumbs: 9, comparisons: [lrti_vs_trap]}\n", "error", "no comparison of this id", "baselines[1].comparisons"),
    ("baseline_counts", "unit_of_analysis: thumbs\n", BASELINE + "events: 5, thumb_years: 2.5}\n", "", "", ""),
]  # fmt: skip
ROOT = Path(__file__).resolve().parents[4]
UNIT = (ROOT / "demo_studies" / "unit.yaml").read_text(encoding="utf-8")
UNIT_CASES = [
    ("unit_names", "  - {id: lrti, technique", "  - {id: trapeziectomy_alone, technique", "error", "stands on line 13 already", "techniques[2].id"),
    ("unit_limits", "lowest: 95, highest: 140", "lowest: 150, highest: 140", "error", "lies above the value that it limits", "volume.lowest"),
    ("unit_baselines", "events: 21, thumbs: 96", "events: 97, thumbs: 96", "error", "more thumbs with an event than thumbs (96)", "outcomes[2].baseline.events"),
    ("unit_audit", "case_mix:\n", "audit:\n  - {outcome: revision_index, year: 2024, events: 3, thumbs: 90}\ncase_mix:\n", "error", "this outcome is counted in thumb_years elsewhere", "audit[1].thumbs"),
    ("unit_case_mix", "share_instead: 30\n    effects:\n      - {outcome: revision_index", "share_instead: 30\n    effects:\n      - {outcome: revision_index, rate_ratio: 2, source: again}\n      - {outcome: revision_index", "error", "stands twice in this scenario", "case_mix[1].effects[2].outcome"),
]  # fmt: skip
EVERY_CASE = [
    (text, case)
    for text, cases in (
        (STUDY, [*STUDY_CASES, *DIFFERING_CASES]),
        (RETURNS, RETURN_CASES),
        (STUDY + PLACES, PLACE_CASES),
        (PROTOCOL, [*PROTOCOL_CASES, *SIZES_CASES, *PLANNED_CASES]),
        (SEARCH, SEARCH_CASES),
        (CERTAINTY, CERTAINTY_CASES),
        (UNIT, UNIT_CASES),
    )
    for case in cases
]


@pytest.mark.parametrize(
    ("text", "rules"),
    [
        (STUDY, "study"),
        (RETURNS, "study"),
        (STUDY + PLACES, "study"),
        (PROTOCOL, "protocol"),
        (SEARCH, "search"),
        (CERTAINTY, "certainty"),
        (UNIT, "unit"),
    ],
    ids=["study", "returns", "places", "protocol", "search", "certainty", "unit"],
)
def test_sound_record_breaks_no_rule(text: str, rules: str) -> None:
    assert [problem for name in shipped().form(rules).rules for problem in problems_of(text, name)] == []


@pytest.mark.parametrize(
    ("text", "case"), EVERY_CASE, ids=[f"{case[0]}: {case[2][:40]}" for _, case in EVERY_CASE]
)
def test_rule_finds_what_it_is_for(text: str, case: tuple[str, str, str, str, str, str]) -> None:
    rule, old, new, severity, words, field = case
    assert old in text
    found = problems_of(text.replace(old, new, 1), rule)
    if not severity:
        assert found == []
        return
    hits = [
        problem
        for problem in found
        if problem.severity == severity
        and any(part in str(problem) for part in words.split("|"))
        and field in ("", problem.field)
    ]
    assert hits, [str(problem) for problem in found]
    assert all(problem.line and problem.column for problem in found)


def test_every_rule_is_broken_here() -> None:
    broken = {case[0] for _, case in EVERY_CASE if case[3]}
    assert broken == set(RULES.names())
