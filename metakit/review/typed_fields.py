"""Readings that the typed views of records share: terms, units, months, bands, sources."""

from __future__ import annotations

from collections.abc import Mapping

from metakit.core.values import Band
from metakit.forms.specs import Form, Term
from metakit.forms.tree import Group
from metakit.forms.units import conversion

FLEXION = "positive_is_flexion"
HYPEREXTENSION = "positive_is_hyperextension"


def term_of(form: Form, path: str, name: str) -> Term | None:
    """Return the term that a field of the form knows by this id."""
    spec = form.find(path)
    return spec.terms.get(name) if spec else None


def units_of(form: Form) -> Mapping[str, Term]:
    """Return the units in which outcomes are measured."""
    spec = form.find("outcomes.measured_in")
    return spec.terms if spec else {}


def months_of(group: Group, field: str, unit: str, form: Form) -> float | None:
    """Return a typed time in months; None when it or its unit is missing."""
    value, convert = group.number(field), conversion(unit, "months", units_of(form))
    return None if value is None or convert is None else convert(value)


def band_of(group: Group, name: str) -> Band | None:
    """Return a band as typed; None when nothing is typed of it."""
    typed = group.group(name)
    above, lowest, highest, below = (typed.number(end) for end in ("above", "from", "to", "below"))
    if all(end is None for end in (above, lowest, highest, below)):
        return None
    return Band(
        lower=lowest if above is None else above,
        upper=highest if below is None else below,
        lower_inside=above is None and lowest is not None,
        upper_inside=below is None and highest is not None,
        as_reported=typed.text("as_reported"),
    )


def source_text(source: Group) -> str:
    """Write a source in words: page 5, table 3."""
    parts = [
        f"{name} {source.text(name)}"
        for name in ("page", "table", "figure", "supplement")
        if source.text(name)
    ]
    if source.flag("digitised"):
        parts.append("read off the figure")
    return ", ".join(parts)
