"""`metakit pool` from the outside: the fixed JSON answer, published numbers, exit statuses."""

from __future__ import annotations

from pathlib import Path

import pytest

KEYS = [
    "measure", "model", "tau2_estimator", "interval_method", "level", "k", "estimate", "standard_error", "interval",
    "statistic", "p_value", "prediction_interval", "tau2", "tau2_interval", "i2", "i2_interval", "h2", "q",
    "back_transformed", "studies", "set_aside", "assumptions", "notes", "converged",
]  # fmt: skip


# Rounded values as published for these data (log risk ratio); source and status: issue 2 of the project, which names
# the sources in its reference files; REML recomputed at 50 digits in tests/reference.
@pytest.mark.parametrize(
    ("tau2", "expected"),
    [
        ("reml", {"estimate": -0.7145, "standard_error": 0.1798, "tau2": 0.3132}),
        ("dersimonian_laird", {"estimate": -0.7141, "standard_error": 0.1787, "tau2": 0.3088}),
    ],
)
def test_bcg_risk_ratio(metakit_command, bcg_table: Path, tau2: str, expected: dict[str, float]) -> None:
    said = metakit_command(
        "pool", bcg_table, "--measure", "risk_ratio", "--model", "random_effects", "--tau2", tau2, "--interval", "wald", "--json"
    )  # fmt: skip
    assert said.status == 0
    answer = said.answer
    assert [key for key in answer if key in KEYS] == KEYS
    for name, value in expected.items():
        assert answer[name] == pytest.approx(value, abs=5e-5)
    assert answer["q"]["value"] == pytest.approx(152.23, abs=5e-3)
    assert answer["q"]["df"] == 12
    assert answer["i2"] == pytest.approx(0.92, abs=5e-3)
    assert answer["k"] == 13 == len(answer["studies"])
    assert sum(row["weight"] for row in answer["studies"]) == pytest.approx(1.0, abs=1e-12)
    assert answer["converged"] is True


@pytest.mark.lengthy
def test_the_plain_answer_reads_as_sentences(metakit_command, bcg_table: Path) -> None:
    said = metakit_command("pool", bcg_table, "--measure", "risk_ratio")
    assert said.status == 0
    assert "13 studies" in said.out
    assert "nan" not in said.out.lower()


def test_xlsx_gives_the_same_answer(metakit_command, bcg_table: Path, tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    for number, line in enumerate(bcg_table.read_text(encoding="utf-8").splitlines()):
        cells = line.split(",")
        book.active.append(cells if number == 0 else [cells[0], *map(int, cells[1:])])
    sheet = tmp_path / "bcg.xlsx"
    book.save(sheet)
    options = ("--measure", "risk_ratio", "--model", "random_effects", "--json")
    assert (
        metakit_command("pool", sheet, *options).answer == metakit_command("pool", bcg_table, *options).answer
    )


@pytest.mark.parametrize(
    ("text", "options", "status", "words"),
    [
        ("study,events_1,total_1,events_2,total_2\na,52,40,1,40\n", [], 1, ["table.csv:2:", "events_1", "52 of 40"]),
        ("study,events_1,total_1,events_2,total_2\na,3,40,1,40\nb,\u22121,40,1,40\n", [], 1, ["events_1"]),
        ("study,events_1,total_1,events_2,total_2\na,\"3,5\",40,1,40\n", [], 1, ["3,5", "events_1"]),
        ("study,events_1,total_1,events_2\na,3,40,1\n", [], 1, ["total_2"]),
        ("study,events_1,events_1,total_1,events_2,total_2\na,3,3,40,1,40\n", [], 1, ["events_1", "2 columns"]),
        ("", [], 2, ["empty"]),
        ("study,events_1,total_1,events_2,total_2\n", [], 1, ["no rows"]),
        ("study,events_1,total_1,events_2,total_2\na,0,40,0,40\nb,0,20,0,20\nc,0,25,0,20\n", [], 3, ["no study carries information"]),
        ("study,events_1,total_1,events_2,total_2\na,3,40,1,40\n", ["--model", "random_efects"], 2, ["random_effects"]),
        ("study,events_1,total_1,events_2,total_2\na,3,40,1,40\n", ["--tau2", "remle"], 2, ["reml"]),
        ("study,events_1,total_1,events_2,total_2\na,3,40,1,40\n", ["--level", "95"], 2, ["level"]),
    ],
    ids=["more events than patients", "minus", "decimal comma", "missing column", "same header twice", "empty file",
         "no rows", "no events at all", "wrong model", "wrong estimator", "wrong level"],
)  # fmt: skip
def test_bad_input_is_one_clear_message(
    metakit_command, tmp_path: Path, text, options, status, words
) -> None:
    table = tmp_path / "table.csv"
    table.write_text(text, encoding="utf-8")
    said = metakit_command("pool", table, "--measure", "risk_ratio", *options)
    assert said.status == status
    assert said.out == ""
    for word in words:
        assert word.lower() in said.err.lower(), said.err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["table.csv"]


def test_wrong_measure_names_the_nearest(metakit_command, bcg_table: Path) -> None:
    said = metakit_command("pool", bcg_table, "--measure", "risk_ration")
    assert said.status == 2
    assert "risk_ratio" in said.err


def test_a_study_called_na_is_a_study(metakit_command, tmp_path: Path) -> None:
    table = tmp_path / "table.csv"
    table.write_text("study,effect,variance\nNA,0.1,0.01\nNone,0.2,0.01\nnan,0.3,0.02\n", encoding="utf-8")
    answer = metakit_command("pool", table, "--measure", "generic", "--json").answer
    assert [row["study"] for row in answer["studies"]] == ["NA", "None", "nan"]


def test_no_such_file(metakit_command, tmp_path: Path) -> None:
    said = metakit_command("pool", tmp_path / "absent.csv", "--measure", "generic")
    assert said.status == 2
    assert "absent.csv" in said.err
