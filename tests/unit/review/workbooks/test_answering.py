"""Questions out, answers back: put into the records beside what stands there, all or none. All of it is invented."""

from __future__ import annotations

import json
import shutil
from hashlib import sha256
from pathlib import Path

import pytest

from metakit.cli.app import app
from metakit.cli.support.running import run
from metakit.errors import DataError
from metakit.forms.library import shipped
from metakit.forms.splice import plain_of
from metakit.review.check import check_paths
from metakit.review.history import append
from metakit.review.workbooks.answering import collect_answers, holds_answers, with_answer

REVIEW = Path(__file__).parents[3] / "reference" / "forms" / "review"
DAY = "2026-05-06"
ASKED = ["percent_matches_events", "unit_fits_outcome"]


@pytest.fixture
def review(tmp_path: Path) -> Path:
    """A review that asks a question about each of its records; the first has comments of its own."""
    folder = Path(shutil.copytree(REVIEW, tmp_path / "review"))
    path = folder / "records" / "test_01.yaml"
    text = path.read_text(encoding="utf-8")
    text = text.replace("percent: 13.3", "percent: 15", 1)
    path.write_text(f"# typed on a train\n{text}# the end", encoding="utf-8")  # no line feed at the end
    assert questions(folder) == ASKED
    return folder


def record(review: Path) -> Path:
    return review / "records" / "test_01.yaml"


def questions(review: Path, severity: str = "question") -> list[str]:
    found = check_paths([review]).problems
    return [one.rule for one in found if one.address and one.severity == severity]


