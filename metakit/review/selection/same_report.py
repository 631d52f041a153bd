"""Whether two search records describe one report: surely, perhaps, or not.

Surely the same are records whose titles have the same words (in British or American spelling, with or without
accents, signs and spaces between the parts of a word) and whose authors, years and places do not speak
against it, or that share an identifier. Whatever else is alike is offered to a person: other spellings, cut
and translated titles, preprints, one title with two first authors. Titles that differ in a number ("part 1",
"2-year", "ten years") are different reports, however alike their words; a correction, a comment or a congress
abstract is never the paper that it is about.
"""

from __future__ import annotations

from dataclasses import dataclass

from metakit.review.selection.citations import Citation
from metakit.review.selection.likeness import (
    LIKE_TITLE,
    PERHAPS_TITLE,
    first_page,
    folded,
    kind_of,
    numbers,
    other_words,
    plain,
    same_author,
    same_journal,
    surname,
    title_kind,
    years_apart,
)

YEARS_APART = 2
"""Years between two records of one report at most."""
LONG_TITLE = 6
"""Words from which on one title under two first authors is worth a question (no source)."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Why two records describe one report, how alike their titles are of 100, and whether a person is asked.

    `place` says that they stand at the same place of the same volume.
    """

    reason: str
    score: float
    perhaps: bool = False
    place: bool = False

    @property
    def rank(self) -> tuple[bool, bool, float]:
        """The higher, the surer."""
        return not self.perhaps, self.place, self.score


def with_identifier(one: Citation, two: Citation, kind: str, value: str) -> Verdict | None:
    """Compare two records that share an identifier: a supplement's reports share its DOI.

    Parameters
    ----------
    one, two : Citation
    kind, value : str
        "DOI" or "PubMed number", and which.
    """
    from rapidfuzz import fuzz

    sure = Verdict(f"same {kind} {value}", 100.0)
    if _other_kinds(one, two):
        return None
    if kind_of(one) != kind_of(two) and {kind_of(one), kind_of(two)} != {"paper", "preprint"}:
        return Verdict(f"same {kind} {value}; {_said_kinds(one, two)}", 0.0, perhaps=True)
    first, second = plain(one.title), plain(two.title)
    if _same_words(one, two) or _translated(one, two):
        return sure
    alike = numbers(one.title) == numbers(two.title)
    if kind != "DOI":
        if alike and float(fuzz.token_set_ratio(first, second)) >= PERHAPS_TITLE:
            return sure
        return Verdict(f"same {kind} {value}, other title", 0.0, perhaps=True)
    close = float(fuzz.token_sort_ratio(first, second)) >= LIKE_TITLE and not other_words(first, second)
    if alike and _pages_fit(one, two) and (close or _one_holds_the_other(first, second)):
        return sure
    if {kind_of(one), kind_of(two)} != {"paper"}:
        return None
    reason = f"same DOI {value}, other title; the parts of a supplement share one"
    return Verdict(reason, 0.0, perhaps=True)


