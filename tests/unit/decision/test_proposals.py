"""Each domain of certainty: what is proposed for which numbers, and why."""

from __future__ import annotations

import math
from typing import Any

import pytest

from metakit.core.bibliography import reference
from metakit.core.limits import Limits
from metakit.decision.certainty import certainty_of, level_after
from metakit.decision.certainty_rules import CERTAINTY_RULES
from metakit.decision.evidence import NetworkFacts
from metakit.decision.information import InformationSize
from metakit.decision.proposals import DOMAINS, Proposal, proposals, start_of
from metakit.decision.statements import statement
from metakit.decision.thresholds import Thresholds
from metakit.forms.library import shipped
from metakit.models.small_studies.small_study import SmallStudyTest
from tests.unit.decision.bodies import SIZES, body, studies


def proposed(name: str, **facts: Any) -> Proposal:
    return DOMAINS[name].propose(body(**facts))


def test_registry_and_vocabulary_hold_the_same_domains() -> None:
    terms = shipped().vocabulary("certainty_domains")
    assert {domain.name for domain in DOMAINS} == {term.id for term in terms}
    for domain in DOMAINS:
        assert bool(terms[domain.name].facts.flag("network_only")) == domain.network_only
        assert all(str(reference(key)) for key in domain.references)
        assert domain.references


# Decision table after GRADE guidance 34 and 35 (Zeng 2022, Schünemann 2022) and Core GRADE 2 (2025): one threshold
# held lowers by one level, two or one far past by two, large benefit to large harm or next to no events by three;
# the information size is looked at only where none is held and the relative reduction is above 30 %. Which distance
# is far, and how few events are too few, are this project's own (`certainty_rules.py`).
@pytest.mark.parametrize(
    ("difference", "thresholds", "facts", "levels"),
    [
        ((-10.0, -12.0, -7.4), SIZES, {}, -1),  # holds moderate
        ((-10.0, -12.0, -7.4), Thresholds(smallest=5.0), {}, 0),
        ((-10.0, -19.0, -1.0), Thresholds(smallest=5.0), {}, -1),
        ((-10.0, -19.0, 0.5), Thresholds(smallest=5.0), {}, -2),  # far past one: 5.5 beyond it
        ((1.0, -3.0, 19.0), Thresholds(smallest=5.0), {}, -2),
        ((-4.0, -15.0, 7.0), Thresholds(smallest=5.0), {}, -2),
        ((-4.0, -15.0, 7.0), SIZES, {}, -2),  # three held, but no large benefit and no large harm
        ((-4.0, -25.0, 27.0), SIZES, {}, -3),
        ((-4.0, -math.inf, math.inf), SIZES, {}, -3),
        ((-4.0, -math.inf, math.inf), Thresholds(smallest=5.0), {}, -3),
        ((-10.0, -19.0, -1.0), Thresholds(smallest=5.0), {"events": 4.0}, -3),
        ((-10.0, -19.0, -1.0), Thresholds(smallest=5.0), {"events": 5.0}, -1),
        ((0.0, -3.0, 3.0), Thresholds(smallest=5.0), {"events": 0.0}, 0),  # precise in thumbs, whatever the count
        ((0.0, -5.0, 5.0), Thresholds(smallest=5.0), {}, 0),  # a limit on the threshold does not cross it
        ((-8.0, -9.0, -6.0), Thresholds(smallest=5.0), {"information": (300.0, 400.0)}, -1),
        ((-8.0, -9.0, -6.0), Thresholds(smallest=5.0), {"information": (100.0, 400.0)}, -2),
        ((-8.0, -9.0, -6.0), Thresholds(smallest=5.0), {"information": (500.0, 400.0)}, 0),
        # not large: a relative reduction of 25 % is not asked for its information
        (
            (-8.0, -9.0, -6.0),
            Thresholds(smallest=5.0),
            {"information": (100.0, 400.0), "ratio": (0.75, 0.7, 0.8)},
            0,
        ),
        ((8.0, 6.0, 9.0), Thresholds(smallest=5.0), {"information": (100.0, 400.0), "ratio": (1.5, 1.3, 1.7)}, -2),
        # holding a threshold: size not looked at
        ((-10.0, -19.0, -1.0), Thresholds(smallest=5.0), {"information": (100.0, 400.0)}, -1),
    ],
)  # fmt: skip
def test_imprecision_follows_thresholds_first(
    difference: tuple[float, float, float], thresholds: Thresholds, facts: dict[str, Any], levels: int
) -> None:
    facts = dict(facts)
    if "information" in facts:
        present, needed = facts["information"]
        facts["information"] = InformationSize(needed=needed, present=present, unit="thumbs", inputs="x")
    found = proposed("imprecision", difference=difference, thresholds=thresholds, **facts)
    assert found.levels == levels, found.reason
    held = thresholds.crossed(*difference[1:])
    large = facts.get("ratio", (0.5,))[0] not in (0.75,)
    assert ("information:" in found.reason) == ("information" in facts and not held and large)
    assert ("holds no threshold" in found.reason) == (not held)


