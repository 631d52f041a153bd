"""How well two extractors agree, field by field and overall, worst first."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.limits import Limits
from metakit.forms.tree import MISSING_CODES
from metakit.review.reconciling.agreement import (
    CategoryAgreement,
    NumberAgreement,
    category_agreement,
    number_agreement,
)
from metakit.review.reconciling.reconcile_compared import Compared, Kind

FEWEST_STUDIES = 5
BLANK = "(blank)"
NOT_ON_THE_LIST = frozenset((BLANK, *MISSING_CODES))
"""What stands in a choice beside the terms of its list."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldAgreement:
    """Agreement on one field over all studies; numbers of scored outcomes are kept apart by outcome.

    Of kind entry, `n` are the entries that anybody typed, `same` those that both typed. `identifies` marks
    what says which arm is which.
    """

    field: str
    topic: str
    kind: Kind
    n: int
    same: int
    categories: CategoryAgreement | None = None
    numbers: NumberAgreement | None = None
    identifies: bool = False

    @property
    def proportion_same(self) -> float:
        """Share of the values that are the same."""
        return self.same / self.n


@dataclass(frozen=True, slots=True, kw_only=True)
class OverallAgreement:
    """Agreement on everything typed; whole entries count by their fields.

    `kappa` is the mean of the fields' kappas, weighted by their numbers of values (Barlow, Lai & Azen 1991,
    Stat Med 10:1465; from memory); fields without a defined kappa are left out. None
    without any. Its interval comes from leaving out one study at a time (jackknife with a t quantile; Efron &
    Tibshirani 1993, An Introduction to the Bootstrap, chapter 11; from memory), since the values of one study
    are no independent trials and most fields agree everywhere, where a field's own error is zero. None with
    fewer than five studies, or when no study makes a difference.
    """

    n: int
    same: int
    kappa: float | None
    kappa_interval: Limits | None
    fields_in_kappa: int
    level: float = 0.95


def field_agreements(items: Sequence[Compared]) -> tuple[FieldAgreement, ...]:
    """Return the agreement on each field, the worst first.

    Choices get kappa with its interval and the prevalence-adjusted kappa, where nothing typed counts as a
    category of its own, as does a code such as not_reported that somebody typed; the adjusted kappa takes all
    answers of the form's list as possible, or those typed where several may be chosen. Numbers get the share
    that is the same and, where both typed one, limits of agreement. An entry that only one person typed
    counts as an entry, and with each of its fields.
    """
    groups: dict[tuple[str, str], list[Compared]] = {}
    for item in with_parts(items):
        topic = item.topic if item.kind == "number" else ""
        groups.setdefault((item.field, topic), []).append(item)
    found = [_field(field, topic, group) for (field, topic), group in groups.items()]
    return tuple(sorted(found, key=lambda one: (one.proportion_same, -one.n, one.field, one.topic)))


def with_parts(items: Sequence[Compared]) -> Iterator[Compared]:
    """Give everything compared, the fields of entries that only one person typed among it."""
    for item in items:
        if item.kind != "recognition":
            yield item
        yield from item.parts


def _field(field: str, topic: str, items: Sequence[Compared]) -> FieldAgreement:
    kind = items[0].kind
    categories = numbers = None
    if kind == "choice":
        pairs = [_pair(item) for item in items]
        choices = max(item.choices for item in items)
        beside = {answer for pair in pairs for answer in pair} & NOT_ON_THE_LIST
        categories = category_agreement(
            [one for one, _ in pairs],
            [two for _, two in pairs],
            choices=choices + len(beside) if choices else None,
        )
    if kind == "number":
        both = [
            (item.first.number, item.second.number)
            for item in items
            if item.first.number is not None and item.second.number is not None
        ]
        numbers = number_agreement([a for a, _ in both], [b for _, b in both])
    return FieldAgreement(
        field=field,
        topic=topic,
        kind=kind,
        n=len(items),
        same=sum(item.same for item in items),
        categories=categories,
        numbers=numbers,
        identifies=any(item.identifies for item in items),
    )


