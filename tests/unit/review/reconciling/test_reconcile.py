"""Two extractors' records: compared, decided, agreed; the history; writes that are killed."""

import csv
import datetime
import json
import random
import signal
import statistics
import subprocess
import sys
import time
from pathlib import Path

import openpyxl
import pytest
from scipy import stats

from metakit.errors import DataError, UsageError
from metakit.forms.bundled import demo_studies
from metakit.forms.library import shipped
from metakit.forms.records import read_record
from metakit.review.check import check_paths
from metakit.review.history import HISTORY, append, history_questions, read_history
from metakit.review.lock import review_lock
from metakit.review.reconciling.reconcile import reconcile, write_comparison
from metakit.review.reconciling.reconcile_agreement import field_agreements, overall_agreement
from metakit.review.reconciling.reconcile_decisions import in_words
from metakit.review.reconciling.reconcile_match import paired
from metakit.review.reconciling.reconcile_review import FOLDER, compare_review
from tests.unit.review.two_extractors import ADDRESSES, RECORD, WORDING, make_review, write

ROOT = Path(__file__).resolve().parents[4]


def fill(folder: Path, decision: str = "AB", **more: str) -> Path:
    path = write_comparison(compare_review(folder), as_csv=True)
    rows = load(path)
    for row in rows:
        if row["needed"] == "yes":
            row.update(
                decision=decision, decided_by="EF", decided_on="2026-03-01", reason="read again", **more
            )
    save(path, rows)
    return path


