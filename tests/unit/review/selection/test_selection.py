"""Search results, duplicates, screening and the flow. All citations are invented."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from metakit.errors import DataError, UnreadableError
from metakit.review.selection.citations import Citation, normal_doi, read_citations
from metakit.review.selection.duplicates import find_duplicates
from metakit.review.selection.flow import count_flow
from metakit.review.selection.screening import read_decisions, settle

# The dirt that databases put around the open tagged format: byte order mark, headers before the first record,
# a stray tag after the end of a record (STANDARDS row B3).
RIS = """\ufeffSome Database export
Results: 2

TY  - JOUR
TI  - An invented comparison of two thumb-base operations
AU  - Example, A
AU  - Sample, B
PY  - 2015
JO  - Invented Journal
DO  - https://doi.org/10.1234/ABC.1
ER  -
C1  - stray
2.
TY  - JOUR
T1  - Another invented series: part I
A1  - Sample, B
Y1  - 2016/03/01
UR  - http://example.invalid/10.1234/abc.2
ER  -
"""
BIBTEX = """@article{a, title={An Invented Comparison of Two {Thumb}-base Operations}, author={Example, A and Sample, B},
 year=2015, journal={Inv J}, doi={10.1234/abc.1}}
@article{b, title={Another invented series: part II}, author={Sample, B}, year=2016}
"""


def test_tagged_file_with_dirt_loses_no_record(tmp_path: Path) -> None:
    path = tmp_path / "one.ris"
    path.write_text(RIS, encoding="utf-8")
    first, second = read_citations(path, source="database one")
    assert first.title == "An invented comparison of two thumb-base operations"
    assert (first.authors, first.year, first.doi) == ("Example, A; Sample, B", 2015, "10.1234/abc.1")
    assert (second.title, second.year, second.doi) == (
        "Another invented series: part I",
        2016,
        "10.1234/abc.2",
    )
    assert [first.citation_id, second.citation_id] == ["C0001", "C0002"]


def test_bibtex_and_csv(tmp_path: Path) -> None:
    bib = tmp_path / "two.bib"
    bib.write_text(BIBTEX, encoding="utf-8")
    assert [c.title for c in read_citations(bib, source="b")] == [
        "An Invented Comparison of Two Thumb-base Operations",
        "Another invented series: part II",
    ]
    table = tmp_path / "three.csv"
    table.write_text('PMID,Title,Authors,Publication Year\n123,NA,"Doe, J",2001\n', encoding="utf-8")
    (only,) = read_citations(table, source="c", first_number=7)
    assert (only.citation_id, only.title, only.pubmed_id, only.year) == ("C0007", "NA", "123", 2001)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.ris", b"nothing here", "TY"),
        ("a.ris", b"TY  - JOUR\nAU  - A, B\nER  - \n", "title"),
        ("a.csv", b"titel,year\nx,2001\n", "title"),
        ("a.csv", b"title\n", "no record"),
        ("a.csv", "title\nGr\u00f6\u00dfe\n".encode("latin-1"), "UTF-8"),
        ("a.docx", b"", ".csv"),
        ("a.bib", b"@article{x, title={unbalanced, year=2001}\n", "entry"),
    ],
)
def test_unreadable_exports_say_what_is_wrong(tmp_path: Path, name: str, content: bytes, words: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(UnreadableError) as caught:
        read_citations(path, source="x")
    assert words in str(caught.value)
    assert str(path) in str(caught.value)


def citation(number: int, title: str, **given) -> Citation:
    given = {
        "authors": "Sample, B",
        "year": 2016,
        "journal": "",
        "doi": "",
        "pubmed_id": "",
        "source": "s",
    } | given
    return Citation(citation_id=f"C{number:04d}", title=title, **given)


def test_duplicates_are_found_for_a_shown_reason_and_parts_are_kept_apart() -> None:
    given = [
        citation(1, "Long-term results of an invented suspension of the thumb: part I", doi="10.1/a"),
        citation(2, "Long-term results of an invented suspension of the thumb: part II"),
        citation(3, "LONG-TERM RESULTS of an invented suspension of the thumb, Part 1", year=2017),
        citation(4, "Something else entirely", doi="10.1/a"),
        citation(5, "Long-term results of an invented suspension of the thumb: part I", authors="Other, X"),
        citation(6, "Long-term results of an invented suspension of the thumb: part I", doi="10.1/b"),
        citation(7, "Long-term results of an invented suspension of the thumb: part I", year=2020),
    ]
    found = find_duplicates(given)
    assert {(d.dropped, d.kept) for d in found} == {("C0003", "C0001"), ("C0004", "C0001")}
    assert "title alike" in found[0].reason
    assert found[1].reason == "same DOI 10.1/a"


def test_sister_papers_are_not_duplicates_but_misspelt_titles_are() -> None:
    long = "{} after a fairly long and invented operation on the base of the thumb: a prospective study"
    given = [
        citation(1, long.format("Grip")),
        citation(2, long.format("Pain")),
        citation(3, long.format("Grpi")),
    ]
    assert {(d.dropped, d.kept) for d in find_duplicates(given)} == {("C0003", "C0001")}


def test_before_is_kept_plus_merged_in_any_order() -> None:
    rng = random.Random(1)
    titles = [f"Invented study number {word}" for word in ("alpha", "beta", "gamma", "delta")]
    given = [citation(n, rng.choice(titles), doi=rng.choice(["", "10.1/x", "10.1/y"])) for n in range(1, 60)]
    dropped = {d.dropped for d in find_duplicates(given)}
    kept = {d.kept for d in find_duplicates(given)}
    assert not dropped & kept
    assert dropped < {c.citation_id for c in given}


def test_doi_spellings() -> None:
    for text in ("10.1234/AbC", "doi:10.1234/abc.", "https://doi.org/10.1234/ABC", "(10.1234/abc)"):
        assert normal_doi(text) == "10.1234/abc"
    assert normal_doi("none") == ""


WORDS = ["none", "pain", "grip", "pinch", "return", "survival", "subsidence", "satisfaction"]


def decisions(tmp_path: Path, person: str, text: str, known: list[str]):
    path = tmp_path / f"screening_{person}.csv"
    path.write_text("citation_id,stage,decision,reason\n" + text, encoding="utf-8")
    return read_decisions(path, person=person, known=known)


def test_flow_is_counted_and_adds_up(tmp_path: Path) -> None:
    given = [
        citation(n, f"{WORDS[n]} after an invented operation", source="one" if n < 4 else "two")
        for n in range(1, 8)
    ]
    known = [c.citation_id for c in given]
    twice = find_duplicates([*given, citation(8, given[0].title)])
    everything = [*given, citation(8, given[0].title, source="two")]
    title = "".join(
        f"{c},title_abstract,{'exclude' if c in ('C0006', 'C0007') else 'include'},\n" for c in known
    )
    text = (
        "C0001,full_text,include,\nC0002,full_text,include,\nC0003,full_text,exclude,other_design\n"
        "C0004,full_text,not_retrieved,\nC0005,full_text,exclude,same_cohort\n"
    )
    one = decisions(tmp_path, "AB", title + text, known)
    two = decisions(
        tmp_path,
        "CD",
        title.replace("C0006,title_abstract,exclude", "C0006,title_abstract,include") + text,
        known,
    )
    screening = settle([one, two])
    assert screening.conflicts["title_abstract"] == ("C0006",)
    with pytest.raises(DataError, match="C0006"):
        count_flow(everything, twice, screening, {"C0001": "S1", "C0002": "S1"})
    agreed = decisions(tmp_path, "agreed", "C0006,title_abstract,exclude,\n", known)
    flow = count_flow(everything, twice, settle([one, two], agreed), {"C0001": "S1", "C0002": "S1"})
    assert (flow.duplicates, flow.screened, flow.excluded_on_title, flow.sought) == (1, 7, 2, 5)
    assert (flow.not_retrieved, flow.assessed, flow.included_reports, flow.included_studies) == (1, 4, 2, 1)
    assert flow.excluded_by_reason == {"other_design": 1, "same_cohort": 1}
    assert all(count == parts for _, count, parts in flow.sums())
    with pytest.raises(DataError, match="C0002"):
        count_flow(everything, twice, settle([one, two], agreed), {"C0001": "S1"})


def test_every_faulty_row_is_named_at_once(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        decisions(
            tmp_path,
            "AB",
            "C0009,title_abstract,include,\nC0001,title,include,\nC0001,full_text,exclude,\nC0001,full_text,includ,\n",
            ["C0001"],
        )
    text = str(caught.value)
    assert len(caught.value.problems) == 5
    assert "no such citation" in text
    assert "did you mean include" in text
    assert "decided twice" in text
