"""How alike two search records are, and what kind of report each is.

A correction, a comment or a congress abstract is a report of its own: it is never merged with the paper that
it is about, however alike their titles. A preprint and its paper, a translated title and its original may be
the same report or not: a person says so.
"""

from __future__ import annotations

import html
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

_CORRECTED = r"(?:erratum|errata|corrigend\w+|correction|addendum|retraction|retracted|withdrawn|withdrawal)"
_CORRECTION = re.compile(
    rf"^(?:author |publisher )?{_CORRECTED}\b|^(?:expression of concern|notice of)\b|\b{_CORRECTED}$"
    r"|\bvol \w+ pg? \w+\b"
)
_ANSWERED = r"(?:reply|comments?|commentary|letter|discussion|response)"
_COMMENT = re.compile(
    rf"^(?:re|in reply|{_ANSWERED}|letter to the editor|to the editor|correspondence|editorial"
    r"|editorial comment\w*|invited \w+|author s \w+|authors? (?:reply|response))\b"
)
_COMMENT_END = re.compile(rf"[:\-\u2013\u2014.(\[]\s*(?:the |author'?s?'? |an? )?{_ANSWERED}\b[^:]{{0,30}}$")
_ABSTRACT_TITLE = re.compile(
    r"^(?:abstract|e?poster|oral presentation)\b[^:]{0,12}:|[\[(](?:abstract|e?poster)[\])]\W*$"
)
_ABSTRACT_HOME = re.compile(r"\b(?:abstracts?|congress|conference|meeting|proceedings|poster|symposium)\b")
_ABSTRACT_KIND = re.compile(r"\b(?:conference|meeting|congress|abst|conf|cpaper|poster)\b")
_PREPRINT_HOME = re.compile(r"\b(?:\w*rxiv|preprints?|research square|ssrn)\b")
_PREPRINT_DOI = ("10.1101/", "10.21203/", "10.2139/", "10.20944/")
_ROMAN = {"i": "1", "ii": "2", "iii": "3", "iv": "4", "v": "5"}
_NUMBER_WORDS = {
    word: str(number)
    for number, word in enumerate(
        ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"),
        start=1,
    )
}
_SOUNDS = (("ue", "u"), ("oe", "o"), ("ae", "a"), ("ss", "s"))


def kind_of(citation: Citation) -> Kind:
    """Return what kind of report a record describes, by its title and place, else as its source says."""
    said = title_kind(citation)
    return said if said != "paper" else _called(citation.report_kind)


def title_kind(citation: Citation) -> Kind:
    """Return what kind of report a record describes, by its title, its journal and its pages alone."""
    return _kind(citation.title, citation.journal, citation.doi, citation.pages)


@lru_cache(maxsize=500_000)
def _kind(its_title: str, journal: str, doi: str, pages: str) -> Kind:
    title, small = plain(its_title), its_title.casefold()
    if _CORRECTION.search(title):
        return "correction"
    begins = _COMMENT.match(title) and re.match(
        r"\s*[\w'\u2019 ]+[:.\-]|.*\b(?:on|to|regarding)\b|.*\breply\b", small
    )
    if begins or _COMMENT_END.search(small):
        return "comment"
    home = plain(journal)
    if _PREPRINT_HOME.search(home) or doi.startswith(_PREPRINT_DOI):
        return "preprint"
    if _ABSTRACT_TITLE.search(small) or _ABSTRACT_HOME.search(home) or re.match(r"(?i)s\d|e?poster", pages):
        return "abstract"
    return "paper"


@lru_cache(maxsize=10_000)
def _called(report_kind: str) -> Kind:
    said = plain(report_kind)
    if re.search(rf"\b{_CORRECTED}\b", said):
        return "correction"
    if re.search(r"\b(?:comment|letter|editorial|news)\b", said):
        return "comment"
    if re.search(r"\bpreprint\b", said):
        return "preprint"
    return "abstract" if _ABSTRACT_KIND.search(said) else "paper"


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
def folded(title: str) -> str:
    """Return the words of a title, British and American spellings, numbers in words and markup made one."""
    words = plain(re.sub(r"<[^<>]{1,20}>", "", html.unescape(title))).split()
    parts = {at + 1 for at, word in enumerate(words) if word == "part"}
    return " ".join(
        _ROMAN[word] if at in parts and word in _ROMAN else _folded(word) for at, word in enumerate(words)
    )


def _folded(word: str) -> str:
    if word in _NUMBER_WORDS:
        return _NUMBER_WORDS[word]
    word = word.replace("ae", "e").replace("oe", "e")
    word = re.sub(r"(?<=\w{3})ys(e|ed|es|er|ing)$", r"yz\1", word)
    word = re.sub(r"(?<=\w{3})is(e|ed|es|er|ing|ation|ations)$", r"iz\1", word)
    word = re.sub(r"^(\w{3,}[td])re(s?)$", r"\1er\2", word)
    return re.sub(r"^(\w{3,})our(s|ed|al)?$", r"\1or\2", word)


def first_page(citation: Citation) -> str:
    """Return the first page of a report, without letters before it."""
    digits = citation.pages.replace("\u2013", "-").split("-")[0].strip().casefold()
    return digits.lstrip("pe. ")


@lru_cache(maxsize=500_000)
def surname(authors: str) -> str:
    """Return the surname of the first author as it sounds: M\u00fcller, Mueller and Muller are one."""
    found = family_name(authors)
    for written, heard in _SOUNDS:
        found = found.replace(written, heard)
    return found


def family_name(authors: str) -> str:
    """Return the surname of the first author in small letters without accents."""
    first = authors.split(";")[0]
    if "," in first:
        name = first.split(",")[0]
    else:
        words = first.split()
        # 'Quillmere AB' or 'Ada Quillmere': initials stand in capitals.
        initials = [word for word in words if word.isupper() and len(word) <= 3]
        full = [word for word in words if word not in initials]
        name = (full[-1] if full and not words[-1].isupper() else full[0]) if full else (words or [""])[0]
    return plain(name)


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
    """Return the numbers of a title, sorted, with those in words and of 'part II'."""
    words = plain(title).split()
    found = [_NUMBER_WORDS.get(word, word) for word in words if word.isdigit() or word in _NUMBER_WORDS]
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
    return word.isdigit() or word in _ROMAN or word in _NUMBER_WORDS


def years_apart(one: Citation, two: Citation) -> int:
    """Return by how many years two records differ; 0 where one has none."""
    return abs(one.year - two.year) if one.year and two.year else 0