def load(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def save(path: Path, rows: list[dict[str, str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        out = csv.DictWriter(stream, rows[0].keys())
        out.writeheader()
        out.writerows(rows)


def test_exactly_the_planted_disagreements_are_found(tmp_path: Path) -> None:
    comparison = compare_review(make_review(tmp_path))
    (pair,) = comparison.pairs
    assert pair.people == ("AB", "CD")
    found = {i.address: (i.first.typed, i.second.typed) for i in pair.disagreements if i.needs_decision}
    assert found == ADDRESSES
    assert [i.address for i in pair.disagreements if i.wording] == [WORDING]
    pinch = next(i for i in pair.disagreements if i.address.endswith("].mean"))
    assert pinch.first.source == "page 5, table 3"
    line = (tmp_path / "extractors/CD" / RECORD).read_text().splitlines()[pinch.second.place.line - 1]
    assert line.strip() == "mean: 5.1"


def test_order_and_spelling_do_not_matter(tmp_path: Path) -> None:
    make_review(tmp_path, {})
    path = tmp_path / "extractors/CD" / RECORD
    text = path.read_text()
    head, rest = text.split("outcomes:\n")
    body, tail = rest.split("returns:\n")
    entries = body.split("  - arm: ")[1:]
    swapped = "".join(f"  - arm: {entry}" for entry in reversed(entries))
    text = f"{head}outcomes:\n{swapped}returns:\n{tail}"
    text = text.replace("components: [lr_fcr_slip, ti_fcr]", "components: [ti_fcr, lr_fcr_slip]")
    path.write_text(text.replace("mean: 5.0\n", "mean: 5.00\n"))
    assert compare_review(tmp_path).asked == ()


def test_a_shifted_time_pairs_entries_and_a_missing_entry_is_one_row(tmp_path: Path) -> None:
    shifted = "arm: A\n    outcome: any_complication\n    time: {value: 12, unit: months}"
    make_review(tmp_path, {shifted: shifted.replace("12", "13")})
    path = tmp_path / "extractors/CD" / RECORD
    text = path.read_text()
    start = text.index("  - arm: B\n    outcome: mp_recurrence")
    end = text.index("  - arm: A\n    outcome: key_pinch")
    path.write_text(text[:start] + text[end:])
    found = {
        one.item.address: (one.item.first.typed, one.item.second.typed)
        for one in compare_review(tmp_path).asked
    }
    assert found == {
        "outcomes[A/any_complication/12/months].time.value": ("12", "13"),
        "outcomes[B/mp_recurrence/last_follow_up/24.9/months]": ("entered", ""),
    }
    # CD's side of a whole entry is "not entered": the agreed record lacks it.
    reconcile(compare_review(tmp_path), fill(tmp_path, "CD"))
    agreed = read_record(tmp_path / "records" / RECORD, shipped()).group
    assert agreed is not None
    outcomes = [entry.text("outcome") for entry in agreed.groups("outcomes")]
    assert (
        "mp_recurrence" not in outcomes
        and len(outcomes) == len(text.split("returns:\n")[0].split("  - arm: ")) - 2
    )


def test_doubtful_entries_are_not_paired(tmp_path: Path) -> None:
    make_review(tmp_path)
    group = read_record(tmp_path / "extractors/AB" / RECORD, shipped()).group
    assert group is not None
    one, two = group.groups("outcomes")[0], group.groups("outcomes")[9]
    fields = ["unit_of_analysis", "reporting", "source.page", "arm", "outcome"]
    # Both agree in the first three fields with each other: with one candidate they pair, with two they do not.
    assert paired([one], [two], fields) == [(one, two)]
    assert paired([one], [two, two], fields) == [(one, None), (None, two), (None, two)]


def test_agreement_of_fields_and_overall(tmp_path: Path) -> None:
    fields = field_agreements(compare_review(make_review(tmp_path)).items)
    assert [f.proportion_same for f in fields] == sorted(f.proportion_same for f in fields)
    pinch = next(f for f in fields if (f.field, f.topic) == ("outcomes.mean", "key_pinch"))
    assert (pinch.n, pinch.same) == (2, 1)
    # By hand: differences -0.1 and 0; mean -0.05, standard deviation 0.0707.
    assert pinch.numbers is not None and pinch.numbers.limits is not None
    assert pinch.numbers.mean_difference == pytest.approx(-0.05)
    assert pinch.numbers.limits == pytest.approx(
        (-0.05 - 1.959964 * 0.0707107, -0.05 + 1.959964 * 0.0707107), abs=1e-6
    )
    overall = overall_agreement(fields)
    assert overall.n - overall.same == 4
    weights = [(f.n, f.categories.kappa) for f in fields if f.categories and f.categories.kappa is not None]
    assert overall.kappa == pytest.approx(sum(n * k for n, k in weights) / sum(n for n, _ in weights))


@pytest.mark.walk
def test_overall_kappa_gets_its_interval_by_leaving_studies_out() -> None:
    items = compare_review(demo_studies()).items
    overall = overall_agreement(field_agreements(items), items)
    assert overall.kappa is not None and overall.kappa_interval is not None
    # By the definition: pseudo-values of whole recomputations.
    studies = sorted({item.study for item in items})
    left_out = []
    for study in studies:
        rest = [item for item in items if item.study != study]
        part = overall_agreement(field_agreements(rest))
        assert part.kappa is not None
        left_out.append(part.kappa)
    n = len(studies)
    pseudo = [n * overall.kappa - (n - 1) * value for value in left_out]
    half = float(stats.t.ppf(0.975, n - 1)) * statistics.stdev(pseudo) / n**0.5
    assert overall.kappa_interval.lower == pytest.approx(overall.kappa - half, abs=1e-10)
    assert overall.kappa_interval.upper == pytest.approx(min(overall.kappa + half, 1.0), abs=1e-10)


@pytest.mark.parametrize(("decision", "more", "mean"), [("AB", {}, 5.0), ("CD", {}, 5.1), ("other", {}, 5.2)])
def test_the_agreed_record_holds_what_was_decided(
    tmp_path: Path, decision: str, more: dict, mean: float
) -> None:
    make_review(tmp_path)
    before = {path: path.read_bytes() for path in (tmp_path / "extractors").rglob("*.yaml")}
    path = fill(tmp_path, decision if decision != "other" else "AB")
    if decision == "other":
        rows = load(path)
        rows[-1].update(decision="other", other_value="5.2")
        save(path, rows)
    (written,) = reconcile(compare_review(tmp_path), path).written
    agreed = read_record(written, shipped())
    assert agreed.sound and agreed.group is not None
    values = [
        entry.number("mean")
        for entry in agreed.group.groups("outcomes")
        if entry.text("outcome") == "key_pinch"
    ]
    assert values[0] == mean
    assert agreed.group.text("extraction.status") == "agreed"
    assert agreed.group.text("extraction.extractor") == "AB and CD"
    assert {path: path.read_bytes() for path in before} == before
    events, problems = read_history(tmp_path)
    assert not problems and len(events) == 1
    assert {d["field"] for d in events[0]["decisions"]} == set(ADDRESSES)
    assert events[0]["wording_kept"] == [WORDING]
    assert history_questions(tmp_path) == []
    again = reconcile(compare_review(tmp_path), path)
    assert again.written == () and len(read_history(tmp_path)[0]) == 1


def test_decisions_in_the_workbook_are_read_back_as_a_spreadsheet_leaves_them(tmp_path: Path) -> None:
    make_review(tmp_path)
    path = write_comparison(compare_review(tmp_path))
    book = openpyxl.load_workbook(path)
    sheet = book["decisions"]
    head = [cell.value.replace(" ", "_") for cell in sheet[1]]
    rules = {
        str(rule.sqref): rule.formula1
        for rule in sheet.data_validations.dataValidation
        if rule.type == "list"
    }
    assert set(rules.values()) == {'"AB,CD,other"'}
    for row in sheet.iter_rows(min_row=2):
        cells = dict(zip(head, row, strict=True))
        if cells["needed"].value != "yes":
            continue
        assert cells["first_value"].data_type == "s"  # 5.0 stays 5.0
        number = cells["field"].value.endswith("].mean")
        cells["decision"].value = "other" if number else "CD"
        if number:
            cells["other_value"].value = 5.2
        cells["decided_by"].value = " EF "
        cells["decided_on"].value = datetime.datetime(2026, 3, 1)
        cells["reason"].value = "read again"
    book.save(path)
    (written,) = reconcile(compare_review(tmp_path), path).written
    agreed = read_record(written, shipped()).group
    assert agreed is not None and agreed.text("design.blinding") == "assessors"
    means = [e.number("mean") for e in agreed.groups("outcomes") if e.text("outcome") == "key_pinch"]
    assert means[0] == 5.2
    (event,) = read_history(tmp_path)[0]
    assert {d["decided_on"] for d in event["decisions"]} == {"2026-03-01"}
    assert {d["decided_by"] for d in event["decisions"]} == {"EF"}
    # The next comparison keeps what was filled in, in the same workbook.
    again = write_comparison(compare_review(tmp_path))
    assert again == path and reconcile(compare_review(tmp_path), again).written == ()


def test_a_review_has_one_decisions_file(tmp_path: Path) -> None:
    make_review(tmp_path)
    path = write_comparison(compare_review(tmp_path), as_csv=True)
    assert write_comparison(compare_review(tmp_path)) == path  # what is there stays what it is
    path.rename(path.with_suffix(".old"))
    assert write_comparison(compare_review(tmp_path)).suffix == ".xlsx"
    with pytest.raises(UsageError, match="one decisions file"):
        write_comparison(compare_review(tmp_path), as_csv=True)


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("design.type", "design: type"),
        ("arms[C].mp_preoperative.sign", "arm C: MP preoperative: sign"),
        ("outcomes[A/key_pinch/final/12/months].mean", "outcome A, key pinch, final, 12 months: mean"),
        ("outcomes[A/dash/last_follow_up/30.6/months]", "outcome A, DASH, last follow up, 30.6 months"),
    ],
)
def test_addresses_in_words(address: str, words: str) -> None:
    assert in_words(address) == words


def test_an_empty_list_can_be_decided(tmp_path: Path) -> None:
    record = "DEMO-14_saltmarrow.yaml"
    make_review(tmp_path, {"components: [trapeziectomy_partial]": "components: []"}, record)
    path = fill(tmp_path, "CD")
    (row,) = load(path)
    assert (row["first_value"], row["second_value"]) == ("trapeziectomy_partial", "(none)")
    for other in ({}, {"decision": "other", "other_value": "(none)"}):
        save(path, [row | other])
        (record_file, *_) = (done := reconcile(compare_review(tmp_path), path)).written + done.unchanged
        agreed = read_record(record_file, shipped()).group
        assert agreed is not None and agreed.groups("arms")[1].words("components") == ()


def test_undecided_studies_wait(tmp_path: Path) -> None:
    make_review(tmp_path)
    path = write_comparison(compare_review(tmp_path))
    assert path.suffix == ".xlsx"
    done = reconcile(compare_review(tmp_path), path)
    assert set(done.waiting["DEMO-06"]) == set(ADDRESSES)
    assert not (tmp_path / "records").exists() and not (tmp_path / HISTORY).exists()


def test_faulty_decisions_are_all_named_and_nothing_is_written(tmp_path: Path) -> None:
    make_review(tmp_path)
    path = fill(tmp_path)
    rows = load(path)
    rows[0].update(decision="XY", decided_on="1/3/2026")
    rows[1].update(reason="", other_value="7")
    rows[-1].update(first_value="4.9")
    save(path, rows)
    with pytest.raises(DataError) as caught:
        reconcile(compare_review(tmp_path), path)
    found = {(p.line, p.field) for p in caught.value.problems}
    assert found == {
        (2, "decision"),
        (2, "decided_on"),
        (3, "reason"),
        (3, "other_value"),
        (5, "first_value"),
    }
    assert not (tmp_path / "records").exists()


def test_an_impossible_agreed_value_is_refused(tmp_path: Path) -> None:
    make_review(tmp_path)
    path = fill(tmp_path)
    rows = load(path)
    rows[-1].update(decision="other", other_value="five")
    save(path, rows)
    with pytest.raises(DataError, match="agreed record of DEMO-06"):
        reconcile(compare_review(tmp_path), path)


def test_filled_decisions_survive_another_comparison(tmp_path: Path) -> None:
    make_review(tmp_path)
    path = fill(tmp_path)
    before = path.read_text().replace("\r\n", "\n")
    assert write_comparison(compare_review(tmp_path)).read_text() == before
    text = (tmp_path / "extractors/AB" / RECORD).read_text()
    write(tmp_path, "AB", RECORD, text.replace("blinding: none", "blinding: assessors"))
    rows = load(write_comparison(compare_review(tmp_path)))
    gone = [row for row in rows if row["field"] == "design.blinding"]
    assert [row["needed"] for row in gone] == ["no longer asked"] and gone[0]["reason"] == "read again"


def test_a_change_by_hand_is_noticed_not_forbidden_and_not_overwritten(tmp_path: Path) -> None:
    make_review(tmp_path)
    path = fill(tmp_path)
    reconcile(compare_review(tmp_path), path)
    record = tmp_path / "records" / RECORD
    record.write_text(record.read_text().replace("mean: 5.0\n", "mean: 5.3\n"))
    report = check_paths([tmp_path])
    assert report.exit_status == 0
    assert any("changed by hand" in p.what and p.file == str(record) for p in report.problems)
    with pytest.raises(DataError, match="would be overwritten"):
        reconcile(compare_review(tmp_path), path)
    assert "mean: 5.3\n" in record.read_text()


@pytest.mark.parametrize("damage", ["change", "remove", "insert", "nonsense"])
def test_a_broken_chain_is_seen(tmp_path: Path, damage: str) -> None:
    append(tmp_path, [{"event": "note", "n": n} for n in range(4)])
    path = tmp_path / HISTORY
    assert read_history(tmp_path)[1] == ()
    lines = path.read_text().splitlines()
    if damage == "change":
        lines[1] = lines[1].replace('"n": 1', '"n": 9')
    elif damage == "remove":
        del lines[1]
    elif damage == "insert":
        lines.insert(2, json.dumps({"previous": "0" * 64, "event": "note"}))
    else:
        lines[1] = "not json"
    path.write_text("\n".join(lines) + "\n")
    problems = read_history(tmp_path)[1]
    assert problems and all(p.severity == "error" and p.line for p in problems)


def test_a_copy_is_no_second_extraction(tmp_path: Path) -> None:
    make_review(tmp_path)
    write(tmp_path, "CD", RECORD, (tmp_path / "extractors/AB" / RECORD).read_text())
    with pytest.raises(DataError) as caught:
        compare_review(tmp_path)
    (problem,) = caught.value.problems
    assert (problem.field, problem.found) == ("extraction.extractor", "AB")
    line = Path(problem.file).read_text(encoding="utf-8").splitlines()[(problem.line or 0) - 1]
    assert line.strip() == "extractor: AB"


def test_faults_of_the_folder_are_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="extractors"):
        compare_review(tmp_path)
    make_review(tmp_path)
    text = (tmp_path / "extractors/AB" / RECORD).read_text()
    write(tmp_path, "EF", RECORD, text.replace("extractor: AB", "extractor: EF"))
    write(tmp_path, "AB", "again.yaml", text)
    with pytest.raises(DataError) as caught:
        compare_review(tmp_path)
    assert len(caught.value.problems) == 2
    with (
        review_lock(tmp_path),
        pytest.raises(UsageError, match="another process"),
        review_lock(tmp_path, patience=0.05),
    ):
        pass


WRITER = """
import sys
from pathlib import Path
from metakit.review.reconciling.reconcile import reconcile
from metakit.review.reconciling.reconcile_review import compare_review
folder = Path(sys.argv[1])
print("ready", flush=True)
while True:
    for name in ("one.csv", "two.csv"):
        reconcile(compare_review(folder), folder / name)
"""


def kill_and_look(folder: Path, kills: int) -> None:
    draw = random.Random(20261125)
    make_review(folder)
    for name, decision in (("one.csv", "AB"), ("two.csv", "CD")):
        (folder / name).write_bytes(fill(folder, decision).read_bytes())
        (folder / FOLDER / "decisions.csv").unlink()
    whole = set()
    record = folder / "records" / RECORD
    for name in ("one.csv", "two.csv"):
        reconcile(compare_review(folder), folder / name)
        whole.add(record.read_bytes())
    assert len(whole) == 2
    for _ in range(kills):
        process = subprocess.Popen([sys.executable, "-c", WRITER, folder], cwd=ROOT, stdout=subprocess.PIPE)
        assert process.stdout is not None and process.stdout.readline()
        time.sleep(draw.uniform(0, 0.3))
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        assert record.read_bytes() in whole
        assert read_history(folder)[1] == ()
        # The next run is not blocked, and completes what the killed one had begun.
        reconcile(compare_review(folder), folder / "one.csv")
        assert history_questions(folder) == []
        assert not list(record.parent.glob(".*yaml*")) and not list(folder.glob(".history*"))


@pytest.mark.lengthy
def test_two_processes_that_reconcile_at_once_lose_nothing(tmp_path: Path) -> None:
    make_review(tmp_path)
    for name, decision in (("one.csv", "AB"), ("two.csv", "CD")):
        (tmp_path / name).write_bytes(fill(tmp_path, decision).read_bytes())
        (tmp_path / FOLDER / "decisions.csv").unlink()
    once = "import sys; from metakit.review.reconciling.reconcile import reconcile; from metakit.review.reconciling.reconcile_review import compare_review; reconcile(compare_review(sys.argv[1]), sys.argv[2])"
    both = [
        subprocess.Popen([sys.executable, "-c", once, tmp_path, tmp_path / name], cwd=ROOT)
        for name in ("one.csv", "two.csv")
    ]
    assert [process.wait(60) for process in both] == [0, 0]
    events, problems = read_history(tmp_path)
    assert problems == () and [len(event["decisions"]) for event in events] == [3, 3]
    assert {event["decisions"][0]["decision"] for event in events} == {"AB", "CD"}
    assert history_questions(tmp_path) == []


@pytest.mark.slow
def test_a_killed_run_leaves_whole_files_and_no_lock(tmp_path: Path) -> None:
    kill_and_look(tmp_path, 10)


@pytest.mark.slow
def test_two_hundred_killed_runs(tmp_path: Path) -> None:
    kill_and_look(tmp_path, 200)
