"""How alike two search records are, and what kind of report each is.

A correction, a comment or a congress abstract is a report of its own: it is never merged with the paper that
it is about, however alike their titles. A preprint and its paper, a translated title and its original may be
the same report or not: a person says so.
"""

from __future__ import annotations

import itertools
import re
import unicodedata
from functools import lru_cache
from typing import Literal

from metakit.review.selection.citations import Citation

Kind = Literal["paper", "correction", "comment", "abstract", "preprint"]
LIKE_TITLE = 92.0
"""Of 100; common practice, no source: below it, pairs are different reports more often than not."""
PERHAPS_TITLE = 80.0
"""Of 100; from here on a person is asked (common practice, no source)."""
MISSPELT = 75.0
"""Of 100; two words less alike than this are two words (common practice, no source)."""

_CORRECTION = re.compile(
    r"^(?:author |publisher )?(?:erratum|errata|corrigend\w+|correction|addendum|retraction|retracted"
    r"|withdrawn|expression of concern)\b"
)
_COMMENT = re.compile(
    r"^(?:comment|comments|commentary|re|reply|in reply|author s reply|authors reply|author reply|response"
    r"|letter|letter to the editor|editorial|editorial comment|discussion|invited commentary)\b"
)
_ABSTRACT_HOME = re.compile(r"\b(?:abstracts?|congress|conference|meeting|proceedings|poster|symposium)\b")
_ABSTRACT_KIND = re.compile(r"\b(?:conference|meeting|congress|abst|conf|cpaper|poster)\b")
_PREPRINT_HOME = re.compile(r"\b(?:\w*rxiv|preprints?|research square|ssrn)\b")
_PREPRINT_DOI = ("10.1101/", "10.21203/", "10.2139/", "10.20944/")
_ROMAN = {"i": "1", "ii": "2", "iii": "3", "iv": "4", "v": "5"}
_SOUNDS = (("ue", "u"), ("oe", "o"), ("ae", "a"), ("ss", "s"))


def kind_of(citation: Citation) -> Kind:
    """Return what kind of report a record describes, by its title, its journal and what its source says."""
    return _kind(citation.title, citation.journal, citation.doi, citation.report_kind, citation.pages)


@lru_cache(maxsize=500_000)
def _kind(its_title: str, journal: str, doi: str, report_kind: str, pages: str) -> Kind:
    title = plain(its_title)
    if _CORRECTION.match(title):
        return "correction"
    if _COMMENT.match(title) and re.match(r"\s*[\w' ]+[:.\-]|.*\bon\b|.*\breply\b", its_title.casefold()):
        return "comment"
    home = plain(journal)
    if _PREPRINT_HOME.search(home) or doi.startswith(_PREPRINT_DOI):
        return "preprint"
    said = plain(report_kind)
    if _ABSTRACT_KIND.search(said) or _ABSTRACT_HOME.search(home) or re.match(r"(?i)s\d|e?poster", pages):
        return "abstract"
    return "paper"


@lru_cache(maxsize=500_000)
def plain(text: str) -> str:
    """Return the words of a text in small letters without accents and signs."""
    decomposed = unicodedata.normalize("NFKD", text.casefold())
    letters = (
        "".join(c for c in decomposed if not unicodedata.combining(c))
        .replace("\u00f8", "o")
        .replace("\u0142", "l")
    )
    return " ".join(re.findall(r"\w+", letters))


@lru_cache(maxsize=500_000)
def surname(authors: str) -> str:
    """Return the surname of the first author as it sounds: M\u00fcller, Mueller and Muller are one."""
    first = authors.split(";")[0]
    if "," in first:
        name = first.split(",")[0]
    else:
        words = first.split()
        # 'Quillmere AB' or 'Ada Quillmere': initials stand in capitals.
        initials = [word for word in words if word.isupper() and len(word) <= 3]
        full = [word for word in words if word not in initials]
        name = (full[-1] if full and not words[-1].isupper() else full[0]) if full else (words or [""])[0]
    found = plain(name)
    for written, heard in _SOUNDS:
        found = found.replace(written, heard)
    return found


def same_author(one: Citation, two: Citation) -> bool:
    """Whether first authors agree, or one is not given."""
    from rapidfuzz import fuzz

    first, second = surname(one.authors), surname(two.authors)
    return not first or not second or first == second or float(fuzz.ratio(first, second)) >= 85.0


def same_journal(one: str, two: str) -> bool:
    """Whether two names of a journal may be one: every word of the shorter begins a word of the longer."""
    first, second = plain(one).split(), plain(two).split()
    small = {"of", "the", "and", "for", "in", "de", "der", "und", "la", "le"}
    first, second = [w for w in first if w not in small], [w for w in second if w not in small]
    if not first or not second:
        return True
    shorter, longer = sorted((first, second), key=len)
    fits = sum(any(word.startswith(other) or other.startswith(word) for other in longer) for word in shorter)
    return fits >= max(1, len(shorter) - 1) and fits / len(shorter) > 0.6


def numbers(title: str) -> tuple[str, ...]:
    """Return the numbers of a title, sorted, with those of 'part II'."""
    words = plain(title).split()
    found = [word for word in words if word.isdigit()]
    found += [
        _ROMAN[word] for before, word in itertools.pairwise(words) if before == "part" and word in _ROMAN
    ]
    return tuple(sorted(found))


def other_words(one: str, two: str) -> bool:
    """Whether a word of one title is replaced by another word, rather than misspelt, in the other.

    Sister papers of one group ("grip after ...", "pain after ...") differ in just such a word.
    """
    from rapidfuzz import fuzz

    first, second = ({word for word in text.split() if not _is_number(word)} for text in (one, two))
    only_one, only_two = first - second, second - first
    return bool(only_two) and any(
        all(fuzz.ratio(word, other) < MISSPELT for other in only_two) for word in only_one
    )


def _is_number(word: str) -> bool:
    return word.isdigit() or word in _ROMAN


def years_apart(one: Citation, two: Citation) -> int:
    """Return by how many years two records differ; 0 where one has none."""
    return abs(one.year - two.year) if one.year and two.year else 0
