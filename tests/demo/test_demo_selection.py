"""The invented selection of the demonstration review: duplicates as planted, ends in exactly its records."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import generate_demo
from invented.selection import EXCLUDED, FILES, LISTS, NOT_RETRIEVED, SEED, UNRELATED, _reports

from tests.demonstration import review

FOLDER = Path(generate_demo.FOLDER)
REPORTS = _reports(random.Random(SEED), generate_demo.STUDIES)


def test_the_selection_is_finished_and_adds_up() -> None:
    assert review().selection is not None
    assert review().selection.unfinished == ()
    assert review().selection.flow is not None
    assert review().selection.flow.problems() == []


def test_every_record_was_planted_and_every_duplicate_is_one() -> None:
    selection = review().selection
    assert selection is not None
    assert 380 <= len(selection.citations) <= 420
    assert len(selection.citations) == sum(len(report.sources) for report in REPORTS)
    kept = [c for c in selection.citations.values() if c.citation_id not in selection.removed]
    assert len(kept) == len(REPORTS)
    # A merge is right when both records tell of one planted report: the authors and year are its own.
    by_report = Counter((report.authors, report.year) for report in REPORTS)
    assert max(by_report.values()) == 1
    for removal in selection.removed.values():
        one, two = selection.citations[removal.citation_id], selection.citations[removal.kept]
        assert (one.authors, one.year) == (two.authors, two.year)
    reasons = {removal.reason.split()[0] for removal in selection.removed.values()}
    assert reasons == {"same", "title"}  # both ways of finding one are shown


def test_counts_are_those_that_were_planned() -> None:
    selection = review().selection
    assert selection is not None and selection.flow is not None
    flow = selection.flow
    assert flow.other is not None
    assert flow.databases.excluded == UNRELATED
    assert flow.databases.not_retrieved + flow.other.not_retrieved == NOT_RETRIEVED
    reasons = Counter(flow.databases.excluded_by_reason) + Counter(flow.other.excluded_by_reason)
    assert dict(reasons) == EXCLUDED
    assert {search.id for search in selection.searches} == set(FILES)
    assert [search.id for search in selection.searches if search.by_other_methods] == [LISTS]


def test_it_ends_in_exactly_the_records() -> None:
    selection = review().selection
    assert selection is not None and selection.flow is not None
    assert {record for found in selection.records_of_citation.values() for record in found} == {
        study.id for study in review().studies
    }
    assert len(review().studies) == 30
    assert (selection.flow.included_reports, selection.flow.included_studies) == (32, 29)


def test_screeners_disagree_sometimes_and_a_third_settled_all() -> None:
    selection = review().selection
    assert selection is not None
    for stage, fewest in (("title_abstract", 10), ("full_text", 3)):
        assert not selection.screening.conflicts[stage]
        settled = [d for d in selection.adjudicated if d.stage == stage]
        assert len(settled) >= fewest
        assert {d.decided_by for d in settled} == {"EF"}


def test_the_files_are_small() -> None:
    assert sum(path.stat().st_size for path in (FOLDER / "selection").rglob("*.*")) < 300_000
