"""A sound record that says why thumbs came back, and every way in which such a record is broken on purpose.

Invented; the numbers are small so that a sum can be read. Kept apart from the other cases for its length.
"""

from __future__ import annotations

SECTIONS = """returns:
  - {arm: A, kind: operation, count: 5, total: 30, causes_overlap: no, came_back_after: {mean: 8, minimum: 2, maximum: 14, unit: months}, author_definition: any further operation, source: {page: 6, table: 4}}
  - {arm: A, kind: lived_with, count: 3, total: 30, causes_overlap: not_reported}
  - {arm: B, kind: operation, count: 0, total: 30}
  - {arm: C, kind: operation, count: 4, total: 33, causes_overlap: yes}
return_causes:
  - {arm: A, kind: operation, cause: residual_bone, count: 2, as_reported: spur at the metacarpal base, months: 6}
  - {arm: A, kind: operation, cause: mp_hyperextension, count: 1}
  - {arm: A, kind: operation, cause: not_stated, count: 2}
  - {arm: A, kind: lived_with, cause: scaphotrapezoid_arthritis, count: 3}
  - {arm: C, kind: operation, cause: implant_dislocation, count: 3}
  - {arm: C, kind: operation, cause: implant_loosening, count: 2}
second_operations:
  - {arm: A, operation: bone_removal, cause: residual_bone, count: 2, as_reported: spur removed}
  - {arm: A, operation: mp_fusion, count: 1}
  - {arm: A, operation: operation_not_stated, count: 2}
findings:
  - {arm: A, finding: osteophytes_looked_for, count: 28, total: 30}
  - {arm: A, finding: osteophytes_found, count: 12, total: 30}
  - {arm: A, finding: osteophytes_removed, count: 7, total: 30}
  - {arm: A, finding: st_inspected, count: 30, total: 30}
  - {arm: A, finding: st_arthritis_seen, count: 9, total: 30}
  - {arm: C, finding: st_arthritis_treated, count: 5, total: 33}
  - {arm: C, finding: st_arthritis_treated, option: st_trapezoid_partial, count: 4, total: 33}
  - {arm: A, finding: mp_hyperextension_found, count: 6, total: 30, limit: {above: 20, as_reported: over 20 degrees}}
mp_bands:
  - {arm: A, time: {label: before_surgery}, band: {to: 0}, count: 10, total: 30}
  - {arm: A, time: {label: before_surgery}, band: {above: 0, below: 30}, count: 17, total: 30}
  - {arm: A, time: {label: before_surgery}, band: {from: 30}, count: 3, total: 30, measured: passive}
  - {arm: A, time: {label: before_surgery}, band: {from: 30}, mp_option: mp_none, count: 2}
  - {arm: A, time: {label: before_surgery}, band: {from: 30}, mp_option: mp_pinning, count: 1}
  - {arm: C, time: {value: 12, unit: months}, band: {from: -30, below: -10}, count: 20, total: 33, sign: positive_is_flexion}
subgroups:
  - {arm: A, osteophyte_option: osteophyte_removed, outcome: any_reoperation, time: {value: 12, unit: months}, events: 1, total: 10}
  - {arm: A, mp_before: {from: 30}, outcome: mp_hyperextension, time: {value: 12, unit: months}, kind: final, n: 3, mean: 28, standard_deviation: 6, sign: positive_is_hyperextension}
"""
_CHANGE = (
    "  - {arm: C, outcome: mp_hyperextension, time: {value: 12, unit: months}, unit_of_analysis: thumbs, reporting: "
    "reported, kind: change, n: 33, mean: %s, standard_deviation: 5, sign: positive_is_flexion}\nappraisal:\n"
)

