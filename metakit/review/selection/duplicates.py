"""Finding the same report twice, with the reason shown; nothing is deleted, so every merge can be undone.

A merge is a row of `selection/removed.csv`; writing `no` under `stands` takes it back for good. Pairs that
may be the same report stand in the same table with `stands` left empty: `yes` makes the removal, `no` ends
the question.

First by identifier (DOI, PubMed number), then by likeness of title, year and first author. Titles that differ
in a number ("part 1", "part 2", "2-year", "5-year") are never the same report, however alike their words.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace

from metakit.forms.tree import Group
from metakit.review.selection.citations import Citation
from metakit.review.selection.likeness import (
    LIKE_TITLE,
    PERHAPS_TITLE,
    kind_of,
    numbers,
    other_words,
    plain,
    same_author,
    same_journal,
    surname,
    years_apart,
)

PERHAPS = "perhaps_duplicate"
RAREST_WORDS = 5
"""Words of a title by which records are looked up; the rarest tell most apart."""
YEARS_APART = 2
"""Years between two records of one report at most."""
ANY_YEAR = 0
_Block = tuple[str, str, int | None]
LARGEST_BLOCK = 200
"""A word in more titles than this is looked up only for titles that have no rarer one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Duplicate:
    """`dropped` describes the same report as `kept`, or perhaps does; `reason` says how that was seen."""

    kept: str
    dropped: str
    reason: str
    score: float
    perhaps: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Removal:
    """One record removed before screening, why, and whether that still stands.

    `asked` says that nobody has decided yet whether the two are one report; such a row does not stand.
    """

    citation_id: str
    because: str
    kept: str
    reason: str
    likeness: float | None
    stands: bool
    asked: bool = False
    title: str = ""
    kept_title: str = ""

    def row(self) -> dict[str, object]:
        """Return the removal as a row of its table."""
        row = asdict(self)
        del row["asked"]
        return row | {"stands": None if self.asked else self.stands}


def removal_of(group: Group) -> Removal:
    """Return a checked row of the table of removals."""
    stands = group.flag("stands")
    perhaps = group.text("because") == PERHAPS
    return Removal(
        citation_id=group.text("citation_id"),
        because="duplicate" if perhaps and stands else group.text("because"),
        kept=group.text("kept"),
        reason=group.text("reason"),
        likeness=group.number("likeness"),
        stands=stands is True if perhaps else stands is not False,
        asked=perhaps and stands is None,
        title=group.text("title"),
        kept_title=group.text("kept_title"),
    )


def removal_of_duplicate(duplicate: Duplicate, titles: Mapping[str, str] | None = None) -> Removal:
    """Return a duplicate as a removal that stands, or as a question."""
    known = titles or {}
    return Removal(
        citation_id=duplicate.dropped,
        because=PERHAPS if duplicate.perhaps else "duplicate",
        kept=duplicate.kept,
        reason=duplicate.reason,
        likeness=round(duplicate.score, 1),
        stands=not duplicate.perhaps,
        asked=duplicate.perhaps,
        title=known.get(duplicate.dropped, ""),
        kept_title=known.get(duplicate.kept, ""),
    )


def find_duplicates(
    citations: Sequence[Citation], *, progress: Callable[[str], None] | None = None
) -> tuple[Duplicate, ...]:
    """Return one row for each citation that repeats an earlier one, or perhaps does, in their order.

    The earliest of a group is kept. Citations before = kept + rows returned that are not `perhaps`.
    """
    rarity = Counter(word for citation in citations for word in set(plain(citation.title).split()))
    kept: dict[str, Citation] = {}
    by_identifier: dict[tuple[str, str], list[Citation]] = defaultdict(list)
    by_block: defaultdict[_Block, list[Citation]] = defaultdict(list)
    found = []
    for number, citation in enumerate(citations):
        if progress is not None and number % 1_000 == 0:
            progress(f"comparing records: {number:,} of {len(citations):,}")
        match = _match(citation, by_identifier, by_block, rarity)
        if match is not None:
            found.append(match)
        if match is not None and not match.perhaps:
            original = kept[match.kept]
        else:
            original = kept[citation.citation_id] = citation
            for block in _blocks(citation, rarity):
                by_block[(*block, citation.year)].append(citation)
                by_block[(*block, ANY_YEAR)].append(citation)
        for identifier in _identifiers(citation):  # a duplicate's own identifiers lead to the kept one too
            if original not in by_identifier[identifier]:
                by_identifier[identifier].append(original)
    return tuple(found)


