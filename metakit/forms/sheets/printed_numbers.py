"""Numbers as papers print them in a cell: '4/29 (13.8 %)', '18.2 ± 2.9', '0.52 (0.28 to 0.98)', '12ᵃ'.

Nothing is guessed. A text that can be read in one way only is read so, and what was not literal about it is
told; a text with two readings asks; what is neither is a text. A raised or circled character is a mark, never
a digit.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

Shape = Literal[
    "number", "percent", "count_of", "count_percent", "mean_spread", "two_numbers", "estimate_interval",
    "range", "bound", "missing", "text",
]  # fmt: skip
SIGNS = "*†‡§¶#‖"
"""Signs that journals use as footnote marks."""
MISSING = {
    "nr": "not reported", "n.r.": "not reported", "n. r.": "not reported", "not reported": "not reported",
    "not stated": "not reported", "not_reported": "not reported",
    "not given": "not reported", "na": "not available", "n/a": "not available", "n.a.": "not available",
    "not available": "not available", "not_applicable": "not applicable", "not applicable": "not applicable",
    "not_measured": "not measured", "not measured": "not measured", "-": "a dash", "--": "a dash",
    "–": "a dash", "—": "a dash", "−": "a dash", "‐": "a dash", "...": "dots", "…": "dots", ".": "a dot",
}  # fmt: skip
"""What stands for 'no number' in printed tables, and how it is told."""
_MINUS = "−–‐‑﹣"
_SPACES = "\u00a0\u2007\u2009\u200a\u202f\u2008"
_LETTERS = re.compile(r"(?<=[\d)%.])([a-df-h])$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Printed:
    """What a printed cell says.

    `values` are plain numbers as they would be typed, by name: `value`, `events`, `total`, `percent`, `mean`,
    `spread`, `first`, `second`, `estimate`, `lower`, `upper`. `marks` are footnote marks split off, `told`
    what was not literal, and `question` why nothing can be taken without asking.
    """

    shape: Shape
    values: Mapping[str, str] = field(default_factory=dict)
    marks: tuple[str, ...] = ()
    told: tuple[str, ...] = ()
    question: str = ""


def read_printed(text: str, *, decimal_comma: bool = False) -> Printed:
    """Read one printed cell.

    Parameters
    ----------
    text : str
        As printed; line breaks count as spaces.
    decimal_comma : bool
        Whether commas are decimal points here. One cell cannot tell: '1,234' asks when this is false, and a
        caller that sees a whole column can.

    Returns
    -------
    Printed

    Examples
    --------
    >>> dict(read_printed("4/29 (13.8 %)").values)
    {'events': '4', 'total': '29', 'percent': '13.8'}
    >>> read_printed("1/29 (4.3 %)").question
    '1/29 is 3.45 %, not 4.3 %'
    """
    shown = " ".join(_spaced(text).split())
    if not shown:
        return Printed(shape="missing", told=())
    if shown.casefold() in MISSING:
        return Printed(shape="missing", told=(f"{shown} is read as no number ({MISSING[shown.casefold()]})",))
    plain, marks = without_marks(shown)
    told = [f"the mark {mark} is left out of {shown}" for mark in marks]
    plain = _numbers_made_plain(plain, told, decimal_comma)
    for pattern, make in _SHAPES:
        found = pattern.fullmatch(plain)
        if found:
            shape, values, question = make(found)
            return Printed(
                shape=shape, values=values, marks=marks, told=tuple(told), question=question or _comma(plain)
            )
    return Printed(shape="text", marks=marks, question=_comma(plain))


def without_marks(text: str) -> tuple[str, tuple[str, ...]]:
    """Split footnote marks off a text: raised and circled characters, the usual signs, one letter at the end.

    Returns
    -------
    tuple of str and tuple of str
        The text without them, and the marks as printed.
    """
    marks: list[str] = []
    kept: list[str] = []
    run = ""
    for character in text:
        if is_mark(character):
            run += character
            continue
        if run:
            marks.append(run)
            run = ""
        kept.append(character)
    marks += [run] if run else []
    plain = "".join(kept).strip()
    letter = _LETTERS.search(plain)
    if letter:
        plain, marks = plain[: letter.start()].rstrip(), [*marks, letter[1]]
    return plain, tuple(marks)


def is_mark(character: str) -> bool:
    """Whether a character is a footnote mark wherever it stands: raised, lowered, circled, a usual sign."""
    if character in SIGNS:
        return True
    decomposition = unicodedata.decomposition(character)
    return decomposition.startswith(("<super>", "<sub>", "<circle>"))


def percent_agrees(events: float, total: float, percent: str) -> bool:
    """Whether a printed percentage is that of a count, within the rounding of its last digit."""
    if total <= 0:
        return False
    return abs(100 * events / total - float(percent)) <= _half_unit(percent) + 1e-9


def counts_that_fit(percent: str, total: int) -> tuple[int, ...]:
    """Return the counts out of a total that a printed percentage can stand for."""
    if total <= 0:
        return ()
    share, slack = float(percent) * total / 100, (_half_unit(percent) + 1e-9) * total / 100
    low, high = max(0, int(share - slack)), min(total, int(share + slack) + 1)
    return tuple(count for count in range(low, high + 1) if percent_agrees(count, total, percent))


def _half_unit(number: str) -> float:
    _, _, decimals = number.partition(".")
    return 0.5 * 10.0 ** -len(decimals)


def _spaced(text: str) -> str:
    for space in _SPACES:
        text = text.replace(space, " ")
    return text


def _numbers_made_plain(text: str, told: list[str], decimal_comma: bool) -> str:
    """Write signs, points and thousands as they are typed, telling each change once."""
    plain = re.sub(rf"(?<![\d)\w])[{_MINUS}] ?(?=[\d.])", "-", text)
    if plain != text:
        told.append(f"the sign in {text} is read as minus")
    grouped = re.sub(r"(?<![\d.,])(\d{1,3})((?: \d{3})+)(?![\d])", lambda m: m[0].replace(" ", ""), plain)
    if grouped != plain:
        told.append(f"{plain} is read with spaces between thousands")
    pointed = re.sub(r"(?<=\d)·(?=\d)", ".", grouped)
    if pointed != grouped:
        told.append(f"the raised point in {grouped} is read as a decimal point")
    if decimal_comma:
        commas = re.sub(r"(?<=\d),(?=\d)", ".", pointed)
        if commas != pointed:
            told.append(f"{pointed} is read with a decimal comma")
        return commas
    thousands = re.sub(
        r"(?<![\d.,])\d{1,3}(?:(?:,\d{3}){2,}(?![\d,])|(?:,\d{3})+(?=\.\d))",
        lambda m: m[0].replace(",", ""),
        pointed,
    )
    if thousands != pointed:
        told.append(f"{pointed} is read with commas between thousands")
    return thousands


def _comma(text: str) -> str:
    found = re.search(r"\d+,\d+", text)
    if not found:
        return ""
    three = re.fullmatch(r"\d{1,3},\d{3}", found[0])
    other = f" or {found[0].replace(',', '')}" if three else ""
    return f"is {found[0]} the number {found[0].replace(',', '.')}{other}?"


_N = r"[+-]?(?:\d+(?:[.,]\d+)?|\.\d+)"
_C = r"\d+(?:[.,]\d{3})*"
_TO = rf"(?: ?(?:to|;|,|[-{_MINUS}]|\.\.) ?)"
_LEVEL = r"(?:(?:\d{2}(?:\.\d+)? ?% ?)?(?:CI|confidence interval|interval|CrI)[:, ]* ?)?"
Made = tuple[Shape, dict[str, str], str]


def _count_of(found: re.Match[str]) -> Made:
    events, total = found["events"], found["total"]
    values = {"events": events, "total": total}
    part, whole = (float(re.sub(r"[.,]", "", count)) for count in (events, total))
    if part > whole:
        return "count_of", values, f"{events} of {total} is more than all"
    percent = found.groupdict().get("percent")
    if percent is None:
        return "count_of", values, ""
    values["percent"] = percent
    pointed = percent.replace(",", ".")
    if percent_agrees(part, whole, pointed):
        return "count_of", values, ""
    true = 100 * part / whole if whole else float("nan")
    decimals = len(pointed.partition(".")[2]) + 1
    return "count_of", values, f"{events}/{total} is {true:.{decimals}f} %, not {percent} %"


def _plain_shape(shape: Shape, *names: str) -> Callable[[re.Match[str]], Made]:
    return lambda found: (shape, {name: found[name] for name in names}, "")


def _two(found: re.Match[str]) -> Made:
    first, second = found["first"], found["second"]
    question = (
        f"is {first} ({second}) a count with its percentage, a mean with its standard deviation, or a mean "
        "with its standard error?"
    )
    return "two_numbers", {"first": first, "second": second}, question


def _spread(found: re.Match[str]) -> Made:
    word = (found.groupdict().get("word") or "").casefold()
    values = {"mean": found["mean"], "spread": found["spread"]}
    if word == "sd":
        return "mean_spread", {**values, "what": "sd"}, ""
    if word in ("se", "sem"):
        return "mean_spread", {**values, "what": "standard_error"}, ""
    return "mean_spread", values, ""


def _interval(found: re.Match[str]) -> Made:
    values = {name: found[name] for name in ("estimate", "lower", "upper")}
    low, middle, high = (float(values[name].replace(",", ".")) for name in ("lower", "estimate", "upper"))
    if low > high:
        return (
            "estimate_interval",
            values,
            f"the interval runs from {values['lower']} down to {values['upper']}",
        )
    if not low <= middle <= high:
        return (
            "estimate_interval",
            values,
            f"{values['estimate']} lies outside {values['lower']} to {values['upper']}",
        )
    return "estimate_interval", values, ""


_SHAPES: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], Made]], ...] = tuple(
    (re.compile(pattern, re.ASCII | re.IGNORECASE), make)
    for pattern, make in (
        (rf"(?P<value>{_N})", _plain_shape("number", "value")),
        (rf"(?P<percent>{_N}) ?%", _plain_shape("percent", "percent")),
        (
            rf"(?P<events>{_C}) ?(?:/|of|out of) ?(?P<total>{_C})(?: ?[(\[](?P<percent>{_N}) ?%?[)\]])?",
            _count_of,
        ),
        (
            rf"(?P<percent>{_N}) ?% ?[(\[](?:n ?= ?)?(?P<events>{_C}) ?(?:/|of|out of) ?(?P<total>{_C})[)\]]",
            _count_of,
        ),
        (
            rf"(?:n ?= ?)?(?P<events>{_C}) ?[(\[](?P<percent>{_N}) ?%[)\]]",
            _plain_shape("count_percent", "events", "percent"),
        ),
        (
            rf"(?P<percent>{_N}) ?% ?[(\[](?:n ?= ?)?(?P<events>{_C})[)\]]",
            _plain_shape("count_percent", "events", "percent"),
        ),
        (rf"(?P<mean>{_N}) ?(?:±|\+/-|\+-) ?(?P<spread>{_N})", _spread),
        (rf"(?P<mean>{_N}) ?[(\[] ?(?P<word>SD|SE|SEM)[:= ]* ?(?P<spread>{_N})[)\]]", _spread),
        (rf"(?P<estimate>{_N}) ?[(\[] ?{_LEVEL}(?P<lower>{_N}){_TO}(?P<upper>{_N})[)\]]", _interval),
        (rf"(?P<estimate>{_N})[;,] ?{_LEVEL}(?P<lower>{_N}){_TO}(?P<upper>{_N})", _interval),
        (rf"(?P<first>{_N}) ?[(\[](?P<second>{_N})[)\]]", _two),
        (rf"(?P<lower>{_N}){_TO}(?P<upper>{_N})", _plain_shape("range", "lower", "upper")),
        (rf"(?:p ?)?(?P<sign>[<>≤≥]|<=|>=) ?(?P<value>{_N})", _plain_shape("bound", "sign", "value")),
        (rf"p ?= ?(?P<value>{_N})", _plain_shape("number", "value")),
    )
)
