"""Finding the same report twice, with the reason shown; nothing is deleted, so every merge can be undone.

A merge is a row of `selection/removed.csv`; writing `no` under `stands` takes it back for good.

First by identifier (DOI, PubMed number), then by likeness of title, year and first author. Titles that differ
in a number ("part 1", "part 2", "2-year", "5-year") are never the same report, however alike their words.
"""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass

from metakit.forms.tree import Group
from metakit.review.selection.citations import Citation

LIKE_TITLE = (
    92.0  # of 100; common practice, no source: below it, pairs are different reports more often than not
)

MISSPELT = 75.0  # of 100; two words less alike than this are two words (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Duplicate:
    """`dropped` describes the same report as `kept`; `reason` says how that was seen."""

    kept: str
    dropped: str
    reason: str
    score: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Removal:
    """One record removed before screening, why, and whether that still stands."""

    citation_id: str
    because: str
    kept: str
    reason: str
    likeness: float | None
    stands: bool

    def row(self) -> dict[str, object]:
        """Return the removal as a row of its table."""
        return asdict(self)


def removal_of(group: Group) -> Removal:
    """Return a checked row of the table of removals."""
    return Removal(
        citation_id=group.text("citation_id"),
        because=group.text("because"),
        kept=group.text("kept"),
        reason=group.text("reason"),
        likeness=group.number("likeness"),
        stands=group.flag("stands") is not False,
    )


def removal_of_duplicate(duplicate: Duplicate) -> Removal:
    """Return a duplicate as a removal that stands."""
    return Removal(
        citation_id=duplicate.dropped,
        because="duplicate",
        kept=duplicate.kept,
        reason=duplicate.reason,
        likeness=round(duplicate.score, 1),
        stands=True,
    )


def find_duplicates(citations: Sequence[Citation]) -> tuple[Duplicate, ...]:
    """Return one row for each citation that repeats an earlier one, in the order of the citations.

    The earliest of a group is kept. Citations before = kept + rows returned.
    """
    kept: dict[str, Citation] = {}
    by_identifier: dict[tuple[str, str], Citation] = {}
    by_block: defaultdict[tuple[str, str], list[Citation]] = defaultdict(list)
    found = []
    for citation in citations:
        match = _by_identifier(citation, by_identifier) or _by_likeness(citation, by_block)
        if match is not None:
            found.append(match)
            original = kept[match.kept]
        else:
            original = kept[citation.citation_id] = citation
            for block in _blocks(citation):
                by_block[block].append(citation)
        for identifier in _identifiers(citation):  # a duplicate's own identifiers lead to the kept one too
            by_identifier.setdefault(identifier, original)
    return tuple(found)


def _by_identifier(citation: Citation, known: dict[tuple[str, str], Citation]) -> Duplicate | None:
    for kind, value in _identifiers(citation):
        other = known.get((kind, value))
        if other is not None:
            return Duplicate(
                kept=other.citation_id,
                dropped=citation.citation_id,
                reason=f"same {kind} {value}",
                score=100.0,
            )
    return None


def _by_likeness(citation: Citation, blocks: dict[tuple[str, str], list[Citation]]) -> Duplicate | None:
    from rapidfuzz import fuzz

    title = _plain(citation.title)
    best: tuple[float, Citation] | None = None
    seen = set()
    for block in _blocks(citation):
        for other in blocks.get(block, ()):
            if other.citation_id in seen:
                continue
            seen.add(other.citation_id)
            if _contradict(citation, other) or _other_words(title, _plain(other.title)):
                continue
            score = float(fuzz.token_sort_ratio(title, _plain(other.title)))
            if score >= LIKE_TITLE and (best is None or score > best[0]):
                best = (score, other)
    if best is None:
        return None
    score, other = best
    reason = f"title alike ({score:.0f} of 100), years {other.year or '?'} and {citation.year or '?'}"
    if _surname(citation):
        reason += f", first author {_surname(citation)}"
    return Duplicate(kept=other.citation_id, dropped=citation.citation_id, reason=reason, score=score)


def _contradict(one: Citation, two: Citation) -> bool:
    """Say whether identifiers, years (by more than one), first authors or numbers in the titles differ."""
    if one.doi and two.doi and one.doi != two.doi:
        return True
    if one.pubmed_id and two.pubmed_id and one.pubmed_id != two.pubmed_id:
        return True
    if one.year and two.year and abs(one.year - two.year) > 1:
        return True
    if _surname(one) and _surname(two) and _surname(one) != _surname(two):
        return True
    return _numbers(one.title) != _numbers(two.title)


def _other_words(one: str, two: str) -> bool:
    """Say whether a word of one title is replaced by another word, rather than misspelt, in the other.

    Sister papers of one group ("grip after ...", "pain after ...") differ in just such a word.
    """
    from rapidfuzz import fuzz

    first, second = ({word for word in text.split() if not _is_number(word)} for text in (one, two))
    only_one, only_two = first - second, second - first
    return bool(only_two) and any(
        all(fuzz.ratio(word, other) < MISSPELT for other in only_two) for word in only_one
    )


def _identifiers(citation: Citation) -> Iterator[tuple[str, str]]:
    if citation.doi:
        yield "DOI", citation.doi
    if citation.pubmed_id:
        yield "PubMed number", citation.pubmed_id


def _blocks(citation: Citation) -> Iterator[tuple[str, str]]:
    """Give the longest title words; only citations that share one are compared."""
    words = sorted(set(_plain(citation.title).split()), key=lambda word: (-len(word), word))[:4]
    for word in words:
        yield "word", word


def _plain(text: str) -> str:
    decomposed = unicodedata.normalize("NFKD", text.casefold())
    letters = "".join(c for c in decomposed if not unicodedata.combining(c))
    return " ".join(re.findall(r"\w+", letters))


def _surname(citation: Citation) -> str:
    first = citation.authors.split(";")[0]
    name = first.split(",")[0] if "," in first else (first.split() or [""])[0]
    return _plain(name)


_ROMAN = {"i": "1", "ii": "2", "iii": "3", "iv": "4", "v": "5"}


def _is_number(word: str) -> bool:
    return word.isdigit() or word in _ROMAN


def _numbers(title: str) -> list[str]:
    words = _plain(title).split()
    numbers = [word for word in words if word.isdigit()]
    numbers += [
        _ROMAN[word] for before, word in itertools.pairwise(words) if before == "part" and word in _ROMAN
    ]
    return sorted(numbers)
