"""Units of measurement: a typed number in the unit that is analysed, with its log line.

The factors stand in one place, the vocabulary of units.
"""

from __future__ import annotations

from metakit.errors import UsageError
from metakit.forms.library import vocabulary
from metakit.forms.units import conversion
from metakit.measures.converting.derived import Derived, required, shown


def convert(value: float, unit: str, to: str) -> Derived[float]:
    """Return a value in another unit of the same kind.

    Parameters
    ----------
    value : float
        A mean, a standard deviation, a limit: all convert alike.
    unit, to : str
        Ids of the vocabulary of units: `kg`, `lb`, `N`; `mm`, `cm`; `months`, `years`; ...

    Returns
    -------
    Derived of float

    Raises
    ------
    UsageError
        For an unknown unit (the message names near ones), or two units that measure different things: the
        pressure of a squeezed bulb has no factor to kg.

    References
    ----------
    The factors are definitions: 1 lb = 0.45359237 kg (international pound), 1 kgf = 9.80665 N (standard
    gravity).

    Examples
    --------
    >>> round(convert(12.1, "lb", "kg").value, 9)
    5.488467677
    """
    number = required("a value to convert", value)
    units = vocabulary("units")
    for name in (unit, to):
        _ = units[name]
    change = conversion(unit, to, units.terms)
    if change is None:
        kinds = [units[name].facts.text("dimension").replace("_", " ") for name in (unit, to)]
        raise UsageError(f"{unit} ({kinds[0]}) cannot be converted to {to} ({kinds[1]})")
    result = change(number)
    return Derived(
        value=result,
        rule=f"unit converted, {change}",
        inputs=f"{shown(number)} {unit} -> {shown(result)} {to}",
    )
