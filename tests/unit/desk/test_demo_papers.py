"""Invented papers: each page says so, and each kept place holds the number that the record has."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from metakit.desk.demo_papers import PAPERS, SCANNED, TURNED, put_papers
from metakit.forms.bundled import demo_studies
from metakit.forms.library import shipped
from metakit.forms.records import Reading, read_record
from metakit.papers.reader import PaperReader
from metakit.papers.words import quote_of
from metakit.review.check import check_paths
from metakit.review.places import places_of
from metakit.review.reports import Report, paper_of

pytestmark = pytest.mark.walk  # papers are typeset


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[Report, ...]]:
    folder = tmp_path_factory.mktemp("papers") / "review"
    shutil.copytree(demo_studies(), folder)
    return folder, put_papers(folder)


def record(folder: Path, report: Report, home: str = "records") -> Reading:
    return read_record(folder / home / f"{report.study}.yaml", shipped())


@pytest.mark.lengthy
def test_each_page_says_that_it_is_invented(review: tuple[Path, tuple[Report, ...]]) -> None:
    folder, reports = review
    assert len(reports) == PAPERS
    with PaperReader() as reader:
        for number, report in enumerate(reports):
            paper = paper_of(folder, report.sha256)
            assert paper is not None
            for page in range(1, report.pages + 1):
                found = reader.words(paper, page)
                if number == SCANNED:
                    assert "a scan" in found.note
                else:
                    assert quote_of(found.words).startswith("INVENTED FOR DEMONSTRATION")
            turned = [reader.words(paper, page).frame.rotation for page in range(1, report.pages + 1)]
            assert (90 in turned) == (number == TURNED)


@pytest.mark.lengthy
def test_places_quote_the_agreed_numbers(review: tuple[Path, tuple[Report, ...]]) -> None:
    folder, reports = review
    for number, report in enumerate(reports):
        reading = record(folder, report)
        assert reading.group is not None and reading.sound
        places = places_of(reading.group)
        assert len(places) > 20
        assert {place.report for place in places} == {report.sha256}
        assert all(bool(place.quote) != (number == SCANNED) for place in places)
        assert not [problem for problem in reading.problems if problem.rule == "places_fit"]


@pytest.mark.lengthy
def test_a_slip_of_an_extractor_shows_at_its_place(review: tuple[Path, tuple[Report, ...]]) -> None:
    folder, reports = review
    for person, value in (("AB", "2.88"), ("CD", "4.75")):  # as planted_disagreements.yaml has them
        asked = [
            (problem.field, problem.what)
            for report in reports
            for problem in record(folder, report, f"extractors/{person}").problems
            if problem.rule == "places_fit"
        ]
        ((field, what),) = asked
        assert (
            field.startswith("outcomes[") and what == f"the words kept for it from page 3 do not hold {value}"
        )


@pytest.mark.lengthy
def test_the_history_knows_the_records_with_their_places(review: tuple[Path, tuple[Report, ...]]) -> None:
    folder, _ = review

    def asked(home: Path) -> set[tuple[str, str]]:
        found = check_paths([home]).problems
        return {
            (problem.field, re.sub(r":\d+", "", problem.what))
            for problem in found
            if problem.severity != "answered"
        }

    assert asked(folder) == asked(demo_studies())