def test_twice_the_spread_is_asked_about_where_it_crosses_one_more() -> None:
    # After GRADE guidance 36 (from memory), as this project reads it: few studies leave tau to what is assumed.
    facts = {"difference": (-10.0, -12.0, -7.0), "doubled": Limits(-14.0, -4.0)}
    assert "twice the spread" in proposed("imprecision", **facts).open
    assert "twice the spread" not in proposed("imprecision", studies=studies(*["low"] * 5), **facts).open
    assert (
        "twice the spread" not in proposed("imprecision", **(facts | {"doubled": Limits(-14.0, -6.0)})).open
    )


def test_one_study_is_lowered_where_the_mean_of_centres_would_hold_a_threshold_more() -> None:
    # This project's own rule: an answer of two and more studies counts how centres differ, so one study does.
    alone: dict[str, Any] = {"studies": studies("low"), "difference": (-1.0, -4.5, 2.5)}
    assert proposed("imprecision", **alone).levels == 0
    wide = proposed("imprecision", centres=Limits(-9.0, 7.0), **alone)
    assert (
        wide.levels == -1
        and "the mean of centres, −9.0 to +7.0 per 100 thumbs, holds −5 and +5" in wide.reason
    )
    assert proposed("imprecision", centres=Limits(-4.9, 4.9), **alone).levels == 0
    crossing = alone | {"difference": (-6.0, -9.0, -3.0)}
    assert proposed("imprecision", **crossing).levels == -1
    assert proposed("imprecision", centres=Limits(-9.5, 4.0), **crossing).levels == -1  # no threshold more
    assert proposed("imprecision", centres=Limits(-19.0, 7.0), **crossing).levels == -2
    few = crossing | {"events": 2.0, "centres": Limits(-19.0, 7.0)}
    assert proposed("imprecision", **few).levels == -3


def test_every_rule_has_a_source_and_says_how_sure_it_is() -> None:
    for rule in CERTAINTY_RULES:
        assert rule.domain in DOMAINS
        assert rule.references, rule.name
        assert all(reference(key) for key in rule.references), rule.name
        assert rule.standing in ("published", "from memory", "ours")


def test_imprecision_without_thresholds_says_what_is_missing() -> None:
    crossing = proposed("imprecision", thresholds=None, ratio=(0.8, 0.5, 1.3))
    one_side = proposed("imprecision", thresholds=None, ratio=(0.5, 0.4, 0.6))
    assert (crossing.levels, one_side.levels) == (-1, 0)
    assert "names no smallest important difference" in crossing.reason
    assert crossing.open
    # a standardised difference has neither a ratio nor an absolute scale
    alone = proposed("imprecision", ratio=None, difference=None, thresholds=None, effect=(0.2, -0.1, 0.5))
    assert alone.levels == -1
    assert "−0.10 to +0.50" in alone.reason


