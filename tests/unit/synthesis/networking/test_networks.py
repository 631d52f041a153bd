"""Planned networks of a review: arms and components from records, sentences per 100 thumbs, and what is left out."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from metakit.core.bibliography import reference
from metakit.core.plans import NetworkPlan
from metakit.networks.analysis import analyse_network
from metakit.networks.arms import arms_from_counts_or_means
from metakit.networks.models import NETWORK_MODELS
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.networking.network_arms import component_set, partly_given
from metakit.synthesis.networking.networks import analyse_network_plan
from tests.unit.synthesis.invented import arm, counted, measured, protocol, series, study

PLAN = NetworkPlan(
    id="n", label="all techniques", outcome="any_complication", measure="risk_ratio", reference="trapeziectomy",
    model="common_effect",
)  # fmt: skip


def compared(id_, *sides, **facts):
    """A trial: each side is (technique, events, total) or (technique, events, total, facts of the arm)."""
    arms, outcomes = [], []
    for letter, (technique, events, total, *more) in zip("ABCD", sides, strict=False):
        arms.append(arm(letter, technique, thumbs=total, **(more[0] if more else {})))
        outcomes.append(counted(letter, events, total))
    return study(id_, *outcomes, arms=tuple(arms), **facts)


TRIALS = (
    compared("1", ("lrti", 8, 40), ("trapeziectomy", 4, 40)),
    compared("2", ("lrti", 9, 50), ("trapeziectomy", 6, 52)),
    compared("3", ("suture_button", 6, 40), ("lrti", 9, 41)),
    compared("4", ("suture_button", 3, 30), ("trapeziectomy", 4, 31)),
    compared("5", ("arthrodesis", 9, 30), ("lrti", 5, 30)),
)


def found_in(studies, plan=PLAN, **facts):
    finding = analyse_network_plan(plan, protocol(**facts), studies, display_names(studies))
    json.dumps(finding.to_json(), allow_nan=False)
    return finding


def pair(finding, technique, comparator):
    return next(c for c in finding.comparisons if (c.technique, c.comparator) == (technique, comparator))


def test_numbers_are_those_of_the_network_of_the_typed_arms() -> None:
    finding = found_in(TRIALS)
    rows = [
        (s.label, a.technique, o.events, o.total)
        for s in TRIALS
        for a, o in zip(s.arms, s.outcomes, strict=True)
    ]
    study_, technique, events, total = zip(*rows, strict=True)
    arms = arms_from_counts_or_means("risk_ratio", study_, technique, {"events": events, "total": total})
    part = analyse_network(arms, model="common_effect").parts[0].part
    assert len(finding.comparisons) == 6
    for item in finding.comparisons:
        contrast = part.contrast(item.technique, item.comparator)
        assert item.estimate == pytest.approx(math.exp(contrast.estimate), rel=1e-12)
        assert item.interval == pytest.approx(np.exp(contrast.interval), rel=1e-12)
    assert [c.comparator for c in finding.comparisons[:3]] == ["trapeziectomy"] * 3
    assert {node.technique: (node.studies, node.size) for node in finding.nodes} == {
        "arthrodesis": (1, 30), "lrti": (4, 161), "suture_button": (2, 70), "trapeziectomy": (3, 123),
    }  # fmt: skip


def test_each_comparison_says_its_kind_of_evidence_and_numbers_per_100() -> None:
    finding = found_in(TRIALS)
    mixed, indirect = pair(finding, "lrti", "trapeziectomy"), pair(finding, "arthrodesis", "trapeziectomy")
    only = next(c for c in finding.comparisons if {c.technique, c.comparator} == {"arthrodesis", "lrti"})
    assert (mixed.evidence, mixed.studies) == ("direct_and_indirect", 2)
    assert (indirect.evidence, indirect.studies, indirect.direct_share) == ("indirect", 0, 0.0)
    assert (only.evidence, only.studies) == ("direct", 1)
    assert only.direct_share == pytest.approx(1.0)

    # baseline: 14 of 123 thumbs after the reference; a limit of another pair would pass 100, so that all ratios are
    # carried over as ratios of hazards and all pairs agree
    def carried(ratio: float) -> float:
        return 100 * (1 - (1 - 14 / 123) ** ratio)

    assert mixed.absolute is not None
    assert mixed.absolute.comparator == pytest.approx(100 * 14 / 123)
    assert mixed.absolute.technique == pytest.approx(carried(mixed.estimate))
    assert mixed.absolute.upper == pytest.approx(carried(mixed.interval.upper))
    assert mixed.absolute.carried in finding.notes
    said = " ".join(mixed.sentences)
    assert "direct and indirect evidence, 2 studies compare them" in said
    assert (
        "about 11 have any complication after trapeziectomy alone (14 of 123 thumbs in these studies; "
        "carried over as ratios of hazards)" in said
    )
    assert "no study compares them" in indirect.sentences[0]
    # without the reference: its frequency is what the network expects, and the technique's follows from it
    other = next(
        c for c in finding.comparisons if {c.technique, c.comparator} == {"arthrodesis", "suture_button"}
    )
    own = pair(finding, other.comparator, "trapeziectomy").absolute
    assert own is not None and other.absolute is not None
    assert other.absolute.comparator == pytest.approx(own.technique)
    assert "expected at 11 in 100 after trapeziectomy alone" in " ".join(other.sentences)


def test_comparisons_that_rest_on_little_say_so() -> None:
    finding = found_in(TRIALS)
    assert pair(finding, "lrti", "trapeziectomy").caution == ""
    indirect = pair(finding, "arthrodesis", "trapeziectomy")
    assert indirect.caution in indirect.sentences
    assert "all indirect evidence runs through one study (" in indirect.caution
    assert "arthrodesis has 9 events in 30 thumbs" in indirect.caution
    direct = next(c for c in finding.comparisons if {c.technique, c.comparator} == {"arthrodesis", "lrti"})
    assert "indirect" not in direct.caution and "9 events in 30 thumbs" in direct.caution
    # 9 events in 70 thumbs are few; with a tenth, and nothing indirect, nothing is said
    button = pair(finding, "suture_button", "trapeziectomy")
    assert (
        "suture-button suspension has 9 events in 70 thumbs" in button.caution
        and "runs through" not in button.caution
    )
    more = found_in(
        (*TRIALS[:3], compared("4", ("suture_button", 4, 30), ("trapeziectomy", 4, 31)), TRIALS[4])
    )
    assert pair(more, "suture_button", "trapeziectomy").caution == ""


def test_a_stated_baseline_is_used_and_named() -> None:
    finding = found_in(TRIALS, replace(PLAN, baseline_per_100=20.0))
    item = pair(finding, "lrti", "trapeziectomy")
    assert item.absolute is not None
    assert item.absolute.comparator == 20.0
    assert "20 in 100 as the protocol states" in " ".join(item.sentences)


def test_studies_that_cannot_enter_are_set_aside_with_their_reason() -> None:
    silent = study(
        "6", counted("A", 3, 30), counted("B", None, None, reporting="not_reported"),
        arms=(arm("A", "lrti"), arm("B", "trapeziectomy")),
    )  # fmt: skip
    alone = compared("7", ("lrti", 3, 30, {"mp_option": "mp_arthrodesis"}), ("lrti", 2, 30))
    paired = compared("8", ("lrti", 3, 30), ("trapeziectomy", 2, 30), within_person=True)
    mixed = compared("9", ("lrti", 3, 30), ("mixed_techniques", 2, 30, {"mixed": True}))
    many = series("10", counted("A", 3, 30))
    finding = found_in((*TRIALS, silent, alone, paired, mixed, many))
    reasons = {item.study: item.reason for item in finding.set_aside}
    assert "not reported" in reasons["Study 6"]
    assert reasons["Study 7"] == "all its usable arms are one point of the network (LRTI)"
    assert "paired analysis" in reasons["Study 8"]
    assert "Study 9" in reasons
    assert "Study 10" not in reasons  # a single-arm series is no part of the question
    assert len(finding.analysis.arms.studies) == 5


def test_one_silent_arm_of_three_leaves_the_other_two() -> None:
    three = study(
        "6", counted("A", 3, 30), counted("B", 5, 30), counted("C", None, None, reporting="not_reported"),
        arms=(arm("A", "lrti"), arm("B", "trapeziectomy"), arm("C", "arthrodesis")),
    )  # fmt: skip
    finding = found_in((*TRIALS, three))
    assert "Study 6" in finding.analysis.arms.studies
    assert any(
        "Study 6: left out of the network, arthrodesis C: not reported" in note for note in finding.notes
    )


def test_the_protocol_can_name_the_techniques() -> None:
    finding = found_in(TRIALS, replace(PLAN, techniques=("lrti", "trapeziectomy")))
    assert [node.technique for node in finding.nodes] == ["lrti", "trapeziectomy"]


def test_no_data_and_an_absent_reference_are_findings_with_a_reason() -> None:
    nothing = found_in((series("10", counted("A", 3, 30)),))
    assert nothing.analysis is None
    assert "no study compares two techniques" in nothing.reason
    assert nothing.sentences[0].startswith("No answer: ")
    absent = found_in(TRIALS, replace(PLAN, reference="denervation"))
    assert "no study has the reference 'denervation'" in absent.reason


def test_thin_networks_and_indirect_comparisons_carry_cautions() -> None:
    finding = found_in(TRIALS[2:])
    said = " ".join(finding.cautions)
    assert "3 of 3 direct comparisons rest on one study each, and no comparison has both" in said
    assert "studies are alike" in said
    assert "ask a statistician" in said


def test_a_part_given_to_fewer_than_ninety_percent_is_a_covariate() -> None:
    # Common practice, no source: a component given to some (below 90 %) is a covariate with n of N, not a component
    some = arm("A", components=("trapeziectomy_total",), partly_given={"kwire_fixation": 26}, thumbs=40)
    nearly = replace(some, partly_given={"kwire_fixation": 36})
    assert component_set(some) == ("trapeziectomy_total",)
    assert [(p.component, p.thumbs, p.total) for p in partly_given("s", some)] == [("kwire_fixation", 26, 40)]
    assert "26 of 40 thumbs (65 %) is a covariate of the arm" in partly_given("s", some)[0].words
    assert component_set(nearly) == ("kwire_fixation", "trapeziectomy_total")
    assert partly_given("s", nearly) == ()
    # bone_tunnel_mc1 is a detail of the ligament reconstruction; an MP procedure is a part, silence is none
    whole = arm("B", components=("trapeziectomy_total", "bone_tunnel_mc1"), mp_option="mp_arthrodesis")
    assert component_set(whole) == ("mp_arthrodesis", "trapeziectomy_total")


def parts(*names, **more):
    return {"components": ("trapeziectomy_total", *names), **more}


COMPONENT_TRIALS = (
    compared("1", ("lrti", 8, 40, parts("lr_fcr_slip", "ti_fcr")), ("trapeziectomy", 4, 40, parts())),
    compared("2", ("lrti", 9, 50, parts("lr_fcr_slip", "ti_fcr")), ("lr", 6, 52, parts("lr_fcr_slip"))),
    compared("3", ("suture_button", 6, 40, parts("susp_suture_button", partly_given={"kwire_fixation": 12})),
             ("trapeziectomy", 9, 41, parts())),
)  # fmt: skip


def test_components_are_told_one_by_one_and_ties_are_named() -> None:
    finding = found_in(COMPONENT_TRIALS, replace(PLAN, components=True))
    assert finding.components is not None
    said = {item.component: item.sentence for item in finding.component_sentences}
    assert set(said) == {"lr_fcr_slip", "ti_fcr", "susp_suture_button"}
    ball = next(effect for effect in finding.components.effects if effect.component == "ti_fcr")
    # what the ball adds is trial 2 alone: (9/50) / (6/52)
    assert math.exp(ball.estimate) == pytest.approx((9 / 50) / (6 / 52), rel=1e-9)
    assert said["ti_fcr"].startswith(
        "Adding tendon interposition, FCR, everything else equal: risk ratio 1.56"
    )
    assert [part.component for part in finding.partly_given] == ["kwire_fixation"]
    tied = found_in(COMPONENT_TRIALS[::2], replace(PLAN, components=True))
    assert (
        "cannot be told apart from" in {i.component: i.sentence for i in tied.component_sentences}["ti_fcr"]
    )


NEIGHBOURS = (
    # osteophytes and scaphotrapezoid joint always together, the MP joint and the ligament each apart
    compared("1", ("lrti", 2, 60, parts("lr_fcr_slip", osteophyte_option="osteophyte_removed",
                                        st_option="st_trapezoid_partial")),
             ("trapeziectomy", 9, 60, parts("lr_fcr_slip", osteophyte_option="osteophyte_left"))),
    compared("2", ("lrti", 5, 70, parts("lr_fcr_slip", mp_option="mp_capsulodesis_volar")),
             ("lr", 10, 70, parts("lr_fcr_slip"))),
    compared("3", ("lr", 7, 50, parts("lr_fcr_slip")), ("trapeziectomy", 8, 50, parts())),
)  # fmt: skip


def test_what_is_done_at_each_source_of_trouble_is_a_part_of_the_operation() -> None:
    finding = found_in(NEIGHBOURS, replace(PLAN, components=True))
    effects = {item.component: item for item in finding.components.effects}
    assert set(effects) == {
        "mc_base_osteophytectomy", "st_trapezoid_partial", "mp_capsulodesis_volar", "lr_fcr_slip",
    }  # fmt: skip
    # each is told by one trial alone, by hand
    assert math.exp(effects["mp_capsulodesis_volar"].estimate) == pytest.approx(
        (5 / 70) / (10 / 70), rel=1e-9
    )
    assert math.exp(effects["lr_fcr_slip"].estimate) == pytest.approx((7 / 50) / (8 / 50), rel=1e-9)
    said = {item.component: item.sentence for item in finding.component_sentences}
    for one, other in (
        ("mc_base_osteophytectomy", "partial trapezoid excision"), ("st_trapezoid_partial", "osteophyt"),
    ):  # fmt: skip
        assert effects[one].estimate is None
        assert "cannot be told apart from" in said[one]
        assert other in said[one].lower()
    # a fourth trial that treats the joint alone tells them apart
    alone = compared("4", ("lr", 6, 64, parts("lr_fcr_slip", st_option="st_trapezoid_partial")),
                     ("lrti", 8, 64, parts("lr_fcr_slip")))  # fmt: skip
    more = found_in((*NEIGHBOURS, alone), replace(PLAN, components=True))
    told = {item.component: item.estimate for item in more.components.effects}
    assert math.exp(told["st_trapezoid_partial"]) == pytest.approx((6 / 64) / (8 / 64), rel=1e-9)
    both = (2 / 60) / (9 / 60)
    assert math.exp(told["mc_base_osteophytectomy"]) == pytest.approx(both / ((6 / 64) / (8 / 64)), rel=1e-9)


def test_silence_about_a_neighbouring_joint_is_said() -> None:
    silent = compared("4", ("lr", 6, 64, parts("lr_fcr_slip", mp_option="mp_not_reported")),
                      ("trapeziectomy", 8, 64, parts(mp_option="mp_not_reported")))  # fmt: skip
    notes = " ".join(found_in((*NEIGHBOURS, silent), replace(PLAN, components=True)).notes)
    assert "2 arms of 1 study say nothing of the MP joint and count as if nothing was done there" in notes
    assert "MP joint" not in " ".join(found_in(NEIGHBOURS, replace(PLAN, components=True)).notes)
    assert "say nothing of" not in " ".join(found_in((*NEIGHBOURS, silent)).notes)


def test_a_study_whose_arms_hold_the_same_parts_is_named() -> None:
    same = compared("4", ("lr", 6, 64, parts("lr_fcr_slip")), ("fcr_suspension", 8, 64, parts("lr_fcr_slip")))
    found = found_in((*NEIGHBOURS, same), replace(PLAN, components=True))
    assert any(note.startswith("Not in the network of parts: Study 4") for note in found.notes)


def test_unconnected_parts_are_bridged_by_components_and_marked_as_extrapolation() -> None:
    apart = (
        compared("1", ("lr", 8, 40, parts("lr_fcr_slip")), ("trapeziectomy", 4, 40, parts())),
        compared("2", ("lrti", 9, 50, parts("lr_fcr_slip", "ti_fcr")), ("ti", 6, 52, parts("ti_fcr"))),
        compared("3", ("lr", 5, 40, parts("lr_fcr_slip")), ("trapeziectomy", 4, 41, parts())),
        compared("4", ("fcr_suspension", 5, 40, parts("lr_fcr_slip", "kwire_fixation")),
                 ("haematoma_distraction", 3, 40, parts("kwire_fixation"))),
    )  # fmt: skip
    finding = found_in(apart, replace(PLAN, components=True))
    assert len(finding.analysis.parts) == 3
    assert "stands alone" in finding.sentences[1]
    kinds = {(c.technique, c.comparator): c.evidence for c in finding.comparisons}
    # only what lr_fcr_slip explains could bridge; the ball and the pin cancel in their own trials
    assert "extrapolated" not in kinds.values()
    bridged = (*apart, compared("5", ("by_components", 5, 40, parts("ti_fcr", "susp_suture_button")),
                                ("suture_button", 3, 40, parts("susp_suture_button"))))  # fmt: skip
    more = found_in(bridged, replace(PLAN, components=True))
    item = pair(more, "ti", "trapeziectomy")
    assert (item.evidence, item.studies) == ("extrapolated", 0)
    assert item.estimate == pytest.approx((5 / 40) / (3 / 40), rel=1e-9)  # ti_fcr is told by trial 5 alone
    assert "rests on adding up components" in item.sentences[0]


def test_moderator_characteristics_and_funnel_come_from_the_records() -> None:
    angled = tuple(
        replace(item, year=2000 + n, arms=tuple(replace(a, mp_preoperative_mean=5.0 * n) for a in item.arms))
        for n, item in enumerate(
            (*TRIALS, *(replace(t, id=f"x{t.id}", label=f"Copy {t.id}", cohort=f"x{t.id}") for t in TRIALS))
        )
    )
    plan = replace(
        PLAN, characteristics=("year", "design"), moderator="mp_hyperextension", moderator_form="common",
        order=("trapeziectomy", "lrti", "suture_button", "arthrodesis"),
    )  # fmt: skip
    finding = found_in(angled, plan)
    assert finding.analysis.moderator is not None
    assert finding.analysis.moderator.highest == 45.0
    year = next(r for r in finding.analysis.characteristics if r.name == "year" and r.studies == 4)
    assert (year.lowest, year.highest) == (2000.0, 2006.0)
    assert finding.analysis.funnel is not None
    assert len(finding.analysis.funnel.contrasts) == 10
    few = found_in(TRIALS, plan)
    assert few.analysis is not None and few.analysis.moderator is None
    assert any("No answer on the moderator" in note for note in few.notes)


def test_means_have_no_absolute_effect_and_their_unit() -> None:
    def trial(id_, one, two):
        return study(
            id_, measured("A", one, 12.0), measured("B", two, 13.0),
            arms=(arm("A", "lrti"), arm("B", "trapeziectomy")),
        )  # fmt: skip

    plan = replace(PLAN, outcome="dash", measure="mean_difference")
    finding = found_in((trial("1", 20.0, 24.0), trial("2", 21.0, 22.0)), plan)
    item = pair(finding, "lrti", "trapeziectomy")
    assert item.absolute is None
    assert "mean difference −2.50 points" in item.sentences[0]


def test_sources_of_all_that_was_computed_are_in_the_bibliography() -> None:
    plan = replace(
        PLAN, characteristics=("year",), order=("trapeziectomy", "lrti", "suture_button", "arthrodesis")
    )
    finding = found_in(TRIALS, plan)
    assert {"lu_ades_2004", "dias_2010", "phillippo_2019", "salanti_2012", "chaimani_salanti_2012"} <= set(
        finding.references
    )
    keys = {key for model in NETWORK_MODELS.values() for key in model.references} | set(finding.references)
    for key in (*keys, "welton_2009", "cooper_2009"):
        assert reference(key).year > 1950


def test_rare_event_models_answer_in_the_same_shape() -> None:
    for model in ("mantel_haenszel", "one_stage", "one_stage_common_effect"):
        finding = found_in(TRIALS, replace(PLAN, measure="odds_ratio", model=model))
        assert finding.analysis.parts[0].part.model == model
        assert pair(finding, "lrti", "trapeziectomy").evidence == "direct_and_indirect"
