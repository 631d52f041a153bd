"""Plain words: direction, size per 100 thumbs, spread, and what they never say."""

from __future__ import annotations

import re

import pytest

from metakit.core.limits import Limits
from metakit.core.limits import TestStatistic as Statistic
from metakit.core.notes import SetAside
from metakit.core.results import (
    CommonEffectResult,
    Heterogeneity,
    MeanInterval,
    PoolResult,
    Prediction,
    RandomEffectsResult,
    SingleStudyResult,
    StudyRow,
)
from metakit.measures.absolute import risk_with
from metakit.measures.registry import MEASURES
from metakit.synthesis.absolute import absolute_effect
from metakit.synthesis.choices.variations import VariationFact
from metakit.synthesis.spread_words import spread_sentences
from metakit.synthesis.terms import outcome_term
from metakit.synthesis.words import (
    absolute_sentence,
    comparison_sentence,
    design_sentence,
    directions,
    importance_sentence,
    lower_first,
    series_sentence,
)
from tests.unit.synthesis.invented import COMPARISON, gathered, plan, trial


def result(
    measure: str,
    estimate: float,
    lower: float,
    upper: float,
    *,
    k: int = 3,
    kind=RandomEffectsResult,
    **facts,
):
    """A pooled answer with natural-unit numbers given."""
    scale = MEASURES[measure].scale()

    def there(value: float) -> float:
        return float(scale.from_natural(value))

    interval = Limits(there(lower), there(upper))
    shared = {
        "measure": measure,
        "level": 0.95,
        "studies": tuple(
            StudyRow(study=f"S{n}", effect=0.0, variance=1.0, weight=1 / k, interval=None) for n in range(k)
        ),
        "mean": MeanInterval(
            method="wald", standard_error=1.0, interval=interval, statistic=None, p_value=None
        ),
        "estimate": there(estimate),
        "heterogeneity": Heterogeneity(),
        "back_transform": lambda value: float(scale.to_natural(value)),
        "set_aside": (SetAside(study="S9", reason="x"),),
    }
    if kind is RandomEffectsResult:
        shared |= {"tau2_estimator": "reml", "truncated": False, "prediction": None}
    return kind(**(shared | facts))


RISK = MEASURES["risk_ratio"]
SIDES = directions(outcome_term("any_complication"), COMPARISON, MEASURES["risk_ratio"])


def sentence(estimate: float, lower: float, upper: float, **facts) -> str:
    return comparison_sentence(
        result("risk_ratio", estimate, lower, upper, **facts), RISK, None, SIDES, COMPARISON, ""
    )


def test_direction_first_then_the_number() -> None:
    text = sentence(0.7, 0.5, 0.9)
    assert text.startswith(
        "3 studies together point to fewer complications after LRTI than after trapeziectomy alone"
    )
    assert "risk ratio 0.70 (95 % interval 0.50 to 0.90)" in text
    assert text.endswith("The whole interval lies on that side.")
    assert "more complications after LRTI" in sentence(1.4, 1.1, 1.9)


def test_an_open_interval_says_that_the_direction_is_not_settled() -> None:
    # "4 studies point to no difference" stood beside 0.40 to 2.54: an interval that runs across points nowhere.
    for estimate in (0.7, 1.0, 1.001, 1.6):
        text = sentence(estimate, 0.4, 2.2)
        assert text.startswith(
            "3 studies together leave open which it is, fewer complications after LRTI or more than after "
            "trapeziectomy alone: risk ratio"
        )
        assert text.endswith("The interval runs from fewer to more.")
        assert "point to" not in text
    assert "One study leaves open" in sentence(0.7, 0.4, 1.2, k=1, kind=SingleStudyResult)


def test_one_count_of_studies_with_what_enters_the_number() -> None:
    found = result("risk_ratio", 0.7, 0.5, 0.9, k=3)
    text = comparison_sentence(found, RISK, None, SIDES, COMPARISON, "", studies=5)
    assert text.startswith("5 studies together (3 of which can tell a risk ratio) point to fewer")


def test_a_whole_interval_next_to_no_difference_keeps_its_side() -> None:
    assert "more complications" in sentence(1.003, 1.001, 1.004)
    assert sentence(1.003, 1.001, 1.004).endswith("lies on that side, if barely.")