@pytest.mark.parametrize(
    ("spread", "tau", "levels"),
    [
        (Limits(-10.0, -10.0), 0.0, 0),
        (Limits(-14.0, -6.0), 0.1, 0),
        (Limits(-18.0, -1.0), 0.2, -1),
        (Limits(-18.0, 9.0), 0.5, -2),
    ],
)
def test_inconsistency_rests_on_tau_and_never_on_i2(spread: Limits, tau: float, levels: int) -> None:
    found = proposed(
        "inconsistency", spread=spread, tau=tau, tau_words=f"tau {tau}", prediction=Limits(-20.0, 7.0)
    )
    assert found.levels == levels
    assert ("prediction interval" in found.reason) == (levels > -2)
    assert "I²" not in found.reason
    assert "I2" not in found.reason


@pytest.mark.parametrize("tau", [0.0, 0.15])
def test_a_small_tau_with_a_wide_interval_is_not_consistency(tau: float) -> None:
    # The demonstration said "no spread of true effects is seen. No threshold is crossed" beside a prediction interval
    # of -22 to +21 with thresholds at 10, and tau up to 2.95.
    facts: dict[str, Any] = {
        "tau": tau, "tau_words": f"tau {tau:.2f} (0.00 to 2.95)", "spread": Limits(-10.0, -9.0),
        "spread_at_limits": (Limits(-10.0, -10.0), Limits(-40.0, 30.0)), "prediction": Limits(-22.0, 21.0),
    }  # fmt: skip
    found = proposed("inconsistency", **facts)
    assert found.levels == 0
    assert "No threshold is crossed" not in found.reason
    assert "no spread" not in found.reason
    assert (
        "The prediction interval, −22 to +21 per 100 thumbs, holds −5 and +5 per 100 thumbs" in found.reason
    )
    assert "At tau's upper limit true effects would lie from −40 to +30 per 100 thumbs" in found.reason
    assert found.open


@pytest.mark.parametrize(("k", "lowest", "levels"), [(4, -9.0, 0), (4, -2.0, -1), (5, -9.0, -1)])
def test_few_studies_lower_only_by_what_the_lower_limit_of_tau_bears_out(
    k: int, lowest: float, levels: int
) -> None:
    found = proposed(
        "inconsistency", studies=studies(*["low"] * k), tau=0.4, tau_words="tau 0.40", spread=Limits(-18.0, -2.0),
        spread_at_limits=(Limits(-11.0, lowest), Limits(-18.0, -1.0)),
    )  # fmt: skip
    assert found.levels == levels
    assert bool(found.open) == (levels == 0)


def test_inconsistency_of_one_study_and_of_models_without_tau_is_left_open() -> None:
    assert proposed("inconsistency", studies=studies("low")).open
    assert proposed("inconsistency", tau=None, spread=None, tau_words="").open
    assert proposed("inconsistency", thresholds=None).levels == 0


@pytest.mark.parametrize(
    ("levels", "design", "moved"),
    [
        (("low", "low", "high"), "randomised", 0),
        (("some_concerns", "low", "some_concerns"), "randomised", -1),
        (("high", "high", "low"), "randomised", -2),
        (("low", "", ""), "randomised", -1),  # what nobody judged counts as some concern
        (("serious", "serious"), "comparative", -2),
        (("critical", "critical", "serious"), "comparative", -3),
        (("moderate", "critical"), "comparative", -3),  # half the weight is enough
    ],
)
def test_risk_of_bias_is_what_half_the_weight_reaches(
    levels: tuple[str, ...], design: str, moved: int
) -> None:
    assert proposed("risk_of_bias", studies=studies(*levels, design=design)).levels == moved


