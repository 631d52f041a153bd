"""The sources of trouble with their options, findings and outcomes, as the vocabularies name them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from metakit.core.effects import EffectTable
from metakit.core.plans import ARM_OPTIONS, ComparisonPlan
from metakit.core.records import Arm, StudyRecord
from metakit.core.results import PoolResult
from metakit.errors import NotEstimableError
from metakit.forms.library import vocabulary
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A source of trouble: id and label of the cause, the attribute of an arm that says what was done.

    `outcomes` tell of it, `judged_by` are those by which its options are held against each other; `caution`
    is to be borne in mind beside its numbers.
    """

    id: str
    label: str
    kind: str
    outcomes: tuple[str, ...] = ()
    judged_by: tuple[str, ...] = ()
    caution: str = ""

    @property
    def options(self) -> tuple[tuple[str, str, str], ...]:
        """Id, label and what was done (`treated` or `left`) of each option."""
        terms = vocabulary(ARM_OPTIONS[self.kind])
        return tuple(
            (term.id, term.label, term.facts.text("done"))
            for term in terms
            if term.facts.text("done") in ("treated", "left")
        )

    def done(self, arm: Arm) -> str:
        """Return what was done in an arm: `treated`, `left`, `normal` or `not_reported`."""
        terms = vocabulary(ARM_OPTIONS[self.kind])
        option = getattr(arm, self.kind)
        return terms[option].facts.text("done") if option in terms else "not_reported"

    def asked_by(self, comparison: ComparisonPlan) -> bool:
        """Say whether a comparison is about the options of this source."""
        return comparison.of_options and bool(comparison.options(1).get(self.kind))


def sources() -> tuple[Source, ...]:
    """Return the sources of trouble that an operation can deal with the first time."""
    kinds = {_source_of(kind): kind for kind in ARM_OPTIONS}
    return tuple(
        Source(
            id=term.id,
            label=term.label,
            kind=kinds[term.id],
            outcomes=term.facts.words("outcomes"),
            judged_by=term.facts.words("options_judged_by"),
            caution=term.facts.text("caution"),
        )
        for term in vocabulary("return_causes")
        if term.facts.flag("source_of_trouble") and term.id in kinds
    )


def general_outcomes() -> tuple[str, ...]:
    """Return the columns of the map of evidence beside those of a source's own."""
    places = {term.id: term.facts.integer("map_column") for term in vocabulary("outcomes")}
    return tuple(sorted((name for name in places if places[name]), key=lambda name: places[name] or 0))


def _source_of(kind: str) -> str:
    return next(
        (term.facts.text("source") for term in vocabulary(ARM_OPTIONS[kind]) if term.facts.text("source")), ""
    )


def pooled_proportion(
    counts: Sequence[tuple[str, float, float]], level: float = 0.95
) -> tuple[PoolResult | None, str]:
    """Pool thumbs of thumbs over studies (name, thumbs, total); the reason where it cannot be done."""
    return _pooled(tuple(counts), level)


@lru_cache(maxsize=256)
def _pooled(counts: tuple[tuple[str, float, float], ...], level: float) -> tuple[PoolResult | None, str]:
    table = _table(counts)
    try:
        return pool(table, level=level, beside=False), ""
    except NotEstimableError as error:
        return None, str(error)


def _table(counts: Sequence[tuple[str, float, float]]) -> EffectTable:
    columns: Mapping[str, Sequence[object]] = {
        "study": [name for name, _, _ in counts],
        "events": [events for _, events, _ in counts],
        "total": [total for _, _, total in counts],
    }
    return effect_sizes(columns, measure="proportion", effective_numbers=True, rows_differ=True)


def usable_arms(study: StudyRecord) -> tuple[Arm, ...]:
    """Return the arms whose technique is told apart."""
    return tuple(arm for arm in study.arms if not arm.mixed)