def compare(one: Citation, two: Citation) -> Verdict | None:
    """Compare two records without a shared identifier.

    Returns
    -------
    Verdict or None
        `perhaps` where a person should look; None where they are different reports.
    """
    from rapidfuzz import fuzz

    if _other_kinds(one, two) or years_apart(one, two) > YEARS_APART:
        return None
    kinds = {kind_of(one), kind_of(two)}
    first, second = plain(one.title), plain(two.title)
    score = float(fuzz.token_sort_ratio(first, second, score_cutoff=PERHAPS_TITLE - 20))
    years = f"years {two.year or '?'} and {one.year or '?'}"
    author = f", first author {surname(one.authors)}" if surname(one.authors) else ""
    alike = f"title alike ({score:.0f} of 100), {years}{author}"

    def asked(doubt: str) -> Verdict:
        return Verdict(f"{alike}; {doubt}", score, perhaps=True)

    same_words = _same_words(one, two)
    if not same_author(one, two):
        return asked("other first authors") if same_words and len(first.split()) >= LONG_TITLE else None
    if len(kinds) == 2 and kinds != {"paper", "preprint"}:
        return asked(_said_kinds(one, two)) if same_words else None
    mixed = len(kinds) == 2
    by_one = surname(one.authors) == surname(two.authors)
    if by_one and _one_holds_the_other(first, second):
        return asked("one title holds the other")
    if not same_words and _translated(one, two):
        reason = f"other words, same place: {years}{author}; a translated title?"
        return Verdict(reason, score, perhaps=True, place=True)
    if numbers(one.title) != numbers(two.title):
        return None
    if same_words:
        doubt = _doubt(one, two, mixed=mixed)
        if doubt is None:
            return None
        return asked(doubt) if doubt else Verdict(alike, max(score, LIKE_TITLE))
    replaced = other_words(first, second)
    if score >= PERHAPS_TITLE and not replaced:
        if score >= LIKE_TITLE and _doubt(one, two, mixed=mixed) is None:
            return None
        return asked("spelt otherwise or cut")
    if mixed and by_one and score >= PERHAPS_TITLE - 10:
        return asked("a preprint and a paper")
    return None


def _other_kinds(one: Citation, two: Citation) -> bool:
    """Whether title, journal or pages say that two records are reports of different kinds."""
    kinds = {title_kind(one), title_kind(two)}
    return len(kinds) == 2 and kinds != {"paper", "preprint"}


def _said_kinds(one: Citation, two: Citation) -> str:
    called = [f"'{text}'" for text in (two.report_kind, one.report_kind) if text]
    return f"by its source one is {' and one '.join(called)}" if called else "reports of two kinds"


def _same_words(one: Citation, two: Citation) -> bool:
    first, second = folded(one.title), folded(two.title)
    return first == second or first.replace(" ", "") == second.replace(" ", "")


def _pages_fit(one: Citation, two: Citation) -> bool:
    first, second = first_page(one), first_page(two)
    return not first or not second or first == second


def _doubt(one: Citation, two: Citation, *, mixed: bool) -> str | None:
    """Return why two records with one title may be two reports: "" if they are one, None if surely two."""
    if mixed:
        return "a preprint and a paper"
    dois = bool(one.doi and two.doi and one.doi != two.doi)
    pubmed = bool(one.pubmed_id and two.pubmed_id and one.pubmed_id != two.pubmed_id)
    journals = not same_journal(one.journal, two.journal)
    pages = not _pages_fit(one, two)
    volumes = bool(one.volume and two.volume and plain(one.volume) != plain(two.volume))
    if ((dois or pubmed) and (journals or pages)) or (journals and pages):
        return None  # two reports that differ in their identifier and their place, or in all of it, are two
    reasons = [
        words
        for holds, words in (
            (dois, "different DOIs"),
            (pubmed, "different PubMed numbers"),
            (journals, "different journals"),
            (volumes, "different volumes"),
            (pages, "different pages"),
            (years_apart(one, two) > 1, "years far apart"),
        )
        if holds
    ]
    return " and ".join(reasons)


def _one_holds_the_other(first: str, second: str) -> bool:
    """Whether the shorter title, of four words or more, is the beginning of the longer one."""
    shorter, longer = sorted((first.split(), second.split()), key=len)
    return len(shorter) >= 4 and len(longer) > len(shorter) and longer[: len(shorter)] == shorter


def _translated(one: Citation, two: Citation) -> bool:
    """Whether two records stand at the same place of the same volume, under titles of other words."""
    place_one, place_two = (one.volume, first_page(one)), (two.volume, first_page(two))
    return bool(
        all(place_one)
        and place_one == place_two
        and surname(one.authors)
        and surname(one.authors) == surname(two.authors)
        and years_apart(one, two) <= 1
        and same_journal(one.journal, two.journal)
    )
