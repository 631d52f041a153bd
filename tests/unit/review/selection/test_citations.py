"""Search results from files, and the same report found twice. All citations are invented."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from metakit.errors import DataError, UnreadableError
from metakit.review.selection import citations
from metakit.review.selection.citations import Citation, normal_doi, read_citations
from metakit.review.selection.duplicates import find_duplicates

# The dirt that databases put around the open tagged format: byte order mark, headers before the first record,
# a stray tag after the end of a record (as a vendor's export has it; common practice, no source).
RIS = """\ufeffSome Database export
Results: 2

TY  - JOUR
TI  - An invented comparison of two thumb-base operations
AU  - Example, A
AU  - Sample, B
AB  - Invented patients were followed.
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
    first, second = read_citations(path, search="database_one")
    assert first.title == "An invented comparison of two thumb-base operations"
    assert (first.authors, first.year, first.doi) == ("Example, A; Sample, B", 2015, "10.1234/abc.1")
    assert (second.title, second.year, second.doi) == (
        "Another invented series: part I",
        2016,
        "10.1234/abc.2",
    )
    assert [first.citation_id, second.citation_id] == ["C0001", "C0002"]
    assert (first.abstract, second.abstract) == ("Invented patients were followed.", "")


def test_bibtex_and_csv(tmp_path: Path) -> None:
    bib = tmp_path / "two.bib"
    bib.write_text(BIBTEX, encoding="utf-8")
    assert [c.title for c in read_citations(bib, search="b")] == [
        "An Invented Comparison of Two Thumb-base Operations",
        "Another invented series: part II",
    ]
    table = tmp_path / "three.csv"
    table.write_text('PMID,Title,Authors,Publication Year\n123,NA,"Doe, J",2001\n', encoding="utf-8")
    (only,) = read_citations(table, search="c", first_number=7)
    assert (only.citation_id, only.title, only.pubmed_id, only.year) == ("C0007", "NA", "123", 2001)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.ris", b"nothing here", "TY"),
        ("a.ris", b"", "empty"),
        ("a.ris", b"TY  - JOUR\nAU  - A, B\nER  - \n", ":1: error: title: record 1 has no title"),
        ("a.ris", b"x\nTY  - JOUR\nTI  - T\nER  - \nTY  - JOUR\nER  - \n", ":5: error: title: record 2 has no title"),
        ("a.ris", "TY  - JOUR\nTI  - T\nER  - ".encode("utf-16"), "UTF-16"),
        ("a.ris", b"TY  - JOUR\nTI  - T\x00\nER  - ", "zero bytes"),
        ("a.csv", b"titel,year\nx,2001\n", ":1: error: has no column for the title"),
        ("a.csv", b"title,year\n", "no record"),
        ("a.csv", b"title,year\nx,2001\ny,2002,more\n", ":3: error: 3 cells in a table of 2"),
        ("a.csv", b"title,year\n,2001\n", ":2: error: title: record 1 has no title"),
        ("a.csv", b'title,year\n"x,2001\n', "never closed"),
        ("a.csv", "title,year\nGr\u00f6\u00dfe,2001\n".encode("latin-1"), ":2:3: error: the file is not UTF-8"),
        ("a.ris", b"TY  - JOUR\nTI  - " + b"T" * 40_000 + b"\nER  - ", ":1: error: title: record 1 has a text of 40,000"),
        ("a.docx", b"", ".csv"),
        ("a.bib", b"@article{x, title={unbalanced, year=2001}\n", "entry"),
        ("a.bib", b"@article{x, year=2001}\n", ":1: error: title: record 1 has no title"),
        ("a.bib", b"@article{x,\n title={T}}\n\n@article{y, year=2001}\n", ":4: error: title: record 2 has no title"),
    ],
)  # fmt: skip
def test_faulty_exports_say_what_is_wrong_and_where(
    tmp_path: Path, name: str, content: bytes, words: str, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises((UnreadableError, DataError)) as caught:
        read_citations(path, search="x")
    assert not caplog.records  # one message, ours
    assert words in str(caught.value)
    assert str(path) in str(caught.value)


def test_a_huge_export_is_refused_before_it_is_parsed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(citations, "LARGEST_SELECTION", 1000)
    path = tmp_path / "a.ris"
    path.write_bytes(RIS.encode() * 10)
    with pytest.raises(UnreadableError, match="too large"):
        read_citations(path, search="x")


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(UnreadableError, match="No such file"):
        read_citations(tmp_path / "none.ris", search="x")


def test_two_records_of_one_bibtex_key_are_both_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.bib"
    path.write_text("@article{x, title={One}}\n@article{x, title={Two}}\n@article{y, title={Three}}\n")
    assert [c.title for c in read_citations(path, search="x")] == ["One", "Two", "Three"]


def test_a_lost_end_of_record_loses_no_record(tmp_path: Path) -> None:
    path = tmp_path / "a.ris"
    path.write_text(
        "TY  - JOUR\nTI  - One\nTY  - JOUR\nTI  - Two\n      goes on\nER  -\nTY  - JOUR\nT1  - Three\n"
    )
    first, second, third = read_citations(path, search="x")
    assert (first.title, third.title) == ("One", "Three")
    assert second.title.startswith("Two")


def test_titles_stay_as_they_are(tmp_path: Path) -> None:
    path = tmp_path / "a.ris"
    title = "<script>alert(1)</script> <i>Trapezium</i> &amp; thumb =1+1"
    path.write_text(f"TY  - JOUR\nTI  - {title}\nER  - \n", encoding="utf-8")
    assert read_citations(path, search="x")[0].title == title


def citation(number: int, title: str, **given) -> Citation:
    given = {
        "authors": "Sample, B",
        "year": 2016,
        "journal": "",
        "doi": "",
        "pubmed_id": "",
        "search": "s",
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
    # One DOI under two titles, and two DOIs under one title, are asked about: supplements share a DOI.
    certain = {(d.dropped, d.kept) for d in found if not d.perhaps}
    asked = {(d.dropped, d.kept) for d in found if d.perhaps}
    assert certain == {("C0003", "C0001")}
    # One title under two first authors is asked about too: a group's name stands for its members.
    assert asked == {("C0004", "C0001"), ("C0005", "C0001"), ("C0006", "C0001")}
    assert "title alike" in found[0].reason
    assert found[1].reason.startswith("same DOI 10.1/a, other title")


def test_sister_papers_are_not_duplicates_and_misspelt_titles_are_asked_about() -> None:
    long = "{} after a fairly long and invented operation on the base of the thumb: a prospective study"
    given = [
        citation(1, long.format("Grip")),
        citation(2, long.format("Pain")),
        citation(3, long.format("Grpi")),
    ]
    assert [(d.dropped, d.kept, d.perhaps) for d in find_duplicates(given)] == [("C0003", "C0001", True)]


def test_before_is_kept_plus_merged_in_any_order() -> None:
    rng = random.Random(1)
    titles = [f"Invented study number {word}" for word in ("alpha", "beta", "gamma", "delta")]
    given = [citation(n, rng.choice(titles), doi=rng.choice(["", "10.1/x", "10.1/y"])) for n in range(1, 60)]
    sure = [d for d in find_duplicates(given) if not d.perhaps]
    dropped, kept = {d.dropped for d in sure}, {d.kept for d in sure}
    assert not dropped & kept
    assert dropped < {c.citation_id for c in given}


def test_doi_spellings() -> None:
    for text in ("10.1234/AbC", "doi:10.1234/abc.", "https://doi.org/10.1234/ABC", "(10.1234/abc)"):
        assert normal_doi(text) == "10.1234/abc"
    assert normal_doi("none") == ""


def test_entries_come_in_the_order_of_the_file_with_their_lines(tmp_path: Path) -> None:
    """The second of two entries of one key is found apart by the parser: it keeps its place among the others."""
    path = tmp_path / "b.bib"
    entry = "@article{{{},\n  title = {{{}}},\n  year = 2015\n}}\n"
    path.write_text(
        "".join(entry.format(key, title) for key, title in (("a", "One"), ("a", "Two"), ("b", "Three"))),
        encoding="utf-8",
    )
    found = read_citations(path, search="b")
    assert [citation.title for citation in found] == ["One", "Two", "Three"]


@pytest.mark.parametrize("tag", ["PY", "Y1", "DA"])
def test_the_year_of_a_tagged_record_stands_in_any_of_its_fields(tmp_path: Path, tag: str) -> None:
    path = tmp_path / "a.ris"
    path.write_text(f"TY  - JOUR\nTI  - Invented\n{tag}  - 2015\nER  - \n", encoding="utf-8")
    (found,) = read_citations(path, search="a")
    assert found.year == 2015