def test_start_follows_the_design_and_its_appraisal() -> None:
    # Schünemann 2019 (GRADE 18, from memory): start high when studies without randomisation were judged against a
    # target trial, else low.
    assert start_of(body())[0] == "high"
    assert start_of(body(studies=studies("serious", design="comparative")))[0] == "high"
    level, reason = start_of(body(studies=(*studies("low"), *studies("", design="comparative"))))
    assert level == "low"
    assert "trials alone" in reason
    low = body(studies=studies("", "", design="comparative"))
    assert DOMAINS["risk_of_bias"].propose(low).levels == 0
    assert DOMAINS["risk_of_bias"].propose(low).open


def test_indirectness_counts_surrogates_and_other_definitions() -> None:
    assert proposed("indirectness").levels == 0
    assert proposed("indirectness", surrogate=True).levels == -1
    assert proposed("indirectness", unfit_definitions=(("any reoperation", ("study 0",)),)).levels == 0
    unfit = (("any reoperation", ("study 0", "study 1")),)
    assert proposed("indirectness", unfit_definitions=unfit).levels == -1
    assert proposed("indirectness", unfit_definitions=unfit, surrogate=True).levels == -2


def test_publication_bias_counts_results_that_were_measured_but_not_reported() -> None:
    few = proposed("publication_bias", small_study_reason="fewer than 10 studies, no test")
    assert (few.levels, few.reason) == (0, "Fewer than 10 studies, no test.")
    missing = proposed("publication_bias", not_reported=("DEMO-02",))
    assert missing.levels == -1
    assert "20 % of the studies" in missing.reason


@pytest.mark.parametrize(("measure", "levels"), [("risk_ratio", 0), ("rate_ratio", 0), ("risk_difference", 0), ("odds_ratio", -1), ("mean_difference", -1)])  # fmt: skip
def test_a_test_that_is_not_valid_for_a_measure_lowers_nothing(measure: str, levels: int) -> None:
    # Sterne 2011: tests give false alarms where effect and error are linked by arithmetic.
    test = SmallStudyTest(
        test="x", label="A test", k=12, estimate=1.0, standard_error=0.4, statistic=2.5, df=10, p_value=0.03
    )
    found = proposed("publication_bias", measure=measure, small_study=test)
    assert found.levels == levels
    assert "p = 0.03 in 12 studies" in found.reason
    assert ("lowers nothing" in found.reason) == (levels == 0)


@pytest.mark.parametrize(
    ("ratio", "levels"),
    [
        ((2.5, 1.5, 4.2), 1),
        ((0.4, 0.2, 0.8), 1),
        ((0.15, 0.05, 0.4), 2),
        ((1.8, 1.2, 2.6), 0),
        ((2.5, 0.9, 7.0), 0),
    ],
)
def test_large_effects_raise_only_what_nothing_lowers(ratio: tuple[float, float, float], levels: int) -> None:
    others = studies("", "", design="comparative")
    assert proposed("large_effect", studies=others, ratio=ratio).levels == levels
    assert proposed("large_effect", ratio=ratio).levels == 0  # trials start high
    clean = {"difference": (-10.0, -12.0, -7.4), "studies": others, "ratio": ratio}
    by_name = {item.domain: item.levels for item in proposals(body(**clean))}
    assert by_name["large_effect"] == levels
    lowered = {item.domain: item for item in proposals(body(**clean, surrogate=True))}
    assert lowered["large_effect"].levels == 0


def test_networks_add_intransitivity_and_incoherence() -> None:
    assert not {item.domain for item in proposals(body())} & {"intransitivity", "incoherence"}
    facts = NetworkFacts(
        direct_share=0.3,
        direct=(-10.0, -14.0, -6.0),
        indirect=(3.0, -1.0, 7.0),
        disagreement_p=0.01,
        unlike=("age",),
    )
    found = {item.domain: item for item in proposals(body(network=facts))}
    assert (found["intransitivity"].levels, found["incoherence"].levels) == (-1, -2)
    assert "70 %" in found["indirectness"].reason
    alike = NetworkFacts(
        direct_share=0.9, direct=(-10.0, -14.0, -6.0), indirect=(-9.0, -20.0, 2.0), disagreement_p=0.8
    )
    assert {item.domain: item.levels for item in proposals(body(network=alike))}["incoherence"] == 0
    only = NetworkFacts(direct_share=0.0, indirect=(-9.0, -20.0, 2.0))
    assert "no direct evidence" in DOMAINS["incoherence"].propose(body(network=only)).reason


