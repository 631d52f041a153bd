"""What an operation is made of: a technique's name and the parts listed beside it, as one set."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from metakit.forms.specs import Term


def expand(technique: Term | None, listed: Iterable[str]) -> tuple[str, ...]:
    """Return the components that a technique always means, then those listed, each once."""
    named = technique.facts.words("components") if technique else ()
    return tuple(dict.fromkeys((*named, *listed)))


def open_groups(
    technique: Term, listed: Iterable[str], components: Mapping[str, Term], fact: str
) -> tuple[str, ...]:
    """Return the component groups that a technique's name leaves open and no listed part answers.

    Parameters
    ----------
    technique : Term
        The technique.
    listed : iterable of str
        Components of the record.
    components : mapping of str to Term
        The vocabulary of components.
    fact : str
        'choose' (must be named) or 'ask' (should be named).
    """
    answered = {components[part].facts.text("group") for part in listed if part in components}
    return tuple(group for group in technique.facts.words(fact) if group not in answered)


def parts_of_group(group: str, components: Mapping[str, Term]) -> tuple[str, ...]:
    """Return the components of a group."""
    return tuple(term.id for term in components.values() if term.facts.text("group") == group)


def clashes(parts: Iterable[str], components: Mapping[str, Term]) -> list[tuple[str, str]]:
    """Return the pairs of components that cannot stand in the same thumb."""
    present = list(parts)
    return [
        (part, other)
        for part in present
        if part in components
        for other in components[part].facts.words("excludes")
        if other in present
    ]
