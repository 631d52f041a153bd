"""Definitions met in an analysis: never pooled in silence."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.written import listed
from metakit.synthesis.answers import DefinitionFound
from metakit.synthesis.gathering.eligible import values_of
from metakit.synthesis.gathering.rows import Candidate, StudyNumbers
from metakit.synthesis.terms import UNSTATED, OutcomeTerm, definition_label


def definitions_found(candidates: Sequence[Candidate], term: OutcomeTerm) -> tuple[DefinitionFound, ...]:
    """List the mapped definitions that the reports of an analysis use, each with the authors' own words."""
    words: dict[str, dict[tuple[str, str], None]] = {}
    for candidate in candidates:
        for arm in (arm for side in candidate.sides for arm in side):
            for value in values_of(candidate.study, arm, term.id):
                if value.reporting in {"reported", "reported_zero"}:
                    key = "" if value.definition in UNSTATED else value.definition
                    words.setdefault(key, {})[candidate.name, value.author_definition] = None
    return tuple(
        DefinitionFound(
            definition=definition,
            label=definition_label(definition),
            fits=term.accepts(definition),
            author_words=tuple(found),
        )
        for definition, found in words.items()
    )


def definition_notes(numbers: Sequence[StudyNumbers]) -> tuple[str, ...]:
    """Say in one sentence when studies of different mapped definitions stand in one pool."""
    by_label: dict[str, list[str]] = {}
    for study in numbers:
        labels = dict.fromkeys(definition_label(value.definition) for value in study.values)
        by_label.setdefault(" / ".join(labels), []).append(study.name)
    if len(by_label) < 2:
        return ()
    parts = [f"“{label}” in {', '.join(names)}" for label, names in by_label.items()]
    return (
        f"The studies do not define this outcome alike: {listed(parts)}. They are pooled as the outcome of "
        f"the review; "
        "the table of other choices shows each definition alone.",
    )