def completed(citation: Citation, others: Sequence[Citation]) -> Citation:
    """Return the record that stays with its empty fields filled from those that repeat it."""
    empty = [name for name, value in asdict(citation).items() if value in ("", None)]
    filled = {
        name: next((value for other in others if (value := getattr(other, name)) not in ("", None)), None)
        for name in empty
    }
    return replace(citation, **{name: value for name, value in filled.items() if value is not None})


def _match(
    citation: Citation,
    by_identifier: Mapping[tuple[str, str], Sequence[Citation]],
    by_block: Mapping[_Block, Sequence[Citation]],
    rarity: Mapping[str, int],
) -> Duplicate | None:
    """Return the surest earlier record that this one repeats, a certain one before one to ask about."""
    best: Duplicate | None = None
    for (kind, value), others in _shared(citation, by_identifier):
        for other in others:
            if same_report(citation, other):
                return _pair(citation, other, f"same {kind} {value}", 100.0)
            if {kind_of(citation), kind_of(other)} == {"paper"}:
                reason = f"same {kind} {value}, other title; the parts of a supplement share one"
                best = _pair(citation, other, reason, 0.0, perhaps=True)
    seen: set[str] = set()
    year = citation.year
    years = (ANY_YEAR,) if year is None else (*range(year - YEARS_APART, year + YEARS_APART + 1), None)
    for block in ((*block, when) for block in _blocks(citation, rarity) for when in years):
        for other in by_block.get(block, ())[:LARGEST_BLOCK]:
            if other.citation_id in seen:
                continue
            seen.add(other.citation_id)
            found = compare(citation, other)
            if found is not None and (
                best is None or (not found.perhaps, found.score) > (not best.perhaps, best.score)
            ):
                best = found
    return best


def _shared(
    citation: Citation, known: Mapping[tuple[str, str], Sequence[Citation]]
) -> Iterator[tuple[tuple[str, str], Sequence[Citation]]]:
    for identifier in _identifiers(citation):
        if identifier in known:
            yield identifier, known[identifier]


def same_report(one: Citation, two: Citation) -> bool:
    """Whether two records with one identifier describe one report: a supplement's reports share its DOI."""
    from rapidfuzz import fuzz

    kinds = {kind_of(one), kind_of(two)}
    if len(kinds) == 2 and kinds & {"correction", "comment"}:
        return False
    if numbers(one.title) != numbers(two.title):
        return False
    first, second = plain(one.title), plain(two.title)
    return float(fuzz.token_set_ratio(first, second)) >= PERHAPS_TITLE or _translated(one, two)


def compare(one: Citation, two: Citation) -> Duplicate | None:
    """Compare two records without a shared identifier.

    Returns
    -------
    Duplicate or None
        `perhaps` where a person should look; None where they are different reports.
    """
    from rapidfuzz import fuzz

    kinds = {kind_of(one), kind_of(two)}
    mixed = kinds == {"paper", "preprint"}
    if (len(kinds) == 2 and not mixed) or not same_author(one, two) or years_apart(one, two) > YEARS_APART:
        return None
    first, second = plain(one.title), plain(two.title)
    apart = numbers(one.title) != numbers(two.title)
    score = float(fuzz.token_sort_ratio(first, second, score_cutoff=PERHAPS_TITLE - 20))
    years = f"years {two.year or '?'} and {one.year or '?'}"
    author = f", first author {surname(one.authors)}" if surname(one.authors) else ""
    alike = f"title alike ({score:.0f} of 100), {years}{author}"
    if apart:
        return None
    replaced = other_words(first, second)
    if score >= LIKE_TITLE and not replaced:
        doubt = _doubt(one, two, mixed=mixed)
        if doubt is not None:
            return _pair(one, two, f"{alike}; {doubt}" if doubt else alike, score, perhaps=bool(doubt))
        return None
    if score >= PERHAPS_TITLE and not replaced:
        return _pair(one, two, f"{alike}; spelt otherwise or cut", score, perhaps=True)
    if mixed and score >= PERHAPS_TITLE - 10 and surname(one.authors) == surname(two.authors):
        return _pair(one, two, f"{alike}; a preprint and a paper", score, perhaps=True)
    if _one_holds_the_other(first, second) and surname(one.authors) == surname(two.authors):
        return _pair(one, two, f"{alike}; one title holds the other", score, perhaps=True)
    if _translated(one, two):
        return _pair(
            one, two, f"other words, same place: {years}{author}; a translated title?", score, perhaps=True
        )
    return None