def overall_agreement(
    fields: Sequence[FieldAgreement], items: Sequence[Compared] = (), *, level: float = 0.95
) -> OverallAgreement:
    """Put the fields together: the share of all values, and the stratified kappa of the choices.

    Parameters
    ----------
    fields : sequence of FieldAgreement
        All fields.
    items : sequence of Compared
        What they were made of; without them kappa gets no interval.
    level : float
        Of the interval.
    """
    usable = [
        (part.n, part.categories.kappa)
        for part in fields
        if part.categories is not None and part.categories.kappa is not None
    ]
    kappa = interval = None
    if usable:
        kappa = sum(n * value for n, value in usable) / sum(n for n, _ in usable)
        interval = _interval_by_study(kappa, items, level)
    return OverallAgreement(
        n=sum(part.n for part in fields if part.kind != "entry"),
        same=sum(part.same for part in fields if part.kind != "entry"),
        kappa=kappa,
        kappa_interval=interval,
        fields_in_kappa=len(usable),
        level=level,
    )


def _interval_by_study(kappa: float, items: Sequence[Compared], level: float) -> Limits | None:
    choices: dict[str, list[tuple[str, str, str]]] = {}
    for item in with_parts(items):
        if item.kind == "choice":
            choices.setdefault(item.field, []).append((item.study, *_pair(item)))
    studies = sorted({item.study for item in items})
    if len(studies) < FEWEST_STUDIES:
        return None
    tables = []
    for rows in choices.values():
        index = {name: place for place, name in enumerate(sorted({c for _, *pair in rows for c in pair}))}
        by_study = np.zeros((len(studies), len(index), len(index)))
        for study, one, two in rows:
            by_study[studies.index(study), index[one], index[two]] += 1
        tables.append(by_study.sum(axis=0) - by_study)  # each study left out in turn
    weights, values = zip(*(_kappas(table) for table in tables), strict=True)
    total = np.sum(weights, axis=0)
    if not total.all():
        return None
    left_out = np.sum(np.multiply(weights, values), axis=0) / total
    n = len(studies)
    error = math.sqrt((n - 1) / n * float(np.sum((left_out - left_out.mean()) ** 2)))
    if error == 0.0:
        return None
    half = float(special.stdtrit(n - 1, 0.5 + level / 2)) * error
    return Limits(max(kappa - half, -1.0), min(kappa + half, 1.0))


def _kappas(tables: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return weight and kappa of each of a stack of tables, both zero where kappa is not defined."""
    n = tables.sum(axis=(1, 2))
    size = np.where(n > 0, n, 1.0)
    same = np.trace(tables, axis1=1, axis2=2) / size
    chance = np.sum(tables.sum(axis=1) * tables.sum(axis=2), axis=1) / size**2
    defined = (n > 0) & (chance < 1 - 1e-12)
    kappa = np.where(defined, same - chance, 0.0) / np.where(defined, 1 - chance, 1.0)
    return np.where(defined, n, 0.0), kappa


def _pair(item: Compared) -> tuple[str, str]:
    """Return both categories; where both mean the same, the spelling of the first stands for both."""
    one = item.first.typed or BLANK
    return one, one if item.same else (item.second.typed or BLANK)


def agreement_rows(fields: Sequence[FieldAgreement]) -> list[list[str]]:
    """Return the table of agreement as rows of text, the header first."""
    rows = [
        [
            "field", "outcome_or_domain", "kind", "values", "same", "percent_same", "kappa", "kappa_lower",
            "kappa_upper", "adjusted_kappa", "mean_difference", "limit_lower", "limit_upper", "note",
        ]
    ]  # fmt: skip
    for part in fields:
        choice, number = part.categories, part.numbers
        interval = choice.kappa_interval if choice else None
        limits = number.limits if number else None
        rows.append(
            [
                part.field, part.topic, part.kind, str(part.n), str(part.same),
                f"{100 * part.proportion_same:.1f}",
                _number(choice.kappa if choice else None),
                _number(interval.lower if interval else None),
                _number(interval.upper if interval else None),
                _number(choice.adjusted_kappa if choice else None),
                _number(number.mean_difference if number else None),
                _number(limits.lower if limits else None),
                _number(limits.upper if limits else None),
                choice.note if choice else "",
            ]
        )  # fmt: skip
    return rows


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}"
