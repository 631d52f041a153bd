"""What the words at a place of a paper may mean for the fields beside it: offered, never filled in. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from metakit.forms.sheets.printed_numbers import Printed, percent_agrees, read_printed

LONGEST_QUOTE = 300
_COMMA = re.compile(r"(\d),(\d)")
_THOUSANDS = re.compile(r"(?<![\d,.])[1-9]\d{0,2},\d{3}(?![\d,.])")


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """One way to read the words: texts for fields, named as within their entry, and what speaks for it."""

    values: Mapping[str, str]
    label: str
    because: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WordsRead:
    """What words at a place may mean.

    `question` stands where a person must decide; `told` says what was not literal. Without proposals the
    words are a quotation and nothing else.
    """

    quote: str
    proposals: tuple[Proposal, ...] = ()
    question: str = ""
    told: tuple[str, ...] = ()


def proposals_for(quote: str, *, field: str, fields: Iterable[str], total: str = "") -> WordsRead:
    """Return what the words at a place may mean for an entry of a record.

    Parameters
    ----------
    quote : str
        The words as printed, raised marks as raised characters.
    field : str
        The field that the person is at, within its entry, such as ``events`` or ``interval.lower``.
    fields : iterable of str
        All fields of that entry, so that "4/29" can give two of them.
    total : str
        What the entry has for `total`, to hold a percentage against.

    Returns
    -------
    WordsRead
    """
    quote = " ".join("".join(sign if sign.isprintable() else " " for sign in quote).split())[:LONGEST_QUOTE]
    printed = read_printed(quote)
    known = set(fields)
    question = printed.question
    also: list[tuple[dict[str, str], str]] = []
    if _COMMA.search(quote) and printed.shape != "text":
        grouped = read_printed(_COMMA.sub(r"\1\2", quote))
        if _THOUSANDS.search(quote):
            also = [
                (found, "if the comma parts thousands")
                for found, _ in _readings(grouped, field, known, total)
            ]
        printed = read_printed(quote, decimal_comma=True)
        question = " ".join(dict.fromkeys(part for part in (question, printed.question) if part))
    found = [
        Proposal(values=values, label=_label(values), because=because)
        for offered, because in (*_readings(printed, field, known, total), *also)
        if (values := {name: text for name, text in offered.items() if name in known})
        and set(offered) - values.keys() <= {"percent"}
        and not any("." in values.get(name, "") for name in ("events", "total"))
    ]
    unique = {tuple(sorted(proposal.values.items())): proposal for proposal in reversed(found)}
    asked = question or (_asked(printed) if len(unique) > 1 else "")
    if printed.shape == "missing" and quote and not unique:
        asked = f"{printed.told[0]}: none, or not reported?" if printed.told else ""
    return WordsRead(
        quote=quote, proposals=tuple(reversed(unique.values())), question=asked, told=printed.told
    )


def _label(values: Mapping[str, str]) -> str:
    return ", ".join(f"{name.replace('.', ' ').replace('_', ' ')} {text}" for name, text in values.items())


def _asked(printed: Printed) -> str:
    if printed.shape == "mean_spread":
        return f"is {printed.values['spread']} the standard deviation or the standard error?"
    if printed.shape == "estimate_interval":
        return "are the limits a confidence interval, quartiles, or the smallest and largest value?"
    return "which of these is it?"


def _readings(
    printed: Printed, field: str, known: set[str], total: str
) -> Iterable[tuple[dict[str, str], str]]:
    """Give every reading with what speaks for it; fields that the entry lacks are dropped by the caller."""
    values = printed.values
    count = "events" if "events" in known else field
    if printed.shape in ("number", "percent", "bound"):
        yield from _alone(printed, field, known)
    elif printed.shape == "count_of":
        yield _counted(values, count), _checked(values["events"], values["total"], values.get("percent", ""))
    elif printed.shape == "count_percent":
        offered = {count: values["events"], "percent": values["percent"]}
        yield offered, _checked(values["events"], total, values["percent"])
    elif printed.shape == "two_numbers":
        first, second = values["first"], values["second"]
        if first.isdigit() and float(second.replace(",", ".")) <= 100:
            yield {count: first, "percent": second}, _checked(first, total, second)
        yield {"mean": first, "standard_deviation": second}, "if it is a mean with its standard deviation"
        yield {"mean": first, "standard_error": second}, "if it is a mean with its standard error"
    elif printed.shape == "mean_spread":
        names = {"sd": ("standard_deviation",), "standard_error": ("standard_error",)}
        for name in names.get(values.get("what", ""), ("standard_deviation", "standard_error")):
            said = "" if "what" in values else f"if ± means the {name.replace('_', ' ')}"
            yield {"mean": values["mean"], name: values["spread"]}, said
    elif printed.shape in ("estimate_interval", "range"):
        yield from _limits(values)
    elif printed.shape == "missing" and any(said.endswith("(not reported)") for said in printed.told):
        yield {field: "not_reported"}, "in the paper's words"


def _alone(printed: Printed, field: str, known: set[str]) -> Iterable[tuple[dict[str, str], str]]:
    values = printed.values
    if printed.shape == "percent":
        yield {"percent" if "percent" in known else field: values["percent"]}, ""
    elif printed.shape == "bound":
        yield {"p_value": f"{values['sign']}{values['value']}"}, ""
    else:
        yield {field: values["value"]}, ""


def _counted(values: Mapping[str, str], count: str) -> dict[str, str]:
    found = {count: values["events"]}
    if count == "events":
        found["total"] = values["total"]
    return found | ({"percent": values["percent"]} if "percent" in values else {})


def _limits(values: Mapping[str, str]) -> Iterable[tuple[dict[str, str], str]]:
    lower, upper = values["lower"], values["upper"]
    interval = {"interval.lower": lower, "interval.upper": upper}
    quartiles = {"quartiles.first": lower, "quartiles.third": upper}
    extremes = {"minimum": lower, "maximum": upper}
    if "estimate" not in values:
        yield interval, "if they are a confidence interval; its level is yours to type"
        yield quartiles, "if they are quartiles"
        yield extremes, "if they are the smallest and largest value"
        return
    middle = values["estimate"]
    yield {"estimate": middle, **interval}, "with the level of the interval as the paper states it"
    yield {"mean": middle, **interval}, "if they are a confidence interval; its level is yours to type"
    yield {"median": middle, **quartiles}, "if they are quartiles"
    yield {"median": middle, **extremes}, "if they are the smallest and largest value, around a median"
    yield {"mean": middle, **extremes}, "if they are the smallest and largest value, around a mean"


def _checked(events: str, total: str, percent: str) -> str:
    """Say whether a percentage is that of its count, within the rounding of print."""
    try:
        part, whole = float(events.replace(",", "")), float(total.replace(",", ""))
    except ValueError:
        return ""
    if not percent or whole <= 0:
        return ""
    true = f"{100 * part / whole:.{len(percent.partition('.')[2]) + 1}f}"
    if percent_agrees(part, whole, percent.replace(",", ".")):
        return f"{percent} % agrees with {events} of {total}"
    return f"{events} of {total} is {true} %, not {percent} %"
