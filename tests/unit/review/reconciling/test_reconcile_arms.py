"""Arms matched by what was done: one question where two people named them otherwise, not one for each number."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from metakit.core.values import Place
from metakit.errors import DataError
from metakit.forms.library import shipped
from metakit.forms.records import read_record
from metakit.review.history import history_questions, read_history
from metakit.review.reconciling.agreement_words import overall_words
from metakit.review.reconciling.reconcile import reconcile, write_comparison
from metakit.review.reconciling.reconcile_agreement import field_agreements, overall_agreement
from metakit.review.reconciling.reconcile_compared import Compared, Side
from metakit.review.reconciling.reconcile_review import compare_review
from tests.unit.review.reconciling.test_reconcile import fill, load, save
from tests.unit.review.two_extractors import ADDRESSES, RECORD, make_review, write


def with_ids(text: str, names: dict[str, str]) -> str:
    """Return a record whose arms bear other ids, everywhere."""
    return re.sub(
        rf"(?<=[ {{])(id|arm|comparator): ({'|'.join(names)})(?=[,}}\n])",
        lambda found: f"{found[1]}: {names[found[2]]}",
        text,
    )


def make(folder: Path, names: dict[str, str], planted: dict[str, str] | None = None) -> Path:
    make_review(folder, *([] if planted is None else [planted]))
    path = folder / "extractors/CD" / RECORD
    text = with_ids(path.read_text(), names) if names else path.read_text()
    write(folder, "CD", RECORD, text)
    return folder


SWAP = {"A": "B", "B": "A"}
QUESTION = "are A and B swapped in CD?"


def agreed(folder: Path):
    group = read_record(folder / "records" / RECORD, shipped()).group
    assert group is not None
    return group


def test_swapped_arms_are_one_question_and_the_planted_differences(tmp_path: Path) -> None:
    comparison = compare_review(make(tmp_path, SWAP))
    needed = [one for one in comparison.asked if one.item.needs_decision]
    assert needed[0].what == QUESTION and needed[0].item.address == "arms"
    assert needed[0].allowed == ("yes", "no")
    assert {one.item.address for one in needed[1:]} == set(ADDRESSES)
    pinch = next(one for one in needed if one.item.address.endswith("].mean"))
    assert pinch.what == "outcome A, key pinch, final, 12 months: mean (CD's B)"
    line = (tmp_path / "extractors/CD" / RECORD).read_text().splitlines()[pinch.item.second.place.line - 1]
    assert line.strip() == "mean: 5.1"
    (row, *_) = load(write_comparison(comparison, as_csv=True))
    assert (
        row["what"] == QUESTION
        and row["first_value"].startswith("A (lrti")
        and "B (lrti" in row["second_value"]
    )


def test_yes_keeps_each_persons_numbers_with_the_arm_that_they_are_of(tmp_path: Path) -> None:
    make(tmp_path, SWAP)
    path = fill(tmp_path, "CD")
    rows = load(path)
    rows[0]["decision"] = "yes"
    save(path, rows)
    reconcile(compare_review(tmp_path), path)
    pinch = [e for e in agreed(tmp_path).groups("outcomes") if e.text("outcome") == "key_pinch"]
    assert (pinch[0].text("arm"), pinch[0].number("mean")) == ("A", 5.1)
    assert [a.text("mp_option") for a in agreed(tmp_path).groups("arms")] == [
        "mp_none",
        "mp_capsulodesis_volar",
    ]
    (event,) = read_history(tmp_path)[0]
    assert event["arms"] == {"CD": {"B": "A", "A": "B"}}
    question = next(found for found in event["decisions"] if found["field"] == "arms")
    assert question["decision"] == "yes" and question["AB"].startswith("A (lrti")
    assert history_questions(tmp_path) == []
    # The history answers once the decisions file is gone.
    path.unlink()
    assert compare_review(tmp_path).pairs[0].recognised[0].answer == "yes"


def test_no_compares_by_the_ids(tmp_path: Path) -> None:
    make(tmp_path, SWAP, {})
    path = write_comparison(compare_review(tmp_path), as_csv=True)
    rows = load(path)
    assert [row["field"] for row in rows] == ["arms"]
    rows[0].update(decision="no", decided_by="EF", decided_on="2026-03-01", reason="table 1")
    save(path, rows)
    by_ids = [one.item.address for one in compare_review(tmp_path).asked]
    assert len(by_ids) > 20 and "arms[A].mp_option" in by_ids and by_ids[0] == "arms"
    kept = load(write_comparison(compare_review(tmp_path), as_csv=True))[0]
    assert (kept["decision"], kept["reason"]) == ("no", "table 1")


def test_decisions_that_mix_two_arms_are_an_error_that_names_both(tmp_path: Path) -> None:
    """EF says the arms are not swapped, takes what was done from AB and all numbers from CD."""
    make(tmp_path, SWAP, {})
    path = write_comparison(compare_review(tmp_path), as_csv=True)
    rows = load(path)
    filled = {"decided_by": "EF", "decided_on": "2026-03-01", "reason": "table 1"}
    save(path, [rows[0] | filled | {"decision": "no"}])
    rows = load(write_comparison(compare_review(tmp_path), as_csv=True))
    done = ("].label", "].mp_option", "].technique", "].components")
    for row in rows[1:]:
        row.update(filled, decision="AB" if row["field"].endswith(done) else "CD")
    save(path, rows)
    with pytest.raises(DataError) as caught:
        reconcile(compare_review(tmp_path), path)
    told = [problem.what for problem in caught.value.problems]
    assert len(told) == 2
    assert "give arm A the numbers that AB typed for arm B" in told[0] and "mp_none" in told[0]
    assert "give arm B the numbers that AB typed for arm A" in told[1]
    assert not (tmp_path / "records").exists()
    # Alike is no mixture: everything as CD has it, or as AB has it.
    for person in ("AB", "CD"):
        save(path, [rows[0], *(row | {"decision": person} for row in rows[1:])])
        reconcile(compare_review(tmp_path), path)
        assert agreed(tmp_path).groups("arms")[0].text("mp_option") == (
            "mp_none" if person == "AB" else "mp_capsulodesis_volar"
        )


@pytest.mark.parametrize("names", [{"A": "left", "B": "tightened"}, {"A": "2", "B": "1"}])
def test_other_ids_are_matched_without_a_question(tmp_path: Path, names: dict[str, str]) -> None:
    folder = make(tmp_path, names)
    comparison = compare_review(folder)
    assert {one.item.address for one in comparison.asked if one.item.needs_decision} == set(ADDRESSES)
    reconcile(comparison, fill(folder, "CD"))
    assert [arm.text("id") for arm in agreed(folder).groups("arms")] == ["A", "B"]
    assert read_history(folder)[0][0]["arms"] == {"CD": {names["A"]: "A", names["B"]: "B"}}


def test_other_ids_and_another_treatment_are_one_question(tmp_path: Path) -> None:
    planted = {"mp_option: mp_capsulodesis_volar": "mp_option: mp_arthrodesis"}
    comparison = compare_review(make(tmp_path, {"A": "x", "B": "y"}, planted))
    first, second = (one for one in comparison.asked if one.item.needs_decision)
    assert first.what == "are CD's x the arm A, CD's y the arm B of AB?"
    assert second.item.address == "arms[B].mp_option" and second.what.endswith("(CD's y)")


def test_an_id_that_means_another_arm_is_one_question(tmp_path: Path) -> None:
    comparison = compare_review(make(tmp_path, {"A": "B", "B": "C"}, {}))
    assert [one.what for one in comparison.asked] == ["are CD's B the arm A, CD's C the arm B of AB?"]


def test_one_wrong_treatment_is_no_swap(tmp_path: Path) -> None:
    planted = {"mp_option: mp_capsulodesis_volar": "mp_option: mp_none"}
    comparison = compare_review(make(tmp_path, {}, planted))
    assert [one.item.address for one in comparison.asked] == ["arms[B].mp_option"]


def test_the_label_tells_arms_of_one_treatment_apart(tmp_path: Path) -> None:
    same = {"mp_option: mp_capsulodesis_volar": "mp_option: mp_none"}
    make(tmp_path, SWAP, {})
    for person in ("AB", "CD"):
        path = tmp_path / "extractors" / person / RECORD
        for old, new in same.items():
            path.write_text(path.read_text().replace(old, new))
    asked = compare_review(tmp_path).asked
    assert [one.what for one in asked] == [QUESTION]


def test_a_third_arm_that_only_one_has_stays_apart(tmp_path: Path) -> None:
    make(tmp_path, SWAP, {})
    path = tmp_path / "extractors/CD" / RECORD
    text = path.read_text()
    start, end = text.index("  - id: B\n"), text.index("  - id: A\n")
    third = text[start:end].replace("id: B", "id: C").replace("technique: lrti", "technique: trapeziectomy")
    third = re.sub(r"components: .*", "components: []", third).replace(
        "LRTI, MP joint left alone", "No sling"
    )
    path.write_text(text[:end] + third + text[end:])
    found = [
        (one.item.address, one.item.first.typed, one.item.second.typed)
        for one in compare_review(tmp_path).asked
    ]
    assert [row[0] for row in found] == ["arms", "arms[C]"] and found[1][1:] == ("", "entered")


def test_what_a_person_answered_goes_with_the_arm(tmp_path: Path) -> None:
    make(tmp_path, SWAP, {})
    path = tmp_path / "extractors/CD" / RECORD
    answer = (
        'answered_questions:\n  - rule: mean_is_possible\n    field: "outcomes[B/key_pinch/final/12/months].mean"\n'
        "    values: 5\n    answer: looked up\n    answered_by: CD\n    answered_on: 2026-03-01\n"
    )
    path.write_text(path.read_text() + answer)
    (answered,) = compare_review(tmp_path).pairs[0].groups[1].groups("answered_questions")
    assert answered.text("field") == "outcomes[A/key_pinch/final/12/months].mean"


def test_an_outcome_that_one_person_lacks_counts_in_the_agreement(tmp_path: Path) -> None:
    make_review(tmp_path, {})
    path = tmp_path / "extractors/CD" / RECORD
    text = path.read_text()
    start, end = (
        text.index("  - arm: B\n    outcome: mp_recurrence"),
        text.index("  - arm: A\n    outcome: key_pinch"),
    )
    path.write_text(text[:start] + text[end:])
    items = compare_review(tmp_path).items
    fields = {field.field: field for field in field_agreements(items) if not field.topic}
    outcomes, events = fields["outcomes"], fields["outcomes.reporting"]
    typed = text.split("outcomes:\n")[1].split("returns:\n")[0].count("  - arm: ")
    assert (outcomes.n, outcomes.same) == (typed, typed - 1) == (events.n, events.same)
    assert events.categories is not None and events.categories.kappa is not None
    overall = overall_agreement(list(fields.values()), items)
    assert "; 1 entry only one person typed" in overall_words(tuple(fields.values()), overall)


def test_a_pooled_kappa_hides_no_low_kappa_of_the_treatment() -> None:
    """Three of six arms named otherwise: by hand, both 3:3, same on 4 of 6, kappa (4/6 - 1/2) / (1/2) = 0.33."""
    place = Place(file="x", line=1, column=1)

    def item(field: str, one: str, two: str, number: int, *, identifies: bool) -> Compared:
        first, second = (Side(typed=text, place=place, source="") for text in (one, two))
        return Compared(
            study=f"S{number}", address=f"{field}{number}", field=field, topic="", kind="choice", first=first,
            second=second, same=one == two, choices=2, identifies=identifies,
        )  # fmt: skip

    typed = [
        ("lrti", "lrti"),
        ("lrti", "lrti"),
        ("lrti", "trap"),
        ("trap", "lrti"),
        ("trap", "trap"),
        ("trap", "trap"),
    ]
    items = [item("arms.technique", one, two, n, identifies=True) for n, (one, two) in enumerate(typed)]
    items += [
        item("outcomes.reporting", *(["yes", "no"][n % 2],) * 2, n, identifies=False) for n in range(300)
    ]
    fields = field_agreements(items)
    overall = overall_agreement(fields)
    assert overall.kappa is not None and overall.kappa > 0.95
    words = overall_words(fields, overall)
    assert "kappa of the choices 0.99, but below 0.61 in arms: technique 0.33 (4 of 6 the same)" in words


def test_decisions_of_several_files_add_up(tmp_path: Path) -> None:
    make_review(tmp_path)
    rows = load(fill(tmp_path, "CD"))
    own = tmp_path / "reconcile" / "decisions.csv"
    parts = [rows[:1], rows[1:3], rows[3:]]
    files = [tmp_path / f"part_{number}.csv" for number in range(3)]
    for file, part in zip(files, parts, strict=True):
        save(file, part)
    own.unlink()
    # One after the other: what a study still waits for becomes less each time.
    waiting = [len(reconcile(compare_review(tmp_path), file).waiting.get("DEMO-06", ())) for file in files]
    assert waiting == sorted(waiting, reverse=True) and waiting[-1] == 0 and len(set(waiting)) == 3
    assert (tmp_path / "records" / RECORD).is_file()
    # All at once.
    other = make_review(tmp_path / "other")
    assert reconcile(compare_review(other), files).written
    # Two that contradict each other.
    save(files[1], [row | {"decision": "AB"} for row in rows[:1]])
    with pytest.raises(DataError, match=r"decided otherwise in .*part_0\.csv, line 2: CD, by EF"):
        reconcile(compare_review(other), files)


def test_a_decision_about_values_that_changed_is_kept(tmp_path: Path) -> None:
    make_review(tmp_path)
    fill(tmp_path, "CD")
    path = tmp_path / "extractors/CD" / RECORD
    path.write_text(path.read_text().replace("mean: 5.1\n", "mean: 5.2\n", 1))
    rows = load(write_comparison(compare_review(tmp_path)))
    mine = [row for row in rows if row["field"] == "outcomes[A/key_pinch/final/12/months].mean"]
    assert [(row["needed"], row["second_value"], row["decision"]) for row in mine] == [
        ("yes", "5.2", ""),
        ("no longer asked", "5.1", "CD"),
    ]
    # And comes back when the value does.
    path.write_text(path.read_text().replace("mean: 5.2\n", "mean: 5.1\n", 1))
    rows = load(write_comparison(compare_review(tmp_path)))
    assert [
        row["decision"] for row in rows if row["field"] == "outcomes[A/key_pinch/final/12/months].mean"
    ] == ["CD"]
