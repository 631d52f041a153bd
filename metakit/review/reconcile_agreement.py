"""How well two extractors agree, field by field and overall, worst first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import special

from metakit.core.results import Limits
from metakit.review.agreement import (
    CategoryAgreement,
    NumberAgreement,
    category_agreement,
    number_agreement,
)
from metakit.review.reconcile_match import Compared, Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldAgreement:
    """Agreement on one field over all studies; numbers of scored outcomes are kept apart by outcome."""

    field: str
    topic: str
    kind: Kind
    n: int
    same: int
    categories: CategoryAgreement | None = None
    numbers: NumberAgreement | None = None

    @property
    def proportion_same(self) -> float:
        """Share of the values that are the same."""
        return self.same / self.n


@dataclass(frozen=True, slots=True, kw_only=True)
class OverallAgreement:
    """Agreement on everything.

    `kappa` is the mean of the fields' kappas, weighted by their numbers of values (Barlow, Lai & Azen 1991,
    Stat Med 10:1465; from memory); fields without a defined kappa are left out. None
    without any. Its interval is None as soon as one field has none (all the same, say): the error would be
    too small.
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
    category of its own; numbers the share that is the same and, where both typed one, limits of agreement.
    """
    groups: dict[tuple[str, str], list[Compared]] = {}
    for item in items:
        topic = item.topic if item.kind == "number" else ""
        groups.setdefault((item.field, topic), []).append(item)
    found = [_field(field, topic, group) for (field, topic), group in groups.items()]
    return tuple(sorted(found, key=lambda one: (one.proportion_same, -one.n, one.field, one.topic)))


def _field(field: str, topic: str, items: Sequence[Compared]) -> FieldAgreement:
    kind = items[0].kind
    categories = numbers = None
    if kind == "choice":
        firsts = [item.first.typed or "(blank)" for item in items]
        # Where both mean the same, the spelling of the first stands for both.
        seconds = [
            one if item.same else (item.second.typed or "(blank)")
            for one, item in zip(firsts, items, strict=True)
        ]
        categories = category_agreement(firsts, seconds)
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
    )


def overall_agreement(fields: Sequence[FieldAgreement], *, level: float = 0.95) -> OverallAgreement:
    """Put the fields together: the share of all values, and the stratified kappa of the choices."""
    usable = [
        (part.n, part.categories.kappa, part.categories.kappa_interval)
        for part in fields
        if part.categories is not None and part.categories.kappa is not None
    ]
    kappa = interval = None
    if usable:
        total = sum(n for n, _, _ in usable)
        kappa = sum(n * (value or 0.0) for n, value, _ in usable) / total
        quantile = float(special.ndtri(0.5 + level / 2))
        # Half widths are symmetric except where cut at 1; the wider half is the uncut one.
        halves = [
            (n, max(value - found.lower, found.upper - value))
            for n, value, found in usable
            if value is not None and found is not None
        ]
        if len(halves) == len(usable):
            error = math.sqrt(sum((n / total * half / quantile) ** 2 for n, half in halves))
            interval = Limits(max(kappa - quantile * error, -1.0), min(kappa + quantile * error, 1.0))
    return OverallAgreement(
        n=sum(part.n for part in fields),
        same=sum(part.same for part in fields),
        kappa=kappa,
        kappa_interval=interval,
        fields_in_kappa=len(usable),
        level=level,
    )


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