def given_out(path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert run(app, ["check", str(path), "--to-answer"]) == 0
    return capsys.readouterr().out


def completed(block: str, answer: str = "4 of 30, page 5", by: str = "AB", on: str = DAY) -> str:
    for name, text in (("answer", answer), ("answered_by", by), ("answered_on", on)):
        block = block.replace(f"{name}:\n", f"{name}: {json.dumps(text)}\n" if text else f"{name}:\n")
    return block


def written(folder: Path, text: str, name: str = "answers.yaml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_answers_go_into_the_record_and_nothing_else_changes(review, tmp_path, capsys) -> None:
    before = record(review).read_text(encoding="utf-8")
    path = written(tmp_path, completed(given_out(review, capsys)))
    assert holds_answers(path)
    assert not holds_answers(record(review))
    assert run(app, ["collect", str(path), "--into", str(review)]) == 0
    told = capsys.readouterr()
    other = record(review).with_name("test_02.yaml")
    assert told.out.split() == [str(record(review).resolve()), str(other.resolve())]
    assert "2 new answers, 0 there already, 0 left open" in told.err
    after = record(review).read_text(encoding="utf-8")
    assert questions(review) == []
    assert questions(review, "answered") == ASKED
    kept = after.split("answered_questions:")[0]
    assert before.startswith(kept.rstrip("\n"))
    added = [line for line in after.split("\n") if line not in before.split("\n")]
    assert len(added) == 7  # the name of the list and the six fields of an entry
    assert run(app, ["collect", str(path), "--into", str(review), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["written"] == []
    assert record(review).read_text(encoding="utf-8") == after


def test_a_second_answer_stands_below_the_first(review, tmp_path, capsys) -> None:
    """Pasted below, the name of the list would stand there twice, which is an error."""
    written(tmp_path, completed(given_out(record(review), capsys)))
    assert collect_answers([tmp_path / "answers.yaml"], review, shipped()).new == 1
    text = record(review).read_text(encoding="utf-8")
    record(review).write_text(text.replace("percent: 15", "percent: 16"), encoding="utf-8")
    assert questions(review) == ASKED  # open again: it is about another value
    path = written(tmp_path, completed(given_out(record(review), capsys), answer="printed so"))
    assert collect_answers([path], review, shipped()).written == (record(review).resolve(),)
    entries = plain_of(record(review).read_text(encoding="utf-8"))["answered_questions"]
    assert [entry["answer"] for entry in entries] == ["4 of 30, page 5", "printed so"]
    assert questions(review) == ASKED[1:]


def test_what_is_blank_stays_open(review, tmp_path, capsys) -> None:
    before = record(review).read_bytes()
    done = collect_answers([written(tmp_path, given_out(record(review), capsys))], review, shipped())
    assert (done.written, done.new, done.blank) == ((), 0, 1)
    assert record(review).read_bytes() == before


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        (lambda text: completed(text, by=""), "answered_questions[1].answered_by", "a value is required"),
        (lambda text: completed(text, on="tomorrow"), "answered_questions[1].answered_on", "date"),
        (lambda text: completed(text).replace("rule: percent", "rule: per_cent"), "answered_questions[1].rule",
         "not asked (any more)"),
        (lambda text: completed(text).replace('"15; ', '"14; '), "answered_questions[1].values", "other values"),
        (lambda text: completed(text).replace("test_01.yaml", "test_09.yaml"), "file", "no file of"),
        (lambda text: completed(text).replace("records/test_01.yaml", "../elsewhere.yaml"), "file", "no file of"),
        (lambda text: completed(text).replace("records/test_01.yaml", "protocol.yaml"), "file", "keeps no answers"),
        (lambda text: completed(text) + "  - [1\n", "", ""),
        (lambda text: text.partition("\n")[2] + completed(text), "", "names their file"),
        (lambda text: completed(text).replace("  - rule", "    rule"), "answered_questions", ""),
    ],
)  # fmt: skip
def test_what_cannot_be_an_answer_is_told_and_nothing_is_written(
    review, tmp_path, capsys, change, field, words
) -> None:
    written(tmp_path, REVIEW.joinpath("protocol.yaml").read_text(encoding="utf-8"), "elsewhere.yaml")
    out = given_out(record(review), capsys)
    good = written(tmp_path, completed(out), "good.yaml")
    path = written(tmp_path, change(out))
    before = sha256(record(review).read_bytes()).hexdigest()
    with pytest.raises(DataError) as error:
        collect_answers([good, path], review, shipped())
    (problem,) = error.value.problems
    assert (problem.file, problem.field) == (str(path), field)
    assert words in f"{problem.what} {problem.allowed}"
    assert problem.line
    assert sha256(record(review).read_bytes()).hexdigest() == before


def test_an_agreed_record_is_not_answered_over_the_heads_of_its_extractors(review, tmp_path, capsys) -> None:
    digest = sha256(record(review).read_bytes()).hexdigest()
    event = {"event": "reconciled", "study": "TEST-01", "record": "records/test_01.yaml", "sha256": digest}
    append(review, [event | {"extractors": {}, "decisions": [], "date": DAY}])
    path = written(tmp_path, completed(given_out(record(review), capsys)))
    assert run(app, ["collect", str(path), "--into", str(review)]) == 1
    told = capsys.readouterr().err
    assert "two people agreed this record" in told
    assert "reconcile again" in told
    home = review / "extractors" / "AB"
    home.mkdir(parents=True)
    own = Path(shutil.copy(record(review), home / "test_01.yaml"))
    path = written(tmp_path, completed(given_out(own, capsys)))
    assert collect_answers([path], review, shipped()).written == (own.resolve(),)
    assert sha256(record(review).read_bytes()).hexdigest() == digest


def test_nothing_is_written_through_a_link(review, tmp_path, capsys) -> None:
    path = written(tmp_path, completed(given_out(record(review), capsys)))
    real = record(review).rename(review / "records" / "real.txt")
    record(review).symlink_to(real)
    with pytest.raises(DataError) as error:
        collect_answers([path], review, shipped())
    assert "no file of" in error.value.problems[0].what
    assert "answered_questions" not in real.read_text(encoding="utf-8")


def test_line_ends_and_a_mark_at_the_head_stay(review) -> None:
    text = "\ufeff" + record(review).read_text(encoding="utf-8").replace("\n", "\r\n")
    answer = {
        "rule": "r",
        "field": "f",
        "answer": " yes: so # it is ",
        "answered_by": "AB",
        "answered_on": DAY,
    }
    after = with_answer(text, answer, shipped().form("study"))
    assert after.startswith("\ufeff#")
    assert "\n" not in after.replace("\r\n", "")
    (entry,) = plain_of(after)["answered_questions"]
    assert entry == {name: one.strip() for name, one in answer.items()}