# rule, old text, new text, severity, what the message must say, where
RETURN_CASES = [
    ("returns_within_arm", "kind: lived_with, count: 3, total", "kind: operation, count: 3, total", "error", "already", "returns[2].arm"),
    ("returns_within_arm", "count: 5, total: 30", "count: 5, total: 36", "error", "36 of 33 in the arm", "returns[1].total"),
    ("returns_within_arm", "count: 5, total: 30", "count: 31, total: 30", "error", "31 of 30 followed", "returns[1].count"),
    ("returns_within_arm", "minimum: 2, maximum: 14", "minimum: 12, maximum: 14", "error", "outside its range", "returns[1].came_back_after.mean"),
    ("returns_within_arm", "minimum: 2, maximum: 14", "minimum: 2, maximum: 24", "question", "the longest follow-up of the arm is 15", "returns[1].came_back_after.maximum"),
    ("return_causes_add_up", "cause: residual_bone, count: 2", "cause: residual_bone, count: 6", "error", "6 of 5 that came back", "return_causes[1].count"),
    ("return_causes_add_up", "cause: residual_bone, count: 2", "cause: residual_bone, count: 3", "question", "3 residual_bone + 1 mp_hyperextension + 2 not_stated = 6, 5 came back", "return_causes[3].count"),
    ("return_causes_add_up", "cause: residual_bone, count: 2", "cause: residual_bone, count: 4", "error", "4 with this cause and 2 without a stated one, 5 came back", "return_causes[1].count"),
    ("return_causes_add_up", "cause: not_stated, count: 2", "cause: not_stated, count: 0", "question", "= 3, 5 came back; found: 0; hint: is a cause left out?", "return_causes[3].count"),
    ("return_causes_add_up", "causes_overlap: yes", "causes_overlap: not_reported", "question", "can one stand under several causes?", "return_causes[6].count"),
    ("return_causes_add_up", "causes_overlap: yes", "causes_overlap: no", "question", "3 implant_dislocation + 2 implant_loosening = 5, 4 came back", "return_causes[6].count"),
    ("return_causes_add_up", "cause: mp_hyperextension, count: 1", "cause: residual_bone, count: 1", "error", "says this already", "return_causes[2].cause"),
    ("return_causes_add_up", "arm: A, kind: lived_with, cause", "arm: B, kind: lived_with, cause", "error", "no entry of arm B and lived_with", "return_causes[4].cause"),
    ("return_causes_add_up", "arm: B, kind: operation, count: 0", "arm: B, kind: operation, count: 2", "question", "2 came back and no cause is named", "returns[3].count"),
    ("return_cause_fits_arm", "cause: mp_hyperextension, count: 1", "cause: implant_wear, count: 1", "question", "without an implant", "return_causes[2].cause"),
    ("return_cause_fits_arm", "cause: mp_hyperextension, count: 1", "cause: non_union, count: 1", "question", "without arthrodesis_cmc1 or", "return_causes[2].cause"),
    ("second_operations_fit", "operation: mp_fusion, count: 1", "operation: mp_fusion, count: 6", "error", "6 of 5 that came back", "second_operations[2].count"),
    ("second_operations_fit", "operation: operation_not_stated, count: 2", "operation: operation_not_stated, count: 1", "question", "2 + 1 + 1 = 4 operations, 5 were operated again", "second_operations[3].count"),
    ("second_operations_fit", "arm: A, operation: mp_fusion", "arm: D, operation: mp_fusion", "error", "no entry of arm D", "second_operations[2].operation"),
    ("second_operations_fit", "operation: mp_fusion, count", "operation: mp_fusion, cause: nerve, count", "question", "not among the causes of the arm", "second_operations[2].cause"),
    ("second_operations_fit", "cause: residual_bone, count: 2, as_reported: spur removed", "cause: residual_bone, count: 3, as_reported: spur removed", "question", "3 operated for residual_bone, 2 came back for it", "second_operations[1].count"),
    ("second_operations_fit", "operation: operation_not_stated, count: 2", "operation: mp_fusion, count: 2", "error", "already", "second_operations[3].operation"),
    ("returns_match_outcomes", "outcome: crps, time: {label: last_follow_up}, unit_of_analysis: thumbs, reporting: not_reported}", "outcome: any_reoperation, time: {label: last_follow_up}, unit_of_analysis: thumbs, reporting: reported, events: 4, total: 30}", "question", "5 came back for an operation, any_reoperation counts 4", "returns[1].count"),
    ("returns_match_outcomes", "outcome: crps, time: {label: last_follow_up}, unit_of_analysis: thumbs, reporting: not_reported}", "outcome: secondary_mp_procedure, time: {label: last_follow_up}, unit_of_analysis: thumbs, reporting: reported_zero, events: 0, total: 30}", "question", "1 had mp_fusion, secondary_mp_procedure counts 0", "second_operations[2].count"),
    ("findings_add_up", "finding: osteophytes_found, count: 12", "finding: osteophytes_found, count: 31", "error", "31 of 30 looked at", "findings[2].count"),
    ("findings_add_up", "finding: osteophytes_found, count: 12", "finding: osteophytes_found, count: 29", "error", "29 osteophytes_found, but only 28 osteophytes_looked_for", "findings[2].count"),
    ("findings_add_up", "finding: st_inspected, count: 30, total: 30", "finding: st_inspected, count: 30, total: 40", "error", "40 of 33 in the arm", "findings[4].total"),
    ("findings_add_up", "option: st_trapezoid_partial, count: 4", "option: st_trapezoid_partial, count: 6", "error", "6 of 5 counted under st_arthritis_treated", "findings[7].count"),
    ("findings_add_up", "option: st_trapezoid_partial", "option: mp_pinning", "error", "about scaphotrapezoid arthritis, mp_pinning about mp hyperextension", "findings[7].option"),
    ("findings_add_up", "option: st_trapezoid_partial", "option: st_arthritis_left", "error", "about treated, st_arthritis_left about left", "findings[7].option"),
    ("findings_add_up", "finding: osteophytes_found", "finding: osteophytes_looked_for", "error", "already", "findings[2].finding"),
    ("findings_fit_arm", "    stt_arthritis: 4\n", "    stt_arthritis: 4\n    metacarpal_osteophyte_removed: yes\n", "question", "7 of 12 = 58 %, the arm says yes of all", "findings[3].count"),
    ("findings_fit_arm", "    stt_arthritis: 4\n", "    stt_arthritis: 4\n    metacarpal_osteophyte_removed: no\n", "question", "the arm says no", "findings[3].count"),
    ("findings_fit_arm", "    stt_arthritis: 4\n", "    stt_arthritis: 4\n    metacarpal_osteophyte_removed: some\n", "", "", ""),
    ("findings_fit_arm", "    st_option: st_not_reported\n", "    st_option: st_none\n", "question", "5 of 33 = 15 %, the arm says st_none", "findings[6].count"),
    ("findings_fit_arm", "    st_option: st_not_reported\n", "    st_option: st_trapezoid_partial\n", "question", "the arm says st_trapezoid_partial of all", "findings[6].count"),
    ("bands_are_intervals", "band: {above: 0, below: 30}", "band: {above: 30, below: 0}", "error", "no value lies between 30 and 0", "mp_bands[2].band.below"),
    ("bands_are_intervals", "band: {above: 0, below: 30}", "band: {above: 0, from: 1, below: 30}", "error", "give one of them", "mp_bands[2].band.from"),
    ("bands_are_intervals", "band: {to: 0}", "band: {as_reported: none}", "error", "without an end in numbers", "mp_bands[1].band"),
    ("bands_are_intervals", "mp_before: {from: 30}", "mp_before: {above: 30, to: 30}", "error", "no value lies between 30 and 30", "subgroups[2].mp_before.to"),
    ("bands_are_intervals", "limit: {above: 20, as", "limit: {above: 20, below: 10, as", "error", "no value lies", "findings[8].limit.below"),
    ("bands_add_up", "band: {to: 0}, count: 10", "band: {to: 0}, count: 31", "error", "31 of 30 measured", "mp_bands[1].count"),
    ("bands_add_up", "band: {to: 0}, count: 10", "band: {to: 0}, count: 9", "question", "9 + 17 + 3 = 29, not 30 measured", "mp_bands[3].count"),
    ("bands_add_up", "band: {above: 0, below: 30}", "band: {above: 0, to: 30}", "question", "degrees in common", "mp_bands[3].band"),
    ("bands_add_up", "mp_option: mp_pinning, count: 1", "mp_option: mp_pinning, count: 2", "question", "options 2 + 2 = 4, the band has 3", "mp_bands[5].count"),
    ("bands_add_up", "mp_option: mp_pinning, count: 1", "mp_option: mp_none, count: 1", "error", "already", "mp_bands[5].arm"),
    ("bands_add_up", "time: {label: before_surgery}, band: {to: 0}", "time: {value: not_reported}, band: {to: 0}", "error", "neither a time nor a label", "mp_bands[1].time"),
    ("bands_add_up", "count: 20, total: 33, sign", "count: 20, total: 40, sign", "error", "40 of 33 in the arm", "mp_bands[6].total"),
    ("bands_fit_angles", "band: {from: 30}, count: 3, total", "band: {above: 30}, count: 2, total", "question", "2 over 30 degrees, over_30 of the arm says 3", "mp_bands[3].count"),
    ("bands_fit_angles", "band: {from: 30}, count: 3, total", "band: {above: 45}, count: 3, total", "question", "3 beyond 45 degrees, the largest angle of the arm is 40", "mp_bands[3].count"),
    ("bands_fit_angles", "band: {from: 30}, count: 3, total", "band: {above: 30}, count: 3, total", "", "", ""),
    ("subgroups_fit", "outcome: any_reoperation, time: {value: 12, unit: months}, events: 1", "outcome: any_complication, time: {value: 12, unit: months}, events: 5", "question", "5 in this part, 4 in the whole arm", "subgroups[1].events"),
    ("subgroups_fit", "  - {arm: A, mp_before: {from: 30}, outcome", "  - {arm: A, osteophyte_option: osteophyte_removed, outcome: any_reoperation, time: {value: 12, unit: months}, events: 1, total: 10}\n  - {arm: A, mp_before: {from: 30}, outcome", "error", "already", "subgroups[2].outcome"),
    ("subgroups_fit", "osteophyte_option: osteophyte_removed, outcome", "outcome", "error", "which part of the arm?", "subgroups[1].outcome"),
    ("subgroups_fit", "events: 1, total: 10", "events: 11, total: 10", "error", "11 of 10 in the part", "subgroups[1].events"),
    ("subgroups_fit", "events: 1, total: 10", "events: 1, total: 50", "error", "50 of 33 in the arm", "subgroups[1].total"),
    ("subgroups_fit", "events: 1, total: 10", "mean: 1, total: 10", "error", "counted, not measured", "subgroups[1].mean"),
    ("subgroups_fit", "n: 3, mean: 28", "events: 2, n: 3, mean: 28", "error", "measured, not counted", "subgroups[2].events"),
    ("subgroups_fit", "n: 3, mean: 28", "n: 3, mean: 128", "error", "outside the limits", "subgroups[2].mean"),
    ("subgroups_fit", "standard_deviation: 6, sign: positive_is_hyperextension", "standard_deviation: 6", "error", "which direction", "subgroups[2].sign"),
    ("subgroups_fit", "time: {value: 12, unit: months}, events: 1", "time: {value: not_reported}, events: 1", "error", "neither a time", "subgroups[1].time"),
    ("angle_direction", "mp_preoperative: {mean: 14, standard_deviation: 9, maximum: 40, over_30: 3, sign: positive_is_hyperextension}", "mp_preoperative: {mean: 14, sign: positive_is_flexion}", "question", "a mean of 14 degrees of flexion", "arms[1].mp_preoperative.mean"),
    ("angle_direction", "mean: -9, standard_deviation: 6, minimum: -25, maximum: 2, sign: positive_is_flexion", "mean: -19, standard_deviation: 6, sign: positive_is_hyperextension", "question", "a mean of 19 degrees of flexion", "outcomes[15].mean"),
    ("angle_direction", "n: 3, mean: 28", "n: 3, mean: -28", "question", "28 degrees of flexion", "subgroups[2].mean"),
    ("angle_direction", "band: {from: -30, below: -10}, count: 20, total: 33, sign: positive_is_flexion", "band: {from: -30, below: -10}, count: 20, total: 33", "question", "10 degrees flexed or more", "mp_bands[6].band.below"),
    ("angle_direction", "sign: positive_is_flexion}\nsubgroups", "sign: unclear}\nsubgroups", "question", "left out until the direction is known", "mp_bands[6].sign"),
    ("angle_direction", "appraisal:\n", _CHANGE % "-3", "question", "from 12 to 9 degrees is a change of -3, typed +3", "outcomes[17].mean"),
    ("angle_direction", "appraisal:\n", _CHANGE % "3", "", "", ""),
]  # fmt: skip

