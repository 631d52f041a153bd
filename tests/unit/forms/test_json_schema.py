"""A form for another joint, from blank sheet to checked record and back; and forms as JSON Schema."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import openpyxl
import pytest

from metakit.cli.app import app
from metakit.cli.support.running import run
from metakit.errors import DataError
from metakit.forms.bundled import bundled_folder, forms_folder
from metakit.forms.json_schema import json_schema
from metakit.forms.library import shipped
from metakit.forms.record_text import same_nodes
from metakit.forms.records import read_record
from metakit.forms.yaml_nodes import read_document
from metakit.review.check import check_paths, load_form

TOE = forms_folder() / "examples" / "first_mtp" / "first_mtp.yaml"
EXAMPLE = TOE.parent / "examples" / "first_mtp.yaml"
FORMS = [*shipped().form_names(), str(TOE)]


def plain(path: Path, form: str) -> dict[str, object]:
    library, chosen = load_form(form)
    reading = read_record(path, library, form=chosen)
    assert reading.sound, reading.problems
    assert reading.group is not None
    # As JSON: dates are texts, tuples lists.
    return json.loads(
        json.dumps({"form": chosen.name, "form_version": chosen.version, **reading.group.plain()})
    )


@pytest.mark.parametrize("name", FORMS)
def test_schema_is_valid_draft_2020_12(name):
    schema = json_schema(load_form(name)[1])
    jsonschema.Draft202012Validator.check_schema(schema)
    assert json.loads(json.dumps(schema)) == schema


@pytest.mark.parametrize(
    "path", sorted((bundled_folder("demo_studies") / "records").glob("*.yaml"))[::4], ids=lambda p: p.stem
)
def test_records_without_errors_fit_the_schema(path):
    jsonschema.Draft202012Validator(json_schema(shipped().form("study"))).validate(plain(path, "study"))


def test_example_of_another_joint_fits_its_schema_and_damage_does_not():
    validator = jsonschema.Draft202012Validator(json_schema(load_form(TOE)[1]))
    record = plain(EXAMPLE, str(TOE))
    validator.validate(record)

    def broken(change) -> set[str]:
        copy = json.loads(json.dumps(record))
        change(copy)
        return {error.json_path for error in validator.iter_errors(copy)}

    assert broken(lambda r: r["study"].update(year=1066)) == {"$.study.year"}
    assert broken(lambda r: r["arms"][0].update(operation="lrti")) == {"$.arms[0].operation"}
    assert broken(lambda r: r["arms"][0].pop("shoe_weeks")) == {"$.arms[0]"}  # fusion asks for it
    assert not broken(lambda r: r["arms"][1].pop("toes") and r["arms"][1].update(toes="not_reported"))
    assert broken(lambda r: r["outcomes"][0].update(percent=101)) == {"$.outcomes[0].percent"}
    assert broken(lambda r: r["outcomes"][0].update(p_value="ns")) == {"$.outcomes[0].p_value"}
    assert broken(lambda r: r.update(thumbs=3)) == {"$"}
    assert broken(lambda r: r.update(arms=[])) == {"$.arms"}
    assert broken(lambda r: r["extraction"].update(extractor=7)) == {"$.extraction.extractor"}


@pytest.mark.lengthy
def test_blank_sheet_to_checked_record_and_back(tmp_path, capsys):
    out = tmp_path / "toe_1.xlsx"
    assert run(app, ["sheet", str(out), "--form", str(TOE)]) == 0
    book = openpyxl.load_workbook(out)
    root = read_document(EXAMPLE).root
    assert root is not None
    by_sheet = {
        "study": {"id": "TOE-1", "label": "Invented unit 2018", "year": 2018, "cohort": "invented"},
        "extraction": {"extractor": "AB", "date": "2026-05-04"},
    }
    for name, values in by_sheet.items():
        for row in book[name].iter_rows():
            key = str(row[0].value or "").rstrip(" *").replace(" ", "_")
            if key in values:
                row[1].value = values[key]
    rows = {
        "arms": [
            {"id": "A", "operation": "fusion", "toes": 32, "shoe weeks": 6, "age: mean": 58.4, "age: standard deviation": 8.1, "source: page": "2", "source: table": "1"},
            {"id": "B", "operation": "implant", "toes": 30, "age: mean": 57.9, "age: standard deviation": 7.7},
        ],
        "outcomes": [
            {"arm": "A", "outcome": "any_reoperation", "time: value": 12, "time: unit": "months", "events": 3, "total": 32, "percent": 9.4, "source: page": "4"},
            {"arm": "B", "outcome": "any_reoperation", "time: value": 12, "time: unit": "months", "events": 5, "total": 30, "percent": 16.7},
            {"arm": "A", "outcome": "foot_score", "time: value": 12, "time: unit": "months", "n": 32, "mean": 81.5, "standard deviation": 11.2},
            {"arm": "B", "outcome": "foot_score", "time: value": 12, "time: unit": "months", "n": 30, "mean": 79.3, "standard deviation": 12},
        ],
        "returns": [
            {"arm": "A", "kind": "operation", "count": 3, "total": 32, "causes overlap": "no"},
            {"arm": "B", "kind": "operation", "count": 5, "total": 30, "causes overlap": "no"},
        ],
        "return_causes": [
            {"arm": "A", "kind": "operation", "cause": "not_healed", "count": 2, "as reported": "non-union"},
            {"arm": "A", "kind": "operation", "cause": "next_metatarsal", "count": 1},
            {"arm": "B", "kind": "operation", "cause": "implant_loose", "count": 3, "as reported": "loosening"},
            {"arm": "B", "kind": "operation", "cause": "not_stated", "count": 2},
        ],
    }  # fmt: skip
    for name, entries in rows.items():
        sheet = book[name]
        beside = str(sheet.cell(4, 4).value) == "entry 1"
        cells = [
            c
            for r in sheet.iter_rows()
            for c in r
            if c.value and (not beside or c.column == 1) and (beside or c.row == 6)
        ]
        homes = {str(cell.value).rstrip(" *"): cell for cell in cells}
        for at, entry in enumerate(entries, start=1):
            for heading, value in entry.items():
                home = homes[heading]
                (
                    sheet.cell(home.row, 3 + at) if beside else sheet.cell(home.row + at, home.column)
                ).value = value
    book.save(out)
    records = tmp_path / "records"
    records.mkdir()
    assert run(app, ["collect", str(out), "--into", str(tmp_path), "--form", str(TOE)]) == 0, (
        capsys.readouterr().err
    )
    record = records / "toe_1.yaml"
    collected = read_document(record).root
    assert collected is not None
    assert same_nodes(collected, root)
    assert run(app, ["check", str(tmp_path), "--form", str(TOE)]) == 0
    again = tmp_path / "again.xlsx"
    assert run(app, ["sheet", str(again), "--form", str(TOE), "--record", str(record)]) == 0
    (tmp_path / "back").mkdir()
    again.rename(tmp_path / "toe_1_again.xlsx")
    assert (
        run(
            app,
            [
                "collect",
                str(tmp_path / "toe_1_again.xlsx"),
                "--into",
                str(tmp_path / "back"),
                "--form",
                str(TOE),
            ],
        )
        == 0
    )
    back = read_document(tmp_path / "back" / "toe_1_again.yaml").root
    assert back is not None
    assert same_nodes(back, root)


def test_rules_and_vocabularies_of_ones_own_are_used(tmp_path):
    text = EXAMPLE.read_text(encoding="utf-8")
    for old, new, rule, words in (
        ("events: 3, total: 32", "events: 33, total: 32", "events_within_total", "33 of 32"),
        ("percent: 9.4", "percent: 12.5", "percent_matches_events", "3 of 32 = 9.38 %"),
        ("mean: 81.5", "mean: 181.5", "values_in_range", "outside the limits of foot_score"),
        ("mean: 81.5", "mean: 81.51", "possible_mean", "81.51 x 32 = 2608.32"),
        ("cause: not_healed, count: 2", "cause: not_healed, count: 4", "return_causes_add_up", "4 of 3"),
        (
            "cause: not_stated, count: 2",
            "cause: not_stated, count: 1",
            "return_causes_add_up",
            "3 implant_loose + 1",
        ),
        ("cause: not_healed", "cause: residual_bone", "", "not a term of this list"),
    ):
        path = tmp_path / "one.yaml"
        path.write_text(text.replace(old, new), encoding="utf-8")
        problems = check_paths([path], TOE).problems
        assert any(p.rule == rule and words in p.what for p in problems), problems


def test_check_form_names_every_problem_with_its_position(tmp_path, capsys):
    assert run(app, ["check", "--form", str(TOE), "--json-schema", str(tmp_path / "toe.json")]) == 0
    assert json.loads((tmp_path / "toe.json").read_text(encoding="utf-8"))["title"].startswith("First MTP")
    (tmp_path / "vocabularies").symlink_to(TOE.parent / "vocabularies")
    bad = tmp_path / "bad.yaml"
    text = TOE.read_text(encoding="utf-8")
    for old, new in (
        ("  - possible_mean\n", "  - posible_mean\n"),
        ("refers_to: arms.id", "refers_to: arm.id"),
        ("name: page, type: text", "name: page, type: txt"),
        ("vocabulary: toe_outcomes", "vocabulary: toe_outcome"),
    ):
        bad.write_text(text.replace(old, new), encoding="utf-8")
        capsys.readouterr()
        assert run(app, ["check", "--form", str(bad)]) == 1
        said = capsys.readouterr().err
        assert f"{bad}:" in said
        assert " error: " in said
        line = next(n for n, row in enumerate(text.splitlines(), 1) if old.strip() in row)
        # A rule is placed at the list of rules, everything else at its own line.
        assert f"{bad}:{line}:" in said or "posible_mean" in said, said
    with pytest.raises(DataError):
        load_form(bad)


def test_check_form_misused(tmp_path, capsys):
    assert run(app, ["check"]) == 2
    assert run(app, ["check", "--form", "no_such_form"]) == 2
    assert run(app, ["check", "--form", str(tmp_path / "none.yaml")]) == 2
    assert run(app, ["check", str(EXAMPLE), "--json-schema", str(tmp_path / "s.json")]) == 2
    assert not (tmp_path / "s.json").exists()
    assert "Traceback" not in capsys.readouterr().err
