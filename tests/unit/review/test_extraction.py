"""How records were made: reconciled, declared, typed by one, or waiting; and what the checks say of them."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from metakit.forms.bundled import demo_studies
from metakit.review.check import check_paths
from metakit.review.extraction import Extraction, extraction_of
from metakit.review.folder import open_folder
from metakit.review.new import FIRST_RECORD, new_review
from metakit.synthesis.run import synthesise
from tests import demonstration

PLANTED = Path(__file__).resolve().parents[2] / "demo" / "planted_disagreements.yaml"


@pytest.fixture(scope="module")
def demo() -> Extraction:
    return extraction_of(demo_studies(), demonstration.review().studies)


@pytest.fixture
def review(tmp_path: Path) -> Path:
    """Three studies of the demonstration review."""
    folder = tmp_path / "review"
    for part in ("records", "extractors/AB", "extractors/CD"):
        (folder / part).mkdir(parents=True)
        for file in sorted((demo_studies() / part).glob("DEMO-0[235]*")):
            shutil.copy(file, folder / part)
    shutil.copy(demo_studies() / "protocol.yaml", folder)
    return folder


def record(review: Path, study: str, part: str = "records") -> Path:
    return next((review / part).glob(f"{study}_*"))


def as_one_person(path: Path) -> None:
    text = (
        path.read_text(encoding="utf-8")
        .replace('"AB and CD"', "AB")
        .replace("status: agreed", "status: single")
    )
    path.write_text(text, encoding="utf-8")


@pytest.mark.lengthy
def test_the_demonstration_review_was_extracted_twice(demo: Extraction) -> None:
    assert len(demo.reconciled) == 30 and demo.people == ("AB", "CD")
    assert (demo.declared, demo.unreconciled, demo.single, demo.waiting) == ((), (), (), {})
    assert demo.overall is not None
    planted = yaml.load(PLANTED.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    settled = [(plant["study"], address) for plant in planted["disagreements"] for address in plant["found"]]
    # An entry that one person lacks is one decision, and counts with each of its fields in the agreement.
    lacking = [
        values
        for plant in planted["disagreements"]
        for values in plant["found"].values()
        if "entered" in values
    ]
    entries = sum(one.n - one.same for one in demo.fields if one.kind == "entry")
    differing = sum(one.n - one.same for one in demo.fields if one.kind != "entry")
    assert entries == len(lacking) > 1 and demo.overall.n - demo.overall.same == differing
    assert differing > len(settled) + len(planted["wording"]) - len(lacking)
    assert sorted((found["study"], found["field"]) for found in demo.decisions) == sorted(settled)
    answer = demo.to_json()
    assert answer["agreement"]["n"] == demo.overall.n and answer["agreement_by_field"]


def test_each_kind_of_record_is_told_apart(review: Path) -> None:
    as_one_person(record(review, "DEMO-02"))  # typed by two, not agreed
    as_one_person(record(review, "DEMO-03"))
    for person in ("AB", "CD"):
        record(review, "DEMO-03", f"extractors/{person}").unlink()  # typed by one
    made = extraction_of(review, open_folder(review).studies)
    # No history here: DEMO-05 says by itself that two agreed.
    assert (made.reconciled, made.declared) == ((), ("DEMO-05",))
    assert (made.unreconciled, made.single) == (("DEMO-02",), ("DEMO-03",))
    assert made.not_agreed == ("DEMO-02", "DEMO-03")
    record(review, "DEMO-05").unlink()
    assert extraction_of(review, open_folder(review).studies).waiting == {"DEMO-05": ("AB", "CD")}


@pytest.mark.walk
def test_nothing_is_pooled_from_records_not_agreed_without_saying_so(review: Path) -> None:
    as_one_person(record(review, "DEMO-02"))
    folder = open_folder(review)
    wanted = ("nerve_lrti", "pinch_lrti", "pinch_button", "crps_lrti", "dash_lrti")
    plans = tuple(plan for plan in folder.protocol.analyses if plan.id in wanted)
    found = synthesise(replace(folder, protocol=replace(folder.protocol, analyses=plans, networks=())))
    touched = 0
    for analysis in found.analyses:
        names = {numbers.study.id for numbers in analysis.numbers}
        said = [caution for caution in analysis.cautions if "two who have not agreed" in caution]
        if analysis.result is not None and "DEMO-02" in names:
            touched += 1
            assert len(said) == 1 and "DEMO-02 Brackenhythe" in said[0] and f"1 of {len(names)} " in said[0]
        else:
            assert said == []
    assert touched >= 2
    assert found.to_json()["extraction"]["unreconciled"] == ["DEMO-02"]


@pytest.mark.lengthy
def test_faulty_records_of_extractors_are_told_by_the_check(review: Path) -> None:
    studies = open_folder(review).studies
    path = record(review, "DEMO-02", "extractors/CD")
    path.write_text(path.read_text(encoding="utf-8").replace("events: 14", "events: 140"), encoding="utf-8")
    (error,) = [problem for problem in check_paths([review]).problems if problem.severity == "error"]
    assert error.file == str(path) and "140" in error.what + error.found
    made = extraction_of(review, studies)
    assert made.overall is None and "hold errors" in made.not_compared


@pytest.mark.lengthy
def test_empty_records_are_passed_over_beside_others(review: Path, tmp_path: Path) -> None:
    empty = new_review(tmp_path / "new") / "records" / FIRST_RECORD
    shutil.copy(empty, review / "records")
    # nothing is said of the very record that a new review has; of one that somebody began it is
    assert not [p for p in check_paths([review]).problems if Path(p.file).name == FIRST_RECORD]
    with (review / "records" / FIRST_RECORD).open("a", encoding="utf-8") as file:
        file.write("# copied for another study\n")
    problems = [
        problem for problem in check_paths([review]).problems if Path(problem.file).name == FIRST_RECORD
    ]
    assert [(problem.severity, problem.what) for problem in problems] == [
        ("question", "not read: an empty record")
    ]
    assert len(open_folder(review).studies) == 3
    for file in (review / "records").glob("DEMO-*"):
        file.unlink()
    (error,) = [problem for problem in check_paths([review]).problems if problem.severity == "error"]
    assert "no record to analyse yet" in error.what and "reconcile" in error.hint


def test_a_review_starts_from_another_protocol(tmp_path: Path) -> None:
    made = new_review(tmp_path / "review", protocol=demo_studies() / "protocol.yaml")
    assert (made / "protocol.yaml").read_bytes() == (demo_studies() / "protocol.yaml").read_bytes()


def test_a_study_that_one_person_typed_is_said_by_check(review: Path) -> None:
    def said() -> list[str]:
        return [p.what for p in check_paths([review]).of("question") if "typed by" in p.what]

    assert said() == []
    record(review, "DEMO-03", "extractors/CD").unlink()
    for part in ("extractors/AB", "extractors/CD"):
        record(review, "DEMO-05", part).unlink()
    as_one_person(record(review, "DEMO-05"))
    assert said() == ["DEMO-03 was typed by AB only", "DEMO-05 was typed by AB only"]


def test_the_trace_tells_of_decisions_about_arms() -> None:
    from types import SimpleNamespace

    from metakit.synthesis.trace import decisions_on

    fields = ["arms", "arms[A].technique", "arms[B].women", "outcomes[A/dash/final/12/months].mean", "design.type",
              "contrasts[A/B/dash/mean_difference].estimate", "outcomes[B/pain/final/12/months].mean"]  # fmt: skip
    decisions = [{"study": "S-1", "field": field} for field in fields] + [{"study": "S-2", "field": "arms"}]
    findings = SimpleNamespace(extraction=SimpleNamespace(decisions=decisions))

    def found(*arms: str) -> list[str]:
        return [row["field"] for row in decisions_on(findings, "S-1", "dash", arms)]  # type: ignore[arg-type]

    assert found() == [*fields[:3], fields[3], fields[5]]
    assert found("B") == ["arms", "arms[B].women", "contrasts[A/B/dash/mean_difference].estimate"]
