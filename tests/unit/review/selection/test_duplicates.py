"""De-duplication against a planted truth: a thousand invented records (tests/unit/review/selection/planted.py)."""

from collections import Counter, defaultdict
from dataclasses import replace
from pathlib import Path

import pytest

from metakit.forms.sheets.csv_tables import csv_rows
from metakit.review.selection.duplicates import (
    _blocks,
    completed,
    find_duplicates,
    removal_of,
    removal_of_duplicate,
)
from metakit.review.selection.likeness import years_apart
from metakit.review.selection.tables import sheet_rows
from tests.unit.review.selection.planted import planted


@pytest.mark.parametrize("seed", [20260115, 7])
def test_no_report_is_merged_with_another_and_few_are_missed(seed):
    given = planted(seed)
    found = find_duplicates(given.citations)
    wrong = [d for d in found if not d.perhaps and given.report[d.dropped] != given.report[d.kept]]
    assert wrong == []
    groups = defaultdict(list)
    for citation in given.citations:
        groups[given.report[citation.citation_id]].append(citation.citation_id)
    repeats = sum(len(ids) - 1 for ids in groups.values())
    listed = sum(given.report[d.dropped] == given.report[d.kept] for d in found)
    assert repeats > 200 and (repeats - listed) / repeats <= 0.02
    asked_in_vain = sum(d.perhaps and given.report[d.dropped] != given.report[d.kept] for d in found)
    assert asked_in_vain <= 0.02 * len(given.citations)
    surely = sum(not d.perhaps for d in found)
    assert surely / repeats > 0.6  # most need nobody


def test_the_planted_set_holds_what_it_should():
    given = planted()
    kinds = Counter(key.rstrip("0123456789") for key in given.report.values())
    assert len(given.citations) == 1000 and kinds["R"] > 800
    assert all(kinds[name] > 5 for name in ("erratum", "comment", "abstract", "sister", "supplement"))


def test_the_record_that_stays_is_the_fullest():
    given = planted()
    by_id = {c.citation_id: c for c in given.citations}
    found = [d for d in find_duplicates(given.citations) if not d.perhaps]
    filled = 0
    for duplicate in found:
        kept, dropped = by_id[duplicate.kept], by_id[duplicate.dropped]
        full = completed(kept, [dropped])
        for name in ("doi", "pubmed_id", "abstract", "volume", "pages"):
            assert getattr(full, name) or not getattr(dropped, name)
            assert not getattr(kept, name) or getattr(full, name) == getattr(kept, name)
        filled += full != kept
    assert filled > 20


def test_a_question_does_not_stand_until_somebody_says_yes():
    given = planted()
    asked = next(d for d in find_duplicates(given.citations) if d.perhaps)
    titles = {c.citation_id: c.title for c in given.citations}
    removal = removal_of_duplicate(asked, titles)
    assert not removal.stands and removal.asked
    assert removal.row()["stands"] is None and removal.row()["title"] == titles[asked.dropped]
    assert removal.row()["kept_title"] == titles[asked.kept]


@pytest.mark.lengthy
def test_a_record_meets_few_others(monkeypatch: pytest.MonkeyPatch) -> None:
    """Computed: pairs compared among made-up records (tests/benchmarks/selection.py); all pairs: thousands each."""
    import metakit.review.selection.duplicates as module
    from tests.benchmarks.selection import records

    counted = {}
    for size in (3_000, 6_000):
        pairs = []
        monkeypatch.setattr(module, "compare", lambda one, two, pairs=pairs: pairs.append(1))
        told: list[str] = []
        module.find_duplicates(records(size), progress=told.append)
        counted[size] = len(pairs)
        assert told[0] == f"comparing records: 0 of {size:,}" and len(told) == -(-size // 1_000)
    assert all(pairs < 5 * size for size, pairs in counted.items())


@pytest.mark.lengthy
def test_a_table_of_more_records_than_a_sheet_of_studies_is_read(tmp_path: Path) -> None:
    from metakit.forms.sheets.sheet_rows import MOST_ROWS
    from metakit.review.selection.files import MOST_CITATIONS
    from metakit.review.selection.tables import read_table_rows

    assert MOST_CITATIONS >= 200_000
    path = tmp_path / "removed.csv"
    rows = "".join(f"C{n:06d},other,,seen,,yes\n" for n in range(MOST_ROWS + 2))
    path.write_text("citation_id,because,kept,reason,likeness,stands\n" + rows)
    found = read_table_rows(path, "removal")
    assert not found.problems and len(found.groups) == MOST_ROWS + 2


@pytest.mark.parametrize(
    ("because", "stands", "expected"),
    [
        # because as read, stands, asked
        ("duplicate", "yes", ("duplicate", True, False)),
        ("duplicate", "", ("duplicate", True, False)),
        ("duplicate", "no", ("duplicate", False, False)),
        ("automation_tool", "yes", ("automation_tool", True, False)),
        ("perhaps_duplicate", "yes", ("duplicate", True, False)),
        ("perhaps_duplicate", "no", ("perhaps_duplicate", False, False)),
        ("perhaps_duplicate", "", ("perhaps_duplicate", False, True)),
    ],
)
def test_a_removal_stands_as_its_row_says(because, stands, expected):
    """A sure repeat stands until somebody says no; a perhaps stands from the day somebody says yes."""
    row = f"citation_id,because,kept,reason,likeness,stands\nC0002,{because},C0001,alike,97,{stands}\n"
    (group,) = sheet_rows(csv_rows(row.encode(), "removed.csv"), "removal").groups
    found = removal_of(group)
    assert (found.because, found.stands, found.asked) == expected
    assert found.row()["stands"] == (None if expected[2] else expected[1])


def test_a_long_comparison_says_where_it_is_every_thousand_records():
    given = planted().citations
    many = [
        replace(one, citation_id=f"C{number:04d}") for number, one in enumerate([*given, *given[:1]], start=1)
    ]
    said = []
    find_duplicates(many, progress=said.append)
    assert said == ["comparing records: 0 of 1,001", "comparing records: 1,000 of 1,001"]


def test_records_meet_by_their_place_only_where_all_of_it_is_known():
    one = planted().citations[0]
    whole = replace(one, authors="Quillmere, A", volume="12", pages="100-108")
    assert ("place", "quillmere 12 100") in set(_blocks(whole, Counter()))
    for gone in ({"authors": ""}, {"volume": ""}, {"pages": ""}):
        assert not [found for kind, found in _blocks(replace(whole, **gone), Counter()) if kind == "place"]


def test_an_unknown_year_is_no_difference():
    one = planted().citations[0]
    assert years_apart(replace(one, year=2015), replace(one, year=2018)) == 3
    for pair in ((None, 2018), (2015, None), (None, None)):
        assert years_apart(*(replace(one, year=year) for year in pair)) == 0
