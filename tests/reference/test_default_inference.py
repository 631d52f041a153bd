"""The default inference against an independent engine and published examples; command line and Python alike."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
import yaml
from typer.testing import CliRunner

from metakit.cli.app import app
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool

FOLDER = Path(__file__).parent / "policy_checks"
EXPECTED = json.loads((FOLDER / "expected.json").read_text())
NORMAL, COUNTS, AHEAD = 1e-6, 5e-6, 1e-4  # README.md beside the data
LIMITS = ("lower", "upper", "pred_lower", "pred_upper")


def columns(name: str, without: str = "") -> dict[str, list[Any]]:
    with (FOLDER / f"{name}.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["study"] != without]
    return {key: [row[key] if key == "study" else int(row[key]) for row in rows] for key in rows[0]}


def by_python(name: str, measure: str, without: str = "", **options: Any) -> dict[str, Any]:
    return pool(effect_sizes(columns(name, without), measure=measure), **options).to_json()


def by_command(name: str, measure: str, *options: str) -> dict[str, Any]:
    done = CliRunner().invoke(
        app, ["pool", str(FOLDER / f"{name}.csv"), "--measure", measure, "--json", *options]
    )
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def agrees(answer: dict[str, Any], expected: dict[str, float], near: float, ahead: float) -> None:
    estimate = answer.get("estimate")
    for key in ("median", "estimate"):
        if key in expected:
            assert estimate == pytest.approx(expected[key], abs=near)
    found = dict(zip(LIMITS, (*answer["interval"], *answer["prediction_interval"]), strict=True))
    for key in LIMITS:
        if key in expected:
            assert found[key] == pytest.approx(
                expected[key], abs=ahead if key.startswith("pred") else near
            ), key


def companion(answer: dict[str, Any], name: str) -> dict[str, Any]:
    return next(item for item in answer["beside"] if item["name"] == name)


MAIN = "risk_ratio normal likelihood, treatment-arm correction, half-normal 0.5, flat mean"
BINOMIAL = "risk_ratio conditional binomial, half-normal 0.5, mean normal(0, 2.82)"
FLOORED = "beside: REML, floored Hartung-Knapp t(k-1), prediction with floored error t(k-1)"


@pytest.mark.parametrize("ask", [by_python, by_command])
@pytest.mark.parametrize(
    "name", ["two_large", "two_large_tiny_0_1", "two_large_tiny_0_0", "zero_cell_0", "zero_cell_1"]
)
def test_risk_ratios_of_common_events(ask: Any, name: str) -> None:
    answer = ask(name, "risk_ratio")
    assert (answer["inference"], answer["likelihood"]) == ("half_normal", "normal")
    agrees(answer, EXPECTED[name][MAIN], NORMAL, NORMAL)
    above = EXPECTED[name][MAIN]["p_above_0"]
    assert answer["probability_above_no_difference"] == pytest.approx(above, abs=NORMAL)
    if FLOORED in EXPECTED[name]:
        agrees(companion(answer, "hartung_knapp"), EXPECTED[name][FLOORED], NORMAL, NORMAL)


def test_other_scales_of_tau() -> None:
    expected = EXPECTED["two_large"]
    for scale in ("0.25", "1"):
        answer = by_command("two_large", "risk_ratio", "--tau-prior-scale", scale)
        agrees(answer, expected[f"risk_ratio normal likelihood, half-normal {scale}"], NORMAL, NORMAL)
    agrees(
        companion(by_python("two_large", "risk_ratio"), "twice_the_spread"),
        expected["risk_ratio normal likelihood, half-normal 1"],
        NORMAL,
        NORMAL,
    )


@pytest.mark.parametrize("without", ["s1", "s2", "s3"])
def test_leaving_a_study_out(without: str) -> None:
    key = f"risk_ratio without {without}, normal likelihood, half-normal 0.5, flat mean"
    agrees(by_python("zero_cell_0", "risk_ratio", without), EXPECTED["zero_cell_0"][key], NORMAL, NORMAL)


def test_the_other_likelihood_of_a_common_event() -> None:
    answer = by_python("two_large", "risk_ratio", likelihood="conditional_binomial")
    key = "risk_ratio conditional binomial (beside), half-normal 0.5, mean normal(0, 2.82)"
    agrees(answer, EXPECTED["two_large"][key], COUNTS, AHEAD)


@pytest.mark.parametrize("ask", [by_python, by_command])
def test_rare_events(ask: Any) -> None:
    answer = ask("rare_5", "risk_ratio")
    assert answer["likelihood"] == "conditional_binomial"
    agrees(answer, EXPECTED["rare_5"][BINOMIAL], COUNTS, AHEAD)
    agrees(companion(answer, "normal_likelihood"), EXPECTED["rare_5"][MAIN], NORMAL, NORMAL)
    odds = ask("rare_5", "odds_ratio")
    key = "odds_ratio conditional hypergeometric, half-normal 0.5, mean normal(0, 2.82)"
    agrees(odds, EXPECTED["rare_5"][key], COUNTS, AHEAD)


@pytest.mark.parametrize("ask", [by_python, by_command])
def test_all_events_in_one_arm_give_a_limit_and_no_estimate(ask: Any) -> None:
    expected, answer = EXPECTED["all_zero_arm"], ask("all_zero_arm", "risk_ratio")
    assert answer["estimate"] is None
    assert answer["interval"][0] is None
    assert answer["limit_only"] == "upper"
    nearer = max(expected[BINOMIAL]["upper"], expected[MAIN]["upper"])
    assert answer["interval"][1] == pytest.approx(nearer, abs=NORMAL)
    agrees(companion(answer, "conditional_likelihood"), expected[BINOMIAL], COUNTS, AHEAD)
    agrees(companion(answer, "normal_likelihood"), expected[MAIN], NORMAL, NORMAL)
    key = "beside: exact conditional upper limit of a common risk ratio (0 of 10 events, equal arms)"
    assert companion(answer, "exact_limit")["interval"][1] == pytest.approx(expected[key]["upper"], abs=1e-8)


@pytest.mark.lengthy
@pytest.mark.parametrize("ask", [by_python, by_command])
@pytest.mark.parametrize("name", ["one_arm_2a", "one_arm_all_zero"])
def test_one_arm(ask: Any, name: str) -> None:
    answer = ask(name, "proportion")
    assert answer["likelihood"] == "binomial"
    key = "proportion logit, binomial-normal, half-normal 1, Jeffreys mean"
    agrees(answer, EXPECTED[name][key], COUNTS, AHEAD)


def test_two_trials_after_transplantation() -> None:
    """Friede 2017 (Biom J 59:658, Res Synth Methods 8:79): the case k = 2, with half-normal 0.5 and 1.0.

    Counts recalled (status memory); limits computed on a grid of tau, tolerance as stated there.
    """
    example = yaml.load((FOLDER / "two_trials_half_normal.yaml").read_text(), Loader=yaml.CSafeLoader)
    rows = example["data"]["rows"]
    names = ("study", "events_1", "total_1", "events_2", "total_2")
    table = dict(zip(names, (list(column) for column in zip(*rows, strict=True)), strict=True))
    wanted = {item["quantity"]: (item["value"], item["tolerance"]) for item in example["expected"]}
    for scale in ("0.5", "1.0"):
        found = pool(
            effect_sizes(table, measure="odds_ratio"), likelihood="normal", tau_prior_scale=float(scale)
        )
        got = {"mean": found.posterior_mean, "lower": found.interval.lower, "upper": found.interval.upper}
        for quantity, value in got.items():
            expected, tolerance = wanted[f"half_normal_{scale}/{quantity}"]
            assert value == pytest.approx(expected, abs=tolerance), (scale, quantity)