def test_levels_never_leave_the_scale() -> None:
    assert [level_after("high", step) for step in (1, 0, -1, -2, -3, -9)] == [
        "high", "high", "moderate", "low", "very_low", "very_low",
    ]  # fmt: skip
    assert [level_after("low", step) for step in (-2, 0, 1, 2, 5)] == [
        "very_low",
        "low",
        "moderate",
        "high",
        "high",
    ]


def test_statements_carry_the_sizes_at_both_ends_and_the_certainty() -> None:
    # Grid after GRADE guidance 26 (Santesso 2020): certainty in the verb, size in the noun; wording our own. The sizes
    # are those that the interval holds, never that of the estimate alone.
    sizes = {
        (-3.0, 1.0): "little or no difference in",
        (-8.0, -6.0): "a small reduction in",
        (11.0, 13.0): "a moderate rise in",
        (-30.0, -21.0): "a large reduction in",
        (-19.0, -1.0): "anything from little or no difference to a moderate reduction in",
        (1.0, 19.0): "anything from little or no difference to a moderate rise in",
        (-7.0, 12.0): "anything from a small reduction to a moderate rise in",
        (-math.inf, math.inf): "anything from a large reduction to a large rise in",
    }
    for limits, words in sizes.items():
        for estimate in limits:
            of = body(difference=(estimate, *limits), thresholds=SIZES)
            for level, verb in (
                ("high", "leads to"),
                ("moderate", "probably leads to"),
                ("low", "may lead to"),
            ):
                assert statement(of, level) == (
                    f"LRTI {verb} {words} any complication, compared with trapeziectomy alone."
                )
            assert statement(of, "very_low") == (
                "The evidence is very uncertain about what LRTI does to any complication, compared with "
                "trapeziectomy alone."
            )


def test_statements_without_a_size_or_about_scores() -> None:
    assert "a reduction in any complication (size not judged)" in statement(body(thresholds=None), "high")
    across = body(thresholds=None, difference=None, ratio=(1.0, 0.4, 2.5))
    assert "a reduction or a rise in any complication (size not judged)" in statement(across, "low")
    scores = body(events=None, ratio=None, difference=(-12.0, -15.0, -9.0), outcome="DASH", unit="points")
    assert statement(scores, "moderate") == (
        "LRTI probably leads to an important decrease (better) in DASH, compared with trapeziectomy alone."
    )
    worse = body(events=None, ratio=None, difference=(-0.7, -0.9, -0.5), outcome="Key pinch", lower_is_better=False,
                 thresholds=Thresholds(smallest=0.5))  # fmt: skip
    assert "an important decrease (worse) in key pinch" in statement(worse, "high")


def test_everything_proposed_is_unsigned() -> None:
    found = certainty_of(body())
    assert (found.proposed, found.level, found.status, found.final) == ("high", "high", "unsigned", False)
    assert found.status_words == "proposed, unsigned"


@pytest.mark.parametrize(("differing", "levels"), [(1, 0), (2, -1), (4, -1)])
def test_arms_that_differ_otherwise_lower_by_their_weight(differing: int, levels: int) -> None:
    named = tuple((f"study {number}", "MP pinning") for number in range(differing))
    found = proposed("indirectness", studies=studies("low", "low", "low", "low"), differing=named)
    assert found.levels == levels
    assert "study 0: MP pinning" in found.reason and "differ in more than is compared" in found.reason