def _doubt(one: Citation, two: Citation, *, mixed: bool) -> str | None:
    """Return why two records with one title may be two reports: "" if they are one, None if surely two."""
    if mixed:
        return "a preprint and a paper"
    dois = bool(one.doi and two.doi and one.doi != two.doi)
    pubmed = bool(one.pubmed_id and two.pubmed_id and one.pubmed_id != two.pubmed_id)
    journals = not same_journal(one.journal, two.journal)
    pages = bool(_first_page(one) and _first_page(two) and _first_page(one) != _first_page(two))
    if (dois or pubmed) and (journals or pages):
        return None  # two reports that differ in their identifier and their place are two reports
    reasons = [
        words
        for holds, words in (
            (dois, "different DOIs"),
            (pubmed, "different PubMed numbers"),
            (journals, "different journals"),
            (pages, "different pages"),
            (years_apart(one, two) > 1, "years far apart"),
        )
        if holds
    ]
    return " and ".join(reasons)


def _first_page(citation: Citation) -> str:
    digits = citation.pages.replace("\u2013", "-").split("-")[0].strip().casefold()
    return digits.lstrip("pe. ")


def _one_holds_the_other(first: str, second: str) -> bool:
    """Whether the shorter title, of four words or more, is the beginning of the longer one."""
    shorter, longer = sorted((first.split(), second.split()), key=len)
    return len(shorter) >= 4 and len(longer) > len(shorter) and longer[: len(shorter)] == shorter


def _translated(one: Citation, two: Citation) -> bool:
    """Whether two records stand at the same place of the same volume, under titles of other words."""
    place_one, place_two = (one.volume, _first_page(one)), (two.volume, _first_page(two))
    return bool(
        all(place_one)
        and place_one == place_two
        and surname(one.authors)
        and surname(one.authors) == surname(two.authors)
        and years_apart(one, two) <= 1
        and same_journal(one.journal, two.journal)
    )


def _pair(
    dropped: Citation, kept: Citation, reason: str, score: float, *, perhaps: bool = False
) -> Duplicate:
    return Duplicate(
        kept=kept.citation_id, dropped=dropped.citation_id, reason=reason, score=score, perhaps=perhaps
    )


def _identifiers(citation: Citation) -> Iterator[tuple[str, str]]:
    if citation.doi:
        yield "DOI", citation.doi
    if citation.pubmed_id:
        yield "PubMed number", citation.pubmed_id


def _blocks(citation: Citation, rarity: Mapping[str, int]) -> Iterator[tuple[str, str]]:
    """Give what records are looked up by: title, rare words, place; a record meets few others so."""
    title = plain(citation.title)
    yield "title", title
    words = sorted(set(title.split()), key=lambda word: (rarity[word], word))
    rare = [word for word in words[:RAREST_WORDS] if rarity[word] <= LARGEST_BLOCK] or words[:1]
    for word in rare:
        yield "word", word
    if surname(citation.authors) and citation.volume and citation.pages:
        yield "place", f"{surname(citation.authors)} {citation.volume} {_first_page(citation)}"
    yield "start", " ".join(title.split()[:4])
