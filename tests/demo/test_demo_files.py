"""The committed demonstration review: made again to the byte, plainly invented, with its planted defects."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import generate_demo
import pytest
import yaml

from tests.demonstration import typed_records

FOLDER = Path(generate_demo.FOLDER)
TRUTHS = yaml.load((FOLDER / "true_values.yaml").read_text(encoding="utf-8"), Loader=yaml.CBaseLoader)  # noqa: S506
PROTOCOL = yaml.load((FOLDER / "protocol.yaml").read_text(encoding="utf-8"), Loader=yaml.CBaseLoader)  # noqa: S506


def rows(study: str, outcome: str, **having: str) -> list[dict[str, Any]]:
    return [
        row
        for row in typed_records()[study]["outcomes"]
        if row["outcome"] == outcome and all(row.get(key) == value for key, value in having.items())
    ]


@pytest.mark.walk
def test_a_fresh_run_of_the_generator_gives_the_committed_bytes() -> None:
    made = generate_demo.files()
    on_disk = {
        path.relative_to(FOLDER).as_posix(): path.read_bytes()
        for path in [
            *FOLDER.rglob("*.yaml"),
            *FOLDER.rglob("*.jsonl"),
            FOLDER / "reconcile/decisions.csv",
            *(path for path in (FOLDER / "selection").rglob("*.*") if path.suffix != ".yaml"),
        ]
    }
    assert sorted(made) == sorted(on_disk)
    assert [name for name, text in made.items() if on_disk[name] != text.encode("utf-8")] == []


@pytest.mark.walk
def test_a_run_into_another_folder_writes_the_same(tmp_path: Path) -> None:
    generate_demo.main(tmp_path)
    for path in tmp_path.rglob("*.yaml"):
        assert path.read_bytes() == (FOLDER / path.relative_to(tmp_path)).read_bytes(), path.name


@pytest.mark.parametrize(
    "path",
    sorted([*FOLDER.rglob("*.yaml"), *FOLDER.rglob("*.md"), *(FOLDER / "selection").rglob("*.*")]),
    ids=lambda p: f"{p.parent.name}-{p.name}",
)
def test_every_file_says_that_it_is_invented(path: Path) -> None:
    assert "INVENTED DEMONSTRATION DATA" in path.read_text(encoding="utf-8").splitlines()[0]


def test_tables_and_lines_without_room_for_a_heading_say_it_in_every_decision() -> None:
    rows = (FOLDER / "reconcile/decisions.csv").read_text(encoding="utf-8").splitlines()[1:]
    assert all("invented" in row for row in rows if "no, wording" not in row)
    events = [
        json.loads(line) for line in (FOLDER / "history.jsonl").read_text(encoding="utf-8").splitlines()
    ]
    assert all("invented" in found["reason"] for event in events for found in event.get("decisions", ()))


def test_labels_and_ids_are_unique_and_of_the_demonstration() -> None:
    labels = [tree["study"]["label"] for tree in typed_records().values()]
    assert len(set(labels)) == len(labels) == 30
    assert list(typed_records()) == [f"DEMO-{number:02d}" for number in range(1, 31)]
    for tree in typed_records().values():
        assert tree["study"]["label"].startswith(tree["study"]["id"])
        assert "demonstration only" in tree["study"]["citation"]
        assert "invented" in tree["setting"]["country"].lower()
        assert tree["study"]["doi"] == "not_reported"


def test_the_mix_of_designs() -> None:
    designs = Counter(tree["design"]["type"] for tree in typed_records().values())
    series = designs["case_series"] + designs["registry_series"]
    assert designs["randomised"] == 8
    assert designs["prospective_cohort"] + designs["retrospective_cohort"] == 12
    assert series == 10
    assert len({tree["study"]["cohort"] for tree in typed_records().values()}) == 29
    assert (
        sum(
            len(tree["arms"]) == 3
            for tree in typed_records().values()
            if tree["design"]["type"] == "randomised"
        )
        == 1
    )
    assert max(int(arm["thumbs"]["analysed"]) for arm in typed_records()["DEMO-18"]["arms"]) > 700


def test_thumbs_patients_and_stages_add_up() -> None:
    for study, tree in typed_records().items():
        for arm in tree["arms"]:
            thumbs, patients = int(arm["thumbs"]["analysed"]), int(arm["patients"]["analysed"])
            assert thumbs - patients == int(arm["bilateral"]), study
            assert patients <= thumbs <= 1.2 * patients, study
            stages = arm["eaton_stage"]
            assert sum(int(stages[f"stage_{i}"]) for i in (1, 2, 3, 4)) == thumbs, study
            assert int(arm["women"]) <= patients
            follow = arm["follow_up"]
            assert float(follow["minimum"]) <= float(follow["mean"]) <= float(follow["maximum"])
            assert int(arm["thumbs"]["operated"]) - thumbs == int(follow["lost"])


def test_reoperations_are_nested() -> None:
    for study, tree in typed_records().items():
        for arm in tree["arms"]:
            count = {
                row["outcome"]: int(row["events"])
                for row in tree["outcomes"]
                if row["arm"] == arm["id"]
                and "events" in row
                and row["time"].get("label") == "last_follow_up"
            }
            if "any_reoperation" in count:
                assert count.get("revision_index", 0) <= count["any_reoperation"], study
                assert count.get("secondary_mp_procedure", 0) <= count["any_reoperation"], study
                assert count["any_reoperation"] <= int(arm["thumbs"]["analysed"])


def test_kinds_of_complication_do_not_exceed_the_whole() -> None:
    whole_seen = 0
    for study, tree in typed_records().items():
        for row in tree["outcomes"]:
            if row["outcome"] in {
                "sbrn_neuropraxia",
                "crps",
                "mc2_fracture",
                "cmc_nonunion",
                "hardware_irritation",
            }:
                whole = [
                    w for w in rows(study, "any_complication", arm=row["arm"]) if w["time"] == row["time"]
                ]
                most = whole[0].get("events", whole[0].get("event_count", "0"))
                assert int(row["events"]) <= int(most), (study, row)
                whole_seen += 1
    assert whole_seen > 15


def planted(defect: str) -> list[dict[str, Any]]:
    return [entry for entry in TRUTHS["planted"] if entry["defect"] == defect]


def test_planted_double_zero_trial_and_third_zero_arm() -> None:
    (trial,) = planted("double_zero_trial")
    both = rows(trial["study"], trial["outcome"], reporting="reported_zero")
    assert [(row["arm"], row["events"]) for row in both] == [("A", "0"), ("B", "0")]
    (arm,) = planted("zero_event_arm")
    (row,) = rows(arm["study"], arm["outcome"], arm=arm["arms"][0])
    assert (row["events"], row["reporting"]) == ("0", "reported_zero")


def test_planted_ways_of_reporting() -> None:
    medians = planted("median_and_quartiles")
    assert len(medians) == 2
    for entry in medians:
        for row in rows(entry["study"], entry["outcome"], kind="final"):
            assert set(row["quartiles"]) == {"first", "third"} and "mean" not in row
            assert float(row["quartiles"]["first"]) < float(row["median"]) < float(row["quartiles"]["third"])
    everywhere = [
        (study, row["outcome"])
        for study in typed_records()
        for row in typed_records()[study]["outcomes"]
        if "median" in row
    ]
    assert set(everywhere) == {(entry["study"], entry["outcome"]) for entry in medians}

    (bare,) = planted("mean_without_spread")
    for row in rows(bare["study"], bare["outcome"]):
        assert not {"standard_deviation", "standard_error", "interval", "quartiles"} & set(row)
    (share,) = planted("percentage_only")
    for row in rows(share["study"], share["outcome"]):
        assert "events" not in row
        thumbs = float(row["percent"]) * int(row["total"]) / 100
        assert abs(thumbs - round(thumbs)) <= 0.0005 * int(row["total"]) + 1e-9
    (events,) = planted("events_not_thumbs")
    assert {row["counted"] for row in rows(events["study"], events["outcome"])} == {"per_event"}
    (error,) = planted("standard_error_only")
    assert all("standard_error" in row for row in rows(error["study"], error["outcome"], kind="final"))
    (interval,) = planted("interval_only")
    assert all("interval" in row for row in rows(interval["study"], interval["outcome"], kind="final"))


def test_planted_units() -> None:
    in_kg = [
        float(row["mean"])
        for study in typed_records()
        for row in rows(study, "key_pinch", measured_in="kg", kind="final")
        if "mean" in row
    ]
    for defect, unit, factor in (("unit_pound", "lb", 0.45359237), ("unit_newton", "N", 1 / 9.80665)):
        (entry,) = planted(defect)
        used = {study for study in typed_records() for row in rows(study, "key_pinch", measured_in=unit)}
        assert used == {entry["study"]}
        for row in rows(entry["study"], "key_pinch", kind="final"):
            assert min(in_kg) - 0.5 < float(row["mean"]) * factor < max(in_kg) + 0.5
            assert float(row["mean"]) > 7


def test_planted_overlap_mixture_sign_and_follow_up() -> None:
    (pair,) = planted("overlapping_reports")
    first, second = typed_records()[pair["study"]], typed_records()[pair["other"]]
    assert first["study"]["cohort"] == second["study"]["cohort"] == pair["cohort"]
    assert first["study"]["linked_reports"] == [pair["other"]]
    assert first["design"]["recruitment_start"] == second["design"]["recruitment_start"]
    (mixed,) = planted("mixed_arm")
    arms = {arm["id"]: arm["mixed"] for arm in typed_records()[mixed["study"]]["arms"]}
    assert [arm for arm, flag in arms.items() if flag == "yes"] == mixed["arms"]
    (sign,) = planted("interval_lost_its_sign")
    (row,) = rows(sign["study"], sign["outcome"])
    assert float(row["interval"]["lower"]) < float(row["interval"]["upper"]) < 0 < float(row["mean"])
    (wide,) = planted("wide_follow_up")
    spans = {
        study: max(
            float(arm["follow_up"]["maximum"]) / float(arm["follow_up"]["minimum"]) for arm in tree["arms"]
        )
        for study, tree in typed_records().items()
    }
    assert [study for study, span in spans.items() if span > 4] == [wide["study"]]


def test_planted_silences_are_told_apart() -> None:
    for entry in planted("measured_not_reported"):
        for row in rows(entry["study"], entry["outcome"]):
            assert row["reporting"] == "measured_not_reported"
            assert not {"events", "mean", "median"} & set(row)
    kinds = Counter(row["reporting"] for tree in typed_records().values() for row in tree["outcomes"])
    assert set(kinds) == {"reported", "reported_zero", "not_reported", "measured_not_reported"}
    for tree in typed_records().values():
        for row in tree["outcomes"]:
            assert (row["reporting"] == "reported_zero") == (row.get("events") == "0")


def test_denervation_hangs_on_to_nothing() -> None:
    together = [
        {arm["technique"] for arm in tree["arms"]}
        for tree in typed_records().values()
        if len(tree["arms"]) > 1
    ]
    assert not any("denervation" in arms for arms in together)
    assert {"lr", "lrti"} in together  # the trial from which the tendon ball alone can be judged


def test_the_protocol_and_the_truths_name_the_same_analyses() -> None:
    planned = [entry["id"] for entry in PROTOCOL["analyses"]]
    assert len(set(planned)) == len(planned)
    assert set(planned) == set(TRUTHS["analyses"])
    comparisons = {entry["id"] for entry in PROTOCOL["comparisons"]}
    outcomes = {entry["outcome"] for entry in PROTOCOL["outcomes"]}
    for entry in PROTOCOL["analyses"]:
        assert entry["outcome"] in outcomes
        assert ("techniques" in entry) != (entry.get("comparison") in comparisons)


def test_every_judgement_has_a_reason_and_a_page() -> None:
    for tree in typed_records().values():
        for judgement in tree["appraisal"]["judgements"]:
            assert judgement["reason"] and int(judgement["page"]) > 0
