"""Finding the same report twice, with the reason shown; nothing is deleted, so every merge can be undone.

A merge is a row of `selection/removed.csv`; writing `no` under `stands` takes it back for good. Pairs that
may be the same report stand in the same table with `stands` left empty: `yes` makes the removal, `no` ends
the question.

First by identifier (DOI, PubMed number), then by likeness of title, year and first author; the rules stand in
`same_report.py`.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace

from metakit.forms.tree import Group
from metakit.review.selection.citations import Citation
from metakit.review.selection.likeness import first_page, plain, surname
from metakit.review.selection.same_report import YEARS_APART, Verdict, compare, with_identifier

PERHAPS = "perhaps_duplicate"
RAREST_WORDS = 5
"""Words of a title by which records are looked up; the rarest tell most apart."""
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
    """Return the record that stays, with its empty fields filled from those that repeat it.

    A title that goes on where that of the record ends takes its place.
    """
    empty = [name for name, value in asdict(citation).items() if value in ("", None)]
    filled = {
        name: next((value for other in others if (value := getattr(other, name)) not in ("", None)), None)
        for name in empty
    }
    short = plain(citation.title)
    longer = [other.title for other in others if plain(other.title).startswith(f"{short} ")]
    title = max((citation.title, *longer), key=len)
    return replace(
        citation, title=title, **{name: value for name, value in filled.items() if value is not None}
    )


def _match(
    citation: Citation,
    by_identifier: Mapping[tuple[str, str], Sequence[Citation]],
    by_block: Mapping[_Block, Sequence[Citation]],
    rarity: Mapping[str, int],
) -> Duplicate | None:
    """Return the surest earlier record that this one repeats, a certain one before one to ask about."""
    best: tuple[Citation, Verdict] | None = None
    for (kind, value), others in _shared(citation, by_identifier):
        for other in others:
            found = with_identifier(citation, other, kind, value)
            if found is not None and not found.perhaps:
                return _pair(citation, other, found)
            if found is not None:
                best = (other, found)
    seen: set[str] = set()
    year = citation.year
    years = (ANY_YEAR,) if year is None else (*range(year - YEARS_APART, year + YEARS_APART + 1), None)
    for block in ((*block, when) for block in _blocks(citation, rarity) for when in years):
        for other in by_block.get(block, ())[:LARGEST_BLOCK]:
            if other.citation_id in seen:
                continue
            seen.add(other.citation_id)
            found = compare(citation, other)
            if found is not None and (best is None or found.rank > best[1].rank):
                best = (other, found)
    return None if best is None else _pair(citation, *best)


def _pair(dropped: Citation, kept: Citation, found: Verdict) -> Duplicate:
    return Duplicate(
        kept=kept.citation_id, dropped=dropped.citation_id, reason=found.reason, score=found.score,
        perhaps=found.perhaps,
    )  # fmt: skip


def _shared(
    citation: Citation, known: Mapping[tuple[str, str], Sequence[Citation]]
) -> Iterator[tuple[tuple[str, str], Sequence[Citation]]]:
    for identifier in _identifiers(citation):
        if identifier in known:
            yield identifier, known[identifier]


def _identifiers(citation: Citation) -> Iterator[tuple[str, str]]:
    if citation.doi:
        yield "DOI", citation.doi
    if citation.pubmed_id:
        yield "PubMed number", citation.pubmed_id


def _blocks(citation: Citation, rarity: Mapping[str, int]) -> Iterator[tuple[str, str]]:
    """Give what records are looked up by: title, rare words, place; a record meets few others so."""
    title = plain(citation.title)
    yield "title", title.replace(" ", "")
    words = sorted(set(title.split()), key=lambda word: (rarity[word], word))
    rare = [word for word in words[:RAREST_WORDS] if rarity[word] <= LARGEST_BLOCK] or words[:1]
    for word in rare:
        yield "word", word
    if surname(citation.authors) and citation.volume and citation.pages:
        yield "place", f"{surname(citation.authors)} {citation.volume} {first_page(citation)}"
    yield "start", " ".join(title.split()[:4])
