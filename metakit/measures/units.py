"""Exact conversions between the units of strength, pain scales and follow-up.

The factors are definitions (international pound 1959, standard gravity 1901), not measurements. A
vigorimeter's pressure (bar, kPa) has no factor to kg, and degrees of one method none to another: they are
refused.
"""

from __future__ import annotations

from metakit.errors import UsageError, nearest_names
from metakit.measures.derived import Derived, required, shown

KG_PER_POUND = 0.45359237
NEWTON_PER_KG = 9.80665

_FAMILIES: dict[str, dict[str, float]] = {
    "strength": {"kg": 1.0, "kgf": 1.0, "lb": KG_PER_POUND, "lbf": KG_PER_POUND, "N": 1 / NEWTON_PER_KG},
    "length of a visual analogue scale": {"cm": 1.0, "mm": 0.1},
    "time": {"months": 1.0, "years": 12.0, "weeks": 12 / 52.1775, "days": 12 / 365.2425},
}


def convert(value: float, unit: str, to: str) -> Derived[float]:
    """Return a value in another unit of the same kind.

    Parameters
    ----------
    value : float
        A mean, a standard deviation, a limit: all convert alike.
    unit, to : str
        `kg` (or `kgf`), `lb` (or `lbf`), `N`; `mm`, `cm` of a visual analogue scale; `days`, `weeks`,
        `months`, `years` (a year has 365.2425 days).

    Returns
    -------
    Derived of float

    Raises
    ------
    UsageError
        For an unknown unit, or two units that measure different things.

    Examples
    --------
    >>> convert(12.1, "lb", "kg").value
    5.488467677
    """
    number = required("a value to convert", value)
    kind, target = _kind(unit), _kind(to)
    if kind != target:
        raise UsageError(f"{unit} ({kind}) cannot be converted to {to} ({target})")
    factors = _FAMILIES[kind]
    factor = _exact_factor(unit, to) or factors[unit] / factors[to]
    result = number * factor
    return Derived(
        value=result,
        rule=f"{unit} converted to {to} (1 {unit} = {factor:.10g} {to})",
        inputs=f"{shown(number)} {unit} -> {shown(result)} {to}",
    )


def _exact_factor(unit: str, to: str) -> float | None:
    # Written as typed definitions where they exist, so that no division rounds a factor that is exact.
    pound, newton, kilogram = {"lb", "lbf"}, {"N"}, {"kg", "kgf"}
    if unit in kilogram and to in newton:
        return NEWTON_PER_KG
    if unit in pound and to in newton:
        return KG_PER_POUND * NEWTON_PER_KG
    if unit == "cm" and to == "mm":
        return 10.0
    return None


def _kind(unit: str) -> str:
    for kind, factors in _FAMILIES.items():
        if unit in factors:
            return kind
    known = [name for factors in _FAMILIES.values() for name in factors]
    raise UsageError(f"no conversion for the unit {unit!r}; {nearest_names(unit, known)}")
