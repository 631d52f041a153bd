"""Long work of the desk: told while it is done, one piece of a name at a time, its refusal shown where it began."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from metakit.desk.working import Tasks
from metakit.errors import DataError, Problem, UsageError
from tests.unit.desk.desks import Visitor, demo_review, visitor


@pytest.fixture
def one(tmp_path: Path) -> Visitor:
    return visitor(demo_review(tmp_path / "review"))


def test_what_is_done_now_is_told_and_only_one_of_a_name_is_begun() -> None:
    tasks, go_on, calls = Tasks(), threading.Event(), []

    def work(say):
        calls.append(1)
        say("analysis 3 of 40")
        assert go_on.wait(30)

    first = tasks.begin("report", "a", work, writes=True)
    assert tasks.begin("report", "a", work, writes=True) is first
    assert tasks.running("report").now == "analysis 3 of 40"
    assert tasks.running("certainty") is None
    go_on.set()
    assert first.done.wait(30)
    assert tasks.running("report") is None
    assert (calls, tasks.why_not("report", "a")) == ([1], "")


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (
            DataError([Problem(file="records/A.yaml", field="arms", what="missing")]),
            "records/A.yaml: arms: missing",
        ),
        (UsageError("no plan"), "no plan"),
        (OSError(28, "No space left on device"), "No space left on device: nothing was changed"),
        (ValueError("secret 7"), "a fault of the desk (ValueError)"),
    ],
)
def test_why_it_could_not_be_done_stands_until_the_files_change(error: Exception, said: str) -> None:
    tasks = Tasks()

    def work(say):
        raise error

    assert tasks.begin("report", "a", work, writes=False).done.wait(30)
    assert tasks.why_not("report", "a") == said
    assert tasks.why_not("report", "b") == ""


@pytest.mark.parametrize(("name", "words"), [("certainty", "worked out"), ("report", "being made")])
def test_the_page_tells_what_is_done_and_then_moves_on(one: Visitor, name: str, words: str) -> None:
    go_on = threading.Event()

    def work(say):
        say("pooling <b> & drawing")
        assert go_on.wait(60)

    task = one.desk.tasks.begin(name, "a", work, writes=False)
    page = one.get(f"/{name}").text
    assert words in page
    assert f'data-work="/work/{name}"' in page
    assert "pooling &lt;b&gt; &amp; drawing" in page
    assert "<script>" not in page
    answer = one.get(f"/work/{name}").json()
    assert answer["now"] == "pooling <b> & drawing"
    assert answer["seconds"] >= 0
    go_on.set()
    assert task.done.wait(60)
    assert one.get(f"/work/{name}").json() == {"go": f"/{name}"}
    assert "data-work" not in one.get(f"/{name}").text
    assert one.get("/work/other").status_code == 404


@pytest.mark.lengthy
def test_a_review_with_an_error_is_refused_where_the_work_was_begun(one: Visitor) -> None:
    record = sorted((one.desk.folder / "records").glob("*.yaml"))[0]
    before = record.read_text()
    record.write_text(before + "\nno_such_field: 1\n")
    for name, path, words in (
        ("certainty", "/certainty/work", "could not be worked out"),
        ("report", "/report", "could not be made"),
    ):
        assert one.post(path, {"sure": "yes"}).json() == {"go": f"/{name}"}
        task = one.desk.tasks.running(name)
        assert task is None or task.done.wait(120)
        page = one.get(f"/{name}").text
        assert words in page and record.name in page and "no_such_field" in page
    record.write_text(before)
    assert "could not be" not in one.get("/certainty").text
    assert not (one.desk.folder / "report").exists()
