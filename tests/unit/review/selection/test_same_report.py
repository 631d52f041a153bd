"""Which records are surely, perhaps or not one report. Titles, authors and journals are invented."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit.review.selection.citations import Citation
from metakit.review.selection.duplicates import find_duplicates
from metakit.review.selection.same_report import compare

PAPER = Citation(
    citation_id="C0001", authors="Quillmere, A; Oskarsson, B", year=2015, doi="10.5555/a.1", pubmed_id="9000001",
    title="Key pinch after trapeziectomy with cemented prosthesis in manual workers: a randomised trial",
    journal="Journal of Invented Hand Surgery", search="a", volume="12", pages="100-108",
)  # fmt: skip
TITLE = PAPER.title
NOTHING = {"doi": "", "pubmed_id": "", "volume": "", "pages": ""}


def bare(**more) -> Citation:
    return replace(PAPER, **(NOTHING | more))


def read_as(other: Citation, paper: Citation = PAPER) -> set[str]:
    """Return what two records are taken for, in both orders."""
    found = set()
    for one, two in ((paper, other), (other, paper)):
        pair = find_duplicates([replace(one, citation_id="C0001"), replace(two, citation_id="C0002")])
        found.add("two" if not pair else "asked" if pair[0].perhaps else "one")
    return found


OTHER_REPORTS = {
    "uncemented": bare(title=TITLE.replace("cemented", "uncemented")),
    "not randomised": bare(title=TITLE.replace("randomised", "non-randomised")),
    "half a trapezium": bare(title=TITLE.replace("trapeziectomy", "hemitrapeziectomy")),
    "part A": bare(title=f"{TITLE} part A"),
    "long term": bare(title=f"Long-term {TITLE}"),
    "ten years": bare(title=f"Ten-year {TITLE}"),
    "protocol": bare(title=f"{TITLE}: study protocol"),
    "letter": bare(title=f"Letter regarding {TITLE}"),
    "re": bare(title=f"Re: {TITLE}"),
    "to the editor": bare(title=f"To the Editor: {TITLE}"),
    "reply behind": bare(title=f"{TITLE} - Reply"),
    "response": bare(title=f"Authors' Response to {TITLE}"),
    "commentary": bare(title=f"Editorial Commentary: {TITLE}"),
    "erratum behind": bare(title=f"{TITLE}: erratum"),
    "erratum in brackets": bare(title=f"{TITLE} (Erratum)"),
    "volume and page": bare(title=f"{TITLE} (vol 12, pg 100, 2015)"),
    "retraction": bare(title=f"Notice of retraction. {TITLE}"),
    "called an erratum": bare(report_kind="Published Erratum"),
    "called an erratum, same DOI": replace(PAPER, report_kind="Published Erratum", pubmed_id=""),
    "called a letter": bare(report_kind="Letter"),
    "called a congress abstract": bare(report_kind="Conference Abstract"),
    "abstract in the supplement": replace(PAPER, doi="", pubmed_id="", pages="S100"),
    "poster": bare(title=f"Poster: {TITLE}"),
    "abstract behind": bare(title=f"{TITLE} [abstract]"),
    "another part of a supplement": replace(
        PAPER, title="Key pinch after trapeziectomy", pages="S4", pubmed_id=""
    ),
}
ONE_REPORT = {
    "American": bare(title=TITLE.replace("randomised", "randomized")),
    "italics": bare(title=TITLE.replace("Key pinch", "<i>Key pinch</i>")),
    "given names first": bare(authors="A Quillmere; B Oskarsson"),
    "no author": bare(authors=""),
    "no year": bare(year=None),
    "full stop": bare(title=f"{TITLE}."),
    "brackets": bare(title=f"[{TITLE}]"),
    "hyphen in a word": bare(title=TITLE.replace("trapeziectomy", "trapezi-ectomy")),
    "parted word": bare(title=TITLE.replace("Key pinch", "Keypinch")),
    "pages cut": replace(PAPER, pages="100-8", doi="", pubmed_id=""),
    "electronic page": replace(PAPER, pages="e100-e108", doi="", pubmed_id=""),
    "the DOI and a cut title": bare(title=TITLE.split(":")[0], doi=PAPER.doi),
    "the PubMed number and a translation": replace(PAPER, title="[Griffkraft nach Trapezektomie]", doi=""),
}
ASKED = {
    "misspelt": bare(title=TITLE.replace("trapeziectomy", "trapezectomy")),
    "a group as author": bare(authors="Invented Thumb Group"),
    "preprint": replace(PAPER, doi="10.1101/2014.1", pubmed_id="", journal="medRxiv", volume="", pages="", year=2014),
    "translated": replace(PAPER, title="[Griffkraft nach Trapezektomie]", doi="", pubmed_id=""),
    "cut": bare(title=TITLE.split(":")[0]),
    "years apart": bare(year=2017),
    "another volume": replace(PAPER, doi="", pubmed_id="", volume="13", pages=""),
}  # fmt: skip


@pytest.mark.parametrize("name", OTHER_REPORTS)
def test_another_report_is_never_merged(name: str) -> None:
    assert "one" not in read_as(OTHER_REPORTS[name])


@pytest.mark.parametrize("name", ONE_REPORT)
def test_one_report_is_found(name: str) -> None:
    assert read_as(ONE_REPORT[name]) == {"one"}


@pytest.mark.parametrize("name", ASKED)
def test_doubtful_pairs_are_asked_about(name: str) -> None:
    assert read_as(ASKED[name]) == {"asked"}


def test_words_a_letter_apart_may_be_two_operations() -> None:
    one = bare(title="Transfer of the abductor tendon after trapeziectomy in manual workers")
    assert read_as(replace(one, title=one.title.replace("abductor", "adductor")), one) == {"asked"}


def test_a_title_published_twice_in_two_journals_is_two_reports() -> None:
    assert read_as(
        replace(PAPER, journal="Archives of Imaginary Orthopaedics", doi="", pubmed_id="", pages="7")
    ) == {"two"}


@pytest.mark.parametrize(
    "sign", [{"pages": "S100"}, {"title": f"Erratum: {TITLE}"}, {"title": f"{TITLE} [abstract]"}]
)
def test_reports_of_two_kinds_by_title_or_pages_are_not_even_asked_about(sign: dict[str, str]) -> None:
    assert compare(bare(), bare(**sign)) is None
    assert compare(bare(**sign), bare()) is None
    alike = compare(bare(), bare(journal="medRxiv"))  # a preprint and its paper are one work
    assert alike is not None
    by_source = compare(bare(), bare(report_kind="Letter"))  # what a source alone says is asked about
    assert by_source is not None and by_source.perhaps


@pytest.mark.parametrize(("words", "asked"), [(6, True), (2, False)])
def test_other_authors_are_asked_about_only_under_a_long_title(words: int, asked: bool) -> None:
    from metakit.review.selection.same_report import LONG_TITLE

    title = " ".join(TITLE.replace(":", "").split()[: LONG_TITLE if words == 6 else LONG_TITLE - 1])
    found = compare(bare(title=title), bare(title=title, authors="Brackenhythe, C"))
    assert (found is not None) == asked
    assert compare(bare(title=title), bare(title=f"{title} again", authors="Brackenhythe, C")) is None
