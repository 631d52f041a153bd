"""Studies whose arms differ in more than is compared, told beside the answer and to its judges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from metakit.core.plans import ARM_OPTIONS, ComparisonPlan
from metakit.core.records import Arm
from metakit.core.written import listed
from metakit.forms.co_procedures import ArmParts, arm_parts, differences, in_most, shared
from metakit.forms.library import vocabulary
from metakit.synthesis.gathering.rows import StudyNumbers


@dataclass(frozen=True, slots=True, kw_only=True)
class CoProcedures:
    """What the two sides of one study differ in beside what is compared, and what both got."""

    study: str
    differ: tuple[str, ...]
    shared: tuple[str, ...]


def co_procedures(
    numbers: Sequence[StudyNumbers], comparison: ComparisonPlan | None
) -> tuple[CoProcedures, ...]:
    """Return, for each study of a comparison, what its sides differ in and share beside what is compared.

    Sides of several arms differ in whatever any pair of their arms differs in.
    """
    if comparison is None:
        return ()
    compared = {*comparison.options(1), *comparison.options(2)}
    found = []
    for study in numbers:
        if len(study.sides) != 2:
            continue
        first, second = ([_parts(part.arm) for part in side.arms] for side in study.sides)
        pairs = [(one, other) for one in first for other in second]
        differ = [_within(item.words) for one, other in pairs for item in differences(one, other, compared)]
        both = [{_within(words) for words in shared(one, other)} for one, other in pairs]
        found.append(
            CoProcedures(
                study=study.name,
                differ=tuple(dict.fromkeys(differ)),
                shared=tuple(sorted(set.intersection(*both))) if both else (),
            )
        )
    return tuple(found)


def _parts(arm: Arm) -> ArmParts:
    components = vocabulary("components").terms
    labels = {
        part: term.label for kind in ("components", *ARM_OPTIONS.values())
        for part in in_most(arm.partly_given, arm.thumbs) if (term := vocabulary(kind).terms.get(part))
    }  # fmt: skip
    options = {
        field: vocabulary(words).terms.get(getattr(arm, field)) for field, words in ARM_OPTIONS.items()
    }
    # A component that an option stands for (osteophytes removed) is told under the option alone.
    as_options = {
        term.facts.text("component") for words in ARM_OPTIONS.values() for term in vocabulary(words)
    }
    parts = [part for part in arm.components if part not in as_options]
    return arm_parts(
        vocabulary("techniques").terms.get(arm.technique),
        parts,
        components,
        options,
        labels,
        arm.immobilisation_weeks,
    )


def _within(words: str) -> str:
    """Write a label inside a sentence: lower case, but for abbreviations such as MP."""
    return words if words[:2].isupper() else words[:1].lower() + words[1:]


def differing_words(found: Sequence[CoProcedures]) -> str:
    """Say which studies' arms differ in what; "" where none do."""
    parts = [f"{item.study}: {listed(list(item.differ))}" for item in found if item.differ]
    if not parts:
        return ""
    where = "one study" if len(parts) == 1 else f"{len(parts)} studies"
    named = "; ".join(parts)
    return f"In {where} the arms differ in more than is compared ({named}); the answer may come from that."


def cancelling_notes(found: Sequence[CoProcedures]) -> tuple[str, ...]:
    """Say what both arms of a study got, so that it cancels."""
    both = {item.study: listed(list(item.shared)) for item in found if item.shared}
    return tuple(
        f"{name}: both arms had {parts}; it cancels in the comparison." for name, parts in both.items()
    )
