"""What the vocabularies say about an outcome, its definitions and a technique, ready for the analysis."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from metakit.forms.library import forgotten_with_forms, vocabulary
from metakit.measures.registry import Measure

UNSTATED = {"", "not_reported"}


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeTerm:
    """An outcome of the vocabulary.

    `better` says which direction is good for the patient; `definitions` are the mapped definitions under
    which a report may count it; `parts` the narrower outcomes that it includes; `one` and `several` name what
    can be counted in one word.
    """

    id: str
    label: str
    definition: str
    kind: str
    family: str
    better: str
    unit: str
    surrogate: bool
    definitions: tuple[str, ...]
    parts: tuple[str, ...]
    one: str = ""
    several: str = ""

    def accepts(self, definition: str) -> bool:
        """Say whether a mapped definition belongs to the outcome; one that is not stated does."""
        return definition in UNSTATED or definition == self.id or definition in self.definitions

    def includes(self, outcome: str) -> bool:
        """Say whether another outcome is a part of this one."""
        return outcome in self.parts


@cache
def outcome_term(outcome: str) -> OutcomeTerm:
    """Return an outcome of the shipped vocabulary.

    Raises
    ------
    UnknownNameError
        With the nearest names.
    """
    outcomes = vocabulary("outcomes")
    term = outcomes[outcome]
    unit = term.facts.text("unit")
    unit_label = vocabulary("units")[unit].label if unit else ""
    return OutcomeTerm(
        id=term.id,
        label=term.label,
        definition=term.definition,
        kind=term.facts.text("kind"),
        family=term.facts.text("family"),
        better=term.facts.text("better"),
        unit=f"points ({unit_label})" if unit_label[:1].isdigit() else unit_label,
        surrogate=bool(term.facts.flag("surrogate")),
        one=term.facts.text("one"),
        several=term.facts.text("several"),
        definitions=tuple(
            entry.id for entry in vocabulary("definitions") if outcome in entry.facts.words("for_outcomes")
        ),
        parts=tuple(entry.id for entry in outcomes if outcome in entry.facts.words("within")),
    )


forgotten_with_forms(outcome_term.cache_clear)


def definition_label(definition: str) -> str:
    """Write a mapped definition in words; it may be an entry of its own or the id of an outcome."""
    if definition in UNSTATED:
        return "definition not stated"
    for name in ("definitions", "outcomes"):
        terms = vocabulary(name)
        if definition in terms:
            return terms[definition].label
    return definition


def implants_that_wear(techniques: Iterable[str]) -> bool:
    """Say whether some of these techniques leave an implant whose wear shows late."""
    terms = vocabulary("techniques")
    return any(name in terms and terms[name].facts.flag("implant_wears") for name in techniques)


def label_of(kind: str, term: str) -> str:
    """Return the label of a term of a vocabulary ('techniques', 'study_designs'), the id if it has none."""
    terms = vocabulary(kind)
    return terms[term].label if term in terms and terms[term].label else term.replace("_", " ")


def lower_is_better(term: OutcomeTerm, measure: Measure) -> bool | None:
    """Say whether smaller values of a measure of this outcome are good for patients; None where unknown."""
    if term.kind == "survival":
        return measure.larger_means == "more"  # a lower hazard is a longer survival
    lower = {"lower": True, "higher": False}.get(term.better)
    return lower if lower is None or measure.larger_means == "more" else not lower