# Arms that differ in more than what is compared; on the sound record itself.
DIFFERING_CASES = [
    ("arms_differ_in_one_thing", "    mp_option: mp_none\n    st_option: st_inspected_normal\n    patients: {allocated: 32", "    mp_option: mp_pinning\n    st_option: st_inspected_normal\n    patients: {allocated: 32", "question", "differs from arm A in more than one thing: MP pinning", "arms[2].technique"),
    ("arms_differ_in_one_thing", "components: [lr_fcr_slip, ti_fcr]", "components: [lr_fcr_slip, ti_fcr, mc_base_osteophytectomy]", "question", "steophyte", "arms[2].technique"),
    ("arms_differ_in_one_thing", "kwire_fixation, thumbs: 7", "kwire_fixation, thumbs: 15", "question", "Temporary pin (in some)", "arms[2].technique"),
    ("arms_differ_in_one_thing", "    label: \"LRTI\"\n    technique: lrti\n    components: [lr_fcr_slip, ti_fcr]\n", "    label: \"LRTI\"\n    technique: trapeziectomy\n    components: []\n    immobilisation_weeks: 4\n", "", "", ""),
    ("arms_differ_in_one_thing", "    label: \"LRTI\"\n    technique: lrti\n    components: [lr_fcr_slip, ti_fcr]\n    mp_option: mp_none\n", "    label: \"LRTI\"\n    technique: trapeziectomy\n    components: [kwire_fixation]\n    mp_option: mp_pinning\n", "question", "Temporary pin; MP pinning", "arms[2].technique"),
]  # fmt: skip
