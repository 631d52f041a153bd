"""How the records were made: who typed them, how well two people agreed, and how they settled the rest."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from metakit.core.written import count, listed
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.review.extraction import Extraction
from metakit.review.reconciling.agreement_words import overall_words
from metakit.review.reconciling.reconcile_decisions import OTHER, in_words, typed_by_each


def build(page: Page) -> Content | None:
    """Return what was typed by whom, the agreement, and every decision."""
    findings = page.findings
    if not findings.studies:
        return None
    made = findings.extraction
    return {
        "sentences": list(_sentences(made)),
        "warnings": list(_warnings(made, findings.names)),
        "fields": [field for field in made.fields if field.same < field.n],
        "perfect": sum(field.same == field.n for field in made.fields),
        "field_words": in_words,
        "decisions": [_decision(found, findings.names) for found in made.decisions],
    }


def _sentences(made: Extraction) -> Iterable[str]:
    total = len(made.reconciled) + len(made.declared) + len(made.not_agreed)
    if made.reconciled:
        yield (
            f"{len(made.reconciled)} of {count(total, 'record')} were typed by two extractors each, compared "
            f"field by field and agreed ({listed(list(made.people))}); the history of the agreement is kept."
            if made.people
            else f"{len(made.reconciled)} of {count(total, 'record')} were agreed by two extractors; the "
            "history of the agreement is kept, the extractors' own records are not."
        )
    else:
        yield f"None of {count(total, 'record')} was reconciled here from two extractors' records."
    overall = made.overall
    if overall is not None and overall.n:
        yield f"Before anything was settled: {overall_words(made.fields, overall)}."
    elif made.not_compared:
        yield f"How well two people agreed is not known: {made.not_compared}."
    if made.decisions:
        people = list(dict.fromkeys(str(found["decided_by"]) for found in made.decisions))
        yield (
            f"{count(len(made.decisions), 'disagreement')} "
            f"{'was' if len(made.decisions) == 1 else 'were'} settled, each with a reason, by "
            f"{'; by '.join(people)}."
        )


def _warnings(made: Extraction, names: Mapping[str, str]) -> Iterable[str]:
    def shown(studies: Sequence[str]) -> str:
        return listed([names.get(study, study) for study in studies])

    if made.single:
        yield f"Typed by one person only: {shown(made.single)}. Every answer with such a record says so."
    if made.unreconciled:
        yield (
            f"Typed by two people who have not agreed yet: {shown(made.unreconciled)}. Every answer with "
            f"such a record says so; 'metakit reconcile' compares them."
        )
    if made.declared:
        yield (
            f"Said to be agreed by two people, but without a reconciliation in the history: "
            f"{shown(made.declared)}."
        )
    for study, people in made.waiting.items():
        yield f"{study} was typed by {listed(list(people))} and waits to be agreed; it is in no answer."


def _decision(found: Mapping[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    typed = typed_by_each(found)
    decision = str(found["decision"])
    settled = str(found["other_value"]) if decision == OTHER else typed.get(decision, "")
    said = f"{settled} ({decision})" if settled else decision
    return {
        "study": names.get(str(found["study"]), str(found["study"])),
        "what": in_words(str(found["field"])),
        "typed": list(typed.items()),
        "settled": said,
        "by": found["decided_by"],
        "on": found["decided_on"],
        "why": found["reason"],
    }


SECTIONS.add(
    Section(name="extraction", title="How the records were made", template="extraction.html.j2", build=build)
)
