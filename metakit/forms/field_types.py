"""Field types: how a typed text becomes a value. One entry is one function and the facts about it."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from metakit.core.registry import Registry
from metakit.errors import nearest_names
from metakit.forms.specs import FieldSpec
from metakit.forms.tree import Plain
from metakit.forms.typed_numbers import (
    ReadNumber,
    Refused,
    parse_integer,
    parse_number,
    parse_percent,
    plain_form,
)


@dataclass(frozen=True, slots=True)
class Converted:
    """A value and, where the text was not plain, how it was read."""

    value: Plain
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldType:
    """One field type.

    `convert` turns one text into one value or raises Refused; `many` says that a field holds a list of
    them. `example` is a text that the type accepts for a field without further facts. `needs_choices`
    says that a field of this type lists what may be chosen. `json` is what JSON Schema says about one value.
    """

    name: str
    label: str
    convert: Callable[[str, FieldSpec], Converted]
    example: str
    many: bool = False
    needs_choices: bool = False
    numeric: bool = False
    json: Mapping[str, object] = field(default_factory=lambda: {"type": "string"})


FIELD_TYPES: Registry[FieldType] = Registry("field type")


def _text(text: str, spec: FieldSpec) -> Converted:
    return Converted(text.strip())


_IDENTIFIER = r"[A-Za-z0-9][A-Za-z0-9_-]{0,59}"


def _identifier(text: str, spec: FieldSpec) -> Converted:
    if not re.fullmatch(_IDENTIFIER, text.strip(), re.ASCII):
        raise Refused(
            "not an identifier",
            allowed="letters a-z, digits, _ and -, at most 60, no spaces",
            hint="names to show go under label",
        )
    return Converted(text.strip())


def _checked(read: ReadNumber, spec: FieldSpec, *, whole: bool = False) -> Converted:
    value = read.value
    unit = f" {spec.unit}" if spec.unit else ""
    if spec.hard_minimum is not None and value < spec.hard_minimum:
        raise Refused("too low to be possible", allowed=_limits(spec.hard_minimum, spec.hard_maximum) + unit)
    if spec.hard_maximum is not None and value > spec.hard_maximum:
        raise Refused("too high to be possible", allowed=_limits(spec.hard_minimum, spec.hard_maximum) + unit)
    return Converted(int(value) if whole else value, read.note)


def _limits(low: float | None, high: float | None) -> str:
    if low is None:
        return f"at most {high:g}"
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"


def _number(text: str, spec: FieldSpec) -> Converted:
    return _checked(parse_number(text), spec)


def _integer(text: str, spec: FieldSpec) -> Converted:
    return _checked(parse_integer(text), spec, whole=True)


def _percent(text: str, spec: FieldSpec) -> Converted:
    low = 0.0 if spec.hard_minimum is None else spec.hard_minimum
    high = 100.0 if spec.hard_maximum is None else spec.hard_maximum
    return _checked(parse_percent(text), replace(spec, hard_minimum=low, hard_maximum=high))


def _date(text: str, spec: FieldSpec) -> Converted:
    typed = text.strip()
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", typed, re.ASCII):
        raise Refused("not a date", allowed="year-month-day, such as 2024-05-31", hint=_date_hint(typed))
    try:
        return Converted(datetime.date.fromisoformat(typed))
    except ValueError:
        raise Refused("there is no such day", allowed="a day of the calendar, year-month-day") from None


def _partial_date(text: str, spec: FieldSpec) -> Converted:
    typed = text.strip()
    if re.fullmatch(r"\d{4}(-\d{2}){0,2}", typed, re.ASCII):
        _date(typed + "-01-01"[len(typed) - 4 :], spec)  # the missing part is filled up only to test the rest
        return Converted(typed)
    raise Refused("not a date", allowed="2024, 2024-05 or 2024-05-31", hint=_date_hint(typed))


def _date_hint(typed: str) -> str:
    year_first = re.fullmatch(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})", typed, re.ASCII)
    if year_first:
        return f"write {year_first[1]}-{int(year_first[2]):02d}-{int(year_first[3]):02d}"
    if re.fullmatch(r"\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4}", typed, re.ASCII):
        return "day and month can be mixed up this way; write year-month-day"
    return ""


def _p_value(text: str, spec: FieldSpec) -> Converted:
    plain, note = plain_form(text)
    typed = re.sub(r"\s+", "", plain)
    found = re.fullmatch(r"([<>]?)(\d*\.?\d+)", typed, re.ASCII)
    if not found:
        raise Refused(
            "not a p value", allowed="0.03, <0.001 or >0.05", hint="not_reported for 'not significant'"
        )
    if float(found[2]) > 1:
        raise Refused("a p value lies between 0 and 1", allowed="0 to 1")
    return Converted(typed, note)


_YES, _NO = {"yes", "y", "true"}, {"no", "n", "false"}


def _yes_no(text: str, spec: FieldSpec) -> Converted:
    word = text.strip().casefold()
    if word in _YES or word in _NO:
        return Converted(word in _YES)
    raise Refused("neither yes nor no", allowed="yes, no")


def _choice(text: str, spec: FieldSpec) -> Converted:
    typed = text.strip()
    if typed in spec.terms:
        return Converted(typed)
    same = _normal(typed)
    for term in spec.terms:
        if _normal(term) == same:
            return Converted(term)
    meant = [
        term.id
        for term in spec.terms.values()
        if same in {_normal(word) for word in (*term.synonyms, term.label)}
    ]
    if len(meant) == 1:
        return Converted(meant[0], f"read as {meant[0]}")
    if meant:
        raise Refused("not a term of this list", hint="write " + " or ".join(meant))
    raise Refused("not a term of this list", hint=nearest_names(typed, spec.terms))


def _normal(text: str) -> str:
    return re.sub(r"[\s_-]+", "_", text.strip().casefold())


_INTEGER: Mapping[str, object] = {"type": "integer"}
_NUMBER: Mapping[str, object] = {"type": "number"}
_SHARE: Mapping[str, object] = {"type": "number", "minimum": 0, "maximum": 100}
_DATE: Mapping[str, object] = {"type": "string", "format": "date"}
_DATES: Mapping[str, object] = {"type": "string", "pattern": r"^\d{4}(-\d{2}){0,2}$"}
_P: Mapping[str, object] = {"type": "string", "pattern": r"^[<>]?\d*\.?\d+$"}
_NAME: Mapping[str, object] = {"type": "string", "pattern": f"^{_IDENTIFIER}$"}

for _type in (
    FieldType(name="text", label="text", convert=_text, example="a short text"),
    FieldType(
        name="identifier", label="identifier without spaces", convert=_identifier, example="A-1", json=_NAME
    ),
    FieldType(
        name="integer", label="whole number", convert=_integer, example="12", numeric=True, json=_INTEGER
    ),
    FieldType(name="number", label="number", convert=_number, example="3.2", numeric=True, json=_NUMBER),
    FieldType(
        name="percent",
        label="percentage, 0 to 100",
        convert=_percent,
        example="12.5",
        numeric=True,
        json=_SHARE,
    ),
    FieldType(
        name="p_value",
        label="p value, with < or > as printed",
        convert=_p_value,
        example="<0.001",
        json=_P,
    ),
    FieldType(name="date", label="date, year-month-day", convert=_date, example="2024-05-31", json=_DATE),
    FieldType(
        name="partial_date",
        label="year, year-month or year-month-day",
        convert=_partial_date,
        example="2024-05",
        json=_DATES,
    ),
    FieldType(name="yes_no", label="yes or no", convert=_yes_no, example="yes", json={"type": "boolean"}),
    FieldType(name="choice", label="one of a list", convert=_choice, example="", needs_choices=True),
    FieldType(
        name="choices", label="some of a list", convert=_choice, example="", many=True, needs_choices=True
    ),
    FieldType(name="list", label="list of texts", convert=_text, example="a short text", many=True),
):
    FIELD_TYPES.add(_type)