@pytest.mark.parametrize(
    ("outcome", "below", "above"),
    [
        ("any_complication", "fewer complications after LRTI", "more complications after LRTI"),
        ("revision_index", "fewer revisions after LRTI", "more revisions after LRTI"),
        (
            "crps",
            "complex regional pain syndrome less often after LRTI",
            "complex regional pain syndrome more often after LRTI",
        ),
        ("dash", "lower DASH (better) after LRTI", "higher DASH (worse) after LRTI"),
        ("key_pinch", "lower key pinch (worse) after LRTI", "higher key pinch (better) after LRTI"),
        ("mhq_total", "lower MHQ total (worse) after LRTI", "higher MHQ total (better) after LRTI"),
        ("other_score", "lower other score after LRTI", "higher other score after LRTI"),
    ],
)
def test_directions_follow_the_vocabulary(outcome: str, below: str, above: str) -> None:
    found = directions(outcome_term(outcome), COMPARISON, MEASURES["risk_ratio"])
    assert (found.below, found.above) == (below, above)


# Cochrane Handbook 15.4.4, arithmetic by hand: 100 per 1000 with RR 1.89 -> 189; OR 5.14 at 20 -> 95 and at
# 50 -> 213; OR 2.12 at 150 -> 272.
@pytest.mark.parametrize(
    ("measure", "effect", "baseline", "expected"),
    [
        ("risk_ratio", 1.89, 0.100, 189),
        ("odds_ratio", 5.14, 0.020, 95),
        ("odds_ratio", 5.14, 0.050, 213),
        ("odds_ratio", 2.12, 0.150, 272),
        ("risk_difference", -0.03, 0.100, 70),
        ("rate_ratio", 2.0, 0.004, 8),
        ("odds_ratio", 3.0, 1.0, 1000),
    ],
)
def test_absolute_effects_match_published_arithmetic(
    measure: str, effect: float, baseline: float, expected: int
) -> None:
    assert round(1000 * float(risk_with(measure, effect, baseline))) == expected


def test_absolute_effect_is_taken_at_the_comparators_of_the_same_studies() -> None:
    numbers = gathered(plan(), trial("1", 6, 4), trial("2", 8, 8)).studies
    found, _ = absolute_effect(result("risk_ratio", 1.2, 0.8, 1.8, k=2), RISK, numbers)
    assert found is not None
    assert (found.baseline_events, found.baseline_total) == (12, 80)
    assert found.baseline == pytest.approx(
        15.0
    )  # no spread between the two arms: the pooled risk is the crude one
    assert (found.baseline_lowest, found.baseline_highest) == (10.0, 20.0)
    assert found.with_technique == pytest.approx(18.0)
    assert (found.lower, found.upper) == (pytest.approx(12.0), pytest.approx(27.0))
    text = absolute_sentence(found, outcome_term("any_complication"), COMPARISON, "12 months")
    assert text == (
        "In 100 thumbs like these by 12 months, about 15 have any complication after trapeziectomy alone (12 of 80 thumbs "
        "in the same studies, pooled); after LRTI about 18 (12 to 27)."
    )


def test_absolute_effects_stay_between_0_and_100_and_need_events() -> None:
    numbers = gathered(plan(), trial("1", 6, 30)).studies
    found, _ = absolute_effect(result("risk_ratio", 1.2, 0.8, 1.8, k=1), RISK, numbers)
    assert found is not None
    # 75 in 100 times 1.8 would be 135: carried as ratios of hazards, 1 - 0.25^ratio, and never cut
    assert (found.with_technique, found.lower, found.upper) == tuple(
        pytest.approx(100 * (1 - 0.25**ratio)) for ratio in (1.2, 0.8, 1.8)
    )
    assert "does not fit a baseline of 75 in 100 (it would be 135 in 100)" in found.note
    impossible, why = absolute_effect(
        result("risk_difference", 0.1, -0.2, 0.4, k=1), MEASURES["risk_difference"], numbers
    )
    assert impossible is None
    assert "+40 per 100 does not fit a baseline of 75 in 100 (115 in 100)" in why
    none = gathered(plan(), trial("1", 6, 0)).studies
    assert absolute_effect(result("risk_ratio", 1.2, 0.8, 1.8, k=1), RISK, none) == (None, "")
    assert (
        absolute_effect(result("mean_difference", 1.2, 0.8, 1.8), MEASURES["mean_difference"], numbers)[0]
        is None
    )


