"""`explore` and `network` from the outside: the fixed keys, published numbers, and what cannot be answered."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.reference.agreement import published
from tests.unit.networks.networks import PARKINSON, SMOKING, rows


@pytest.fixture
def latitude_table(tmp_path: Path) -> Path:
    example = published("bcg_latitude")
    path = tmp_path / "bcg.csv"
    lines = [",".join(example["columns"]), *(",".join(map(str, row)) for row in example["rows"])]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


# van Houwelingen 2002 (status: memory) through the fixed JSON answer; details are held in tests/unit/models.
def test_explore_answers_with_one_key_a_method(metakit_command, latitude_table: Path) -> None:
    said = metakit_command(
        "explore", latitude_table, "--measure", "odds_ratio", "--moderators", "latitude", "--tau2", "maximum_likelihood",
        "--tests", "harbord,peters", "--leave-one-out", "--cumulative", "year", "--trim-and-fill", "l0", "--json",
    )  # fmt: skip
    assert said.status == 0
    answer = said.answer
    slope = answer["meta_regression"]["coefficients"][1]
    assert slope["term"] == "latitude"
    assert slope["estimate"] == pytest.approx(-0.0327, abs=5e-5)
    assert set(slope) >= {"term", "estimate", "standard_error", "interval", "statistic", "p_value"}
    assert set(answer["meta_regression"]) >= {"tau2", "r2", "i2", "q_residual", "omnibus"}
    assert answer["harbord"]["df"] == 11
    assert len(answer["leave_one_out"]) == 13 == len(answer["cumulative"])
    assert answer["cumulative"][-1]["study"] == "trial 8"  # the latest, 1980
    assert set(answer["trim_and_fill"]) >= {"side", "number_missing", "estimate", "interval"}


def test_explore_in_words(metakit_command, latitude_table: Path) -> None:
    said = metakit_command(
        "explore", latitude_table, "--measure", "odds_ratio", "--moderators", "latitude,year", "--influence"
    )
    assert said.status == 0
    assert "relation between studies is not a relation between patients" in said.out


def test_explore_adjusts_and_pools_subsets(metakit_command, latitude_table: Path) -> None:
    said = metakit_command(
        "explore", latitude_table, "--measure", "odds_ratio", "--json", "--all-subsets", "--workers", "2",
        "--tests", "pet_peese,selection_model,limit_meta_analysis", "--cut-points", "0.025", "--favoured", "lower",
    )  # fmt: skip
    assert {"pet_peese", "selection_model", "limit_meta_analysis", "all_subsets"} <= set(said.answer)
    assert said.answer["all_subsets"]["subsets"] == 2**13 - 1
    assert [step["p_up_to"] for step in said.answer["selection_model"]["steps"]] == [0.025, 1.0]


@pytest.mark.parametrize(
    ("options", "status", "words"),
    [
        (["--tests", "selection_model", "--cut-points", "0.5,x"], 2, "cut points are numbers"),
        (["--all-subsets", "--chosen-studies", "nobody"], 2, "unknown study"),
        (["--all-subsets", "--workers", "0"], 2, "at least 1"),
        ([], 2, "nothing to explore"),
        (["--tests", "egger"], 2, "harbord"),
        (["--moderators", "latitud"], 2, "latitude"),
        (["--subgroup", "study"], 2, "latitude"),
        (["--cumulative", "study"], 2, "latitude"),
    ],
)
def test_explore_refuses_in_words(metakit_command, latitude_table: Path, options, status, words) -> None:
    said = metakit_command("explore", latitude_table, "--measure", "odds_ratio", *options)
    assert said.status == status
    assert words in said.err


@pytest.fixture
def smoking_table(tmp_path: Path) -> Path:
    path = tmp_path / "smoking.csv"
    body = "\n".join(",".join(row) for row in rows(SMOKING))
    path.write_text(f"study,technique,events,total\n{body}\n", encoding="utf-8")
    return path


def test_network_answers_in_the_fixed_form(metakit_command, smoking_table: Path) -> None:
    answer = metakit_command(
        "network", smoking_table, "--measure", "odds_ratio", "--reference", "A", "--json"
    ).answer
    assert set(answer) >= {
        "measure", "model", "reference", "tau2", "k", "techniques", "comparisons", "inconsistency", "ranking", "components",
        "additivity", "set_aside", "assumptions", "notes", "converged",
    }  # fmt: skip
    assert answer["k"] == 24
    assert len(answer["comparisons"]) == 12
    pair = {(row["technique"], row["comparator"]): row for row in answer["comparisons"]}
    assert pair["C", "A"]["estimate"] == -pair["A", "C"]["estimate"]
    assert 0 < pair["C", "A"]["direct_share"] <= 1
    assert answer["inconsistency"]["design_by_treatment"]["df"] == 7
    assert answer["inference"] == "half_normal"
    assert answer["tau2_interval"][0] < answer["tau2"] < answer["tau2_interval"][1]
    for row in answer["comparisons"]:
        low, high = row["prediction_interval"]
        assert low < row["interval"][0] < row["estimate"] < row["interval"][1] < high
        assert set(row["beside"]) == {"hartung_knapp"}


def test_network_by_name_takes_direct_and_indirect_evidence_apart_exactly(
    metakit_command, smoking_table: Path
) -> None:
    """At one tau2 the shares add the two up to the estimate; under the integral only given each tau."""
    call = ("network", smoking_table, "--measure", "odds_ratio", "--model", "random_effects", "--json")
    answer = metakit_command(*call).answer
    assert answer["inference"] is None and answer["tau2_estimator"] == "reml"
    pair = {(row["technique"], row["comparator"]): row for row in answer["comparisons"]}
    row = pair["D", "A"]
    share = row["direct_share"]
    assert share * row["direct"] + (1 - share) * row["indirect"] == pytest.approx(row["estimate"])


@pytest.mark.lengthy
def test_network_by_the_other_inference_swaps_headline_and_companion(
    metakit_command, smoking_table: Path
) -> None:
    call = ("network", smoking_table, "--measure", "odds_ratio", "--json", "--inference")
    one, other = metakit_command(*call, "half_normal").answer, metakit_command(*call, "hartung_knapp").answer
    for left, right in zip(one["comparisons"], other["comparisons"], strict=True):
        assert left["beside"]["hartung_knapp"]["interval"] == right["interval"]
        assert right["beside"]["half_normal"]["interval"] == left["interval"]
    assert metakit_command(*call, "bayes").status == 2


def test_contrasts_give_the_same_network_as_arms(metakit_command, tmp_path: Path) -> None:
    # Parkinson example of NICE DSU TSD 2 written as contrasts, the three-arm trial with all three pairs.
    arms: dict[str, list[tuple[str, float, float]]] = {}
    for study, technique, mean, error in rows(PARKINSON):
        arms.setdefault(study, []).append((technique, float(mean), float(error)))
    lines = ["study,technique_1,technique_2,effect,standard_error"]
    for study, members in arms.items():
        for n, (one, mean_one, error_one) in enumerate(members):
            for two, mean_two, error_two in members[n + 1 :]:
                error = (error_one**2 + error_two**2) ** 0.5
                lines.append(f"{study},{one},{two},{mean_one - mean_two:.12g},{error:.15g}")
    path = tmp_path / "contrasts.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    answer = metakit_command(
        "network", path, "--measure", "mean_difference", "--reference", "1", "--json"
    ).answer
    pair = {(row["technique"], row["comparator"]): row for row in answer["comparisons"]}
    assert pair["2", "1"]["estimate"] == pytest.approx(-1.8113405050063227, rel=1e-9)  # computed at 50 digits
    assert pair["5", "1"]["standard_error"] == pytest.approx(0.5220303233447972, rel=1e-9)
    assert answer["ranking"] is None
    assert any("lower or higher" in note for note in answer["notes"])


@pytest.mark.parametrize(
    ("body", "options", "status", "words"),
    [
        ("a,x,1,9\na,y,2,9\n", ["--reference", "z"], 3, "no study has the reference"),
        ("a,x,1,9\nb,y,2,9\n", [], 3, "only one technique"),
        ("a,x,0,9\na,y,0,9\n", [], 3, "no events in any arm"),
        ("a,x,12,9\na,y,2,9\n", [], 1, "at most the total"),
        ("a,x,1,9\na,y,2,9\n", [], 3, "one study is no network"),
    ],
    ids=["unknown reference", "isolated", "no events", "impossible", "a single study"],
)
def test_network_refuses_in_words(metakit_command, tmp_path: Path, body, options, status, words) -> None:
    path = tmp_path / "arms.csv"
    path.write_text("study,technique,events,total\n" + body, encoding="utf-8")
    said = metakit_command("network", path, "--measure", "odds_ratio", *options)
    assert said.status == status
    assert words in said.err
    assert ("nothing is pooled" in said.out) == ("one study" in words)


def test_explore_says_what_an_answer_hangs_on(metakit_command, tmp_path: Path) -> None:
    path = tmp_path / "close.csv"
    path.write_text(
        "study,events_1,total_1,events_2,total_2\nA,9,90,15,88\nB,7,80,13,82\nC,8,85,13,90\nD,6,70,11,75\n",
        encoding="utf-8",
    )
    call = ("explore", path, "--measure", "risk_ratio", "--zero-cells", "treatment_arm", "--fragility")
    answer = metakit_command(*call, "--json").answer["fragility"]
    assert answer["hangs_on_one_event"] is True
    assert answer["one_event"]["tried"] == 16
    assert "hangs on one event" in metakit_command(*call).out
