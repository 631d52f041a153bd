"""How a field is called, and what it accepts, in words for the person who fills it in."""

from __future__ import annotations

from metakit.core.nouns import nouns
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.specs import FieldSpec

SPELLINGS = {
    word.casefold(): word
    for word in (
        "CI", "CMC", "DASH", "DOI", "ICC", "IP", "IQR", "LRTI", "MCID", "MCP", "MP", "PubMed", "PRWE", "SD",
        "SE", "ST", "STT", "TMC", "VAS", "Eaton",
    )
}  # fmt: skip
"""Abbreviations and names by their lower-case spelling (common practice, no source)."""


def plain_words(name: str) -> str:
    """Return a name of a field or term as words: `mp_option` as 'MP option'.

    Parameters
    ----------
    name : str
        Name as forms and files write it, words joined by underscores.

    Returns
    -------
    str
        The words, apart; a word that `SPELLINGS` knows as it is written there, others unchanged.
    """
    return " ".join(SPELLINGS.get(word, word) for word in str(name).replace("_", " ").split(" "))


def begun(words: str) -> str:
    """Return words with a capital at their beginning, and nothing else changed: 'MP option' stays so."""
    return words[:1].upper() + words[1:]


def limits_words(spec: FieldSpec) -> str:
    """Say which numbers are possible and which are usual."""
    texts = []
    for word, low, high in (
        ("possible", spec.hard_minimum, spec.hard_maximum),
        ("usual", spec.soft_minimum, spec.soft_maximum),
    ):
        if low is not None and high is not None:
            texts.append(f"{word} {low:g} to {high:g}")
        elif low is not None or high is not None:
            texts.append(f"{word} from {low:g}" if low is not None else f"{word} up to {high:g}")
    return "; ".join(texts)


def entry_words(spec: FieldSpec) -> str:
    """Say in one paragraph what to enter: help, kind of value, limits, conditions."""
    kind = FIELD_TYPES[spec.type]
    what = kind.label if not spec.terms else ("several of the list" if kind.many else "choose from the list")
    parts = [
        spec.help,
        what + (", separated by semicolons; (none) for none" if kind.many else ""),
        limits_words(spec),
    ]
    if spec.required_when:
        wanted = (
            f"{c.field}{' ' + c.fact if c.fact else ''} is {' or '.join(c.values)}"
            for c in spec.required_when
        )
        parts.append(f"required when {' and '.join(wanted)}")
    told = ". ".join(
        part[0].upper() + part[1:] if "_" not in part.split()[0] else part for part in parts if part
    )
    return nouns().said(told)