@pytest.mark.parametrize(
    ("lower", "upper", "words"),
    [
        (-2.0, 3.0, "holds no difference as large as that"),
        (-2.0, 7.0, "reaches that on the side of “higher (worse)”"),
        (-8.0, 3.0, "reaches that on the side of “lower (better)”"),
        (-8.0, 9.0, "reaches that in both directions"),
        (6.0, 9.0, "holds only differences at least as large"),
        (-9.0, -5.0, "holds only differences at least as large"),
    ],
)
def test_the_interval_is_held_against_the_smallest_important_difference(
    lower: float, upper: float, words: str
) -> None:
    measure = MEASURES["mean_difference"]
    sides = directions(outcome_term("dash"), COMPARISON, MEASURES["mean_difference"])
    text = importance_sentence(
        result("mean_difference", (lower + upper) / 2, lower, upper), measure, None, 5.0, sides, " points"
    )
    assert words in text
    assert "difference of 5 points important" in text


def test_no_importance_without_a_stated_difference_or_for_a_ratio_alone() -> None:
    assert importance_sentence(result("risk_ratio", 1, 0.5, 2), RISK, None, None, SIDES, "") == ""
    assert (
        importance_sentence(result("rate_ratio", 1, 0.5, 2), MEASURES["rate_ratio"], None, 1.0, SIDES, "")
        == ""
    )


# Order of Cochrane Handbook 10.10 (from memory): tau first, then the prediction interval, Q, and I2 last.
def test_spread_is_told_in_order_and_without_adjectives() -> None:
    het = Heterogeneity(
        q=Statistic(7.9, 5, 0.16),
        tau2=0.09,
        tau2_interval=Limits(0.0, 0.81),
        i2=0.37,
        i2_interval=Limits(0.0, 0.75),
    )
    found = result(
        "risk_ratio",
        0.8,
        0.6,
        1.1,
        heterogeneity=het,
        prediction=Prediction(method="t", interval=Limits(-1.0, 0.6), df=4),
    )
    text = " ".join(spread_sentences(found, RISK, None, ""))
    places = [
        text.index(word)
        for word in (
            "(tau) of 0.30 on the log scale (95 % interval 0 to 0.90)",
            "a risk ratio between 0.37 and 1.82",
            "4 degrees of freedom",
            "Q 7.9 on 5 degrees of freedom, p = 0.16",
            "I² 37 % (0 to 75)",
        )
    ]
    assert places == sorted(places)
    assert not re.search(r"\b(low|moderate|substantial|considerable|high)\b", text)
    assert spread_sentences(result("risk_ratio", 1, 0.5, 2, kind=CommonEffectResult), RISK, None, "") == []


def test_an_unbounded_tau_interval_is_written_as_such() -> None:
    het = Heterogeneity(tau2=0.09, tau2_interval=Limits(0.0, float("inf")))
    assert "0 to ∞" in spread_sentences(result("risk_ratio", 1, 0.5, 2, heterogeneity=het), RISK, None, "")[0]


def subtotal(group: str, label: str, studies: str, found: PoolResult | None) -> VariationFact:
    return VariationFact(
        way="subgroup",
        name=group,
        label=label,
        planned=False,
        measure="risk_ratio",
        studies=tuple(studies),
        result=found,
        reason="" if found else "x",
    )


def test_design_groups_stand_side_by_side_without_a_verdict() -> None:
    parts = (
        subtotal("randomised", "Randomised trials", "ab", result("risk_ratio", 0.6, 0.4, 0.9)),
        subtotal("comparative", "Comparative studies", "c", None),
    )
    text = design_sentence(parts, RISK, None, "")
    assert text.startswith(
        "By design, randomised trials (2): 0.60 (0.40 to 0.90); comparative studies (1): no answer."
    )
    assert "significant" not in text
    assert design_sentence(parts[:1], RISK, None, "") == ""


def test_series_are_told_per_100() -> None:
    found = result("proportion", 0.11, 0.06, 0.185)
    text = series_sentence(
        found, MEASURES["proportion"], None, outcome_term("any_complication"), "denervation", 124, "12 months"
    )
    assert text == (
        "In 3 series with 124 thumbs, about 11 in 100 had any complication after denervation by 12 months "
        "(95 % interval 6.0 to 18)."
    )
    found = result("rate", 0.019, 0.014, 0.026)
    text = series_sentence(
        found, MEASURES["rate"], None, outcome_term("revision_index"), "denervation", 390, "last follow-up"
    )
    assert (
        "a revision was met 1.90 times in 100 thumb-years after denervation (95 % interval 1.40 to 2.60)"
        in text
    )


def test_labels_start_small_inside_a_sentence() -> None:
    assert (lower_first("Any reoperation"), lower_first("DASH"), lower_first("MP non-union")) == (
        "any reoperation",
        "DASH",
        "MP non-union",
    )
