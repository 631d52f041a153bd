"""Numbers as people type them: read rightly, or refused with what to write instead.

Plain float() reads '1_000', 'nan' and Arabic digits and refuses a Unicode minus; a sheet reads '3/15' as
a date. Here one small grammar decides, and everything outside it is answered with a hint.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

LARGEST = 1e15
LONGEST_NUMBER = 40
_MINUS_SIGNS = {
    "\u2212": "minus sign",
    "\u2013": "en dash",
    "\u2010": "hyphen",
    "\u2011": "hyphen",
    "\ufe63": "minus sign",
}
_SPACES = (0xA0, *range(0x2000, 0x200B), 0x202F, 0x205F, 0x3000)
_WIDTHS = {0xFF01 + n: 0x21 + n for n in range(94)} | dict.fromkeys(_SPACES, 0x20)
_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d+(?:\.0*)?", re.ASCII)
_EMPTY_WORDS = {
    "na",
    "n/a",
    "nan",
    "none",
    "null",
    "~",
    "-",
    "--",
    "?",
    "nr",
    "nd",
    "missing",
    "unknown",
    "not reported",
}


class Refused(Exception):  # noqa: N818 - not an error of the program: the typed text is refused
    """A typed text that a field type does not accept: what is wrong, what is allowed, what to write."""

    def __init__(self, what: str, *, allowed: str = "", hint: str = "") -> None:
        super().__init__(what)
        self.what, self.allowed, self.hint = what, allowed, hint


@dataclass(frozen=True, slots=True)
class ReadNumber:
    """A number and, where the text was not plain, how it was read."""

    value: float
    note: str = ""


def parse_number(text: str) -> ReadNumber:
    """Read a decimal number.

    Parameters
    ----------
    text : str
        As typed; spaces around are ignored.

    Returns
    -------
    ReadNumber
        The number; `note` says so when a Unicode minus or full-width digits were read.

    Raises
    ------
    Refused
        With a hint, for everything that is not one plain finite number below 1e15.
    """
    plain, note = plain_form(text)
    if not _PLAIN.fullmatch(plain):
        raise _refusal(plain)
    if len(plain) > LONGEST_NUMBER:
        raise Refused(f"a number of {len(plain)} characters", allowed=f"at most {LONGEST_NUMBER} characters")
    digits = plain.lstrip("+-")
    tidy = re.sub(r"^0+(?=\d)", "", digits)
    if tidy != digits:
        sign = "-" if plain.startswith("-") else ""
        raise Refused("a number does not start with 0", hint=f"write {sign}{tidy}")
    value = float(plain)
    if abs(value) >= LARGEST:
        raise Refused("the number is too large", allowed="below 1e15")
    if value == 0 and re.search("[1-9]", re.split("[eE]", plain)[0]):
        raise Refused("the number is too small to be stored", allowed="0, or at least 1e-300 in size")
    return ReadNumber(value, note)


def parse_integer(text: str) -> ReadNumber:
    """Read a whole number; '40.0' is 40, '40.5' and '1e3' are refused with a hint."""
    read = parse_number(text)
    plain, _ = plain_form(text)
    if not _WHOLE.fullmatch(plain):
        whole = f"{read.value:.0f}" if read.value == int(read.value) else ""
        hint = (
            f"write {whole}"
            if whole
            else "a count has no decimals; if it is a percentage, use the field for percent"
        )
        raise Refused("not a whole number", allowed="a whole number such as 12", hint=hint)
    return read


def parse_percent(text: str) -> ReadNumber:
    """Read a percentage; a percent sign behind the number is fine."""
    stripped = text.strip()
    return parse_number(stripped[:-1] if stripped.endswith(("%", "％")) else stripped)


def parse_unaided(text: str) -> float:
    """Read a decimal number where no note can be told: full-width digits are refused, not converted.

    Raises
    ------
    Refused
        As `parse_number`, and for every text that it reads with other characters than the typed ones.
    """
    read = parse_number(text)
    if not _without_sign(text)[0].isascii():
        raise Refused("full-width characters in a number", hint=f"write {plain_form(text)[0]}")
    return read.value


def plain_form(text: str) -> tuple[str, str]:
    """Return a typed number in ASCII where that changes its width alone, and how it was read.

    Raises
    ------
    Refused
        For a character that looks like a digit and is none: superscript, subscript, circled, mathematical.
        Beside a number it is a footnote's mark or an exponent; as a digit it would make another number.
    """
    if text.isascii():
        return text.strip(), ""
    plain, note = _without_sign(text)
    wide = plain.translate(_WIDTHS).strip()
    for place, character in enumerate(wide):
        looks = not character.isascii() and unicodedata.numeric(character, None) is not None
        if looks and not any(before.isalpha() for before in wide[:place]):  # '9.9 kg/m²' is a unit
            raise _mark(wide, character)
    if wide != plain and wide.isascii() and re.search("[0-9]", wide):
        note = "; ".join(filter(None, (note, f"unusual digits read as {wide}")))
    return wide, note


def _without_sign(text: str) -> tuple[str, str]:
    plain = text.strip()
    for sign, name in _MINUS_SIGNS.items():
        if plain.startswith(sign):
            return "-" + plain[1:].lstrip(), f"{name} U+{ord(sign):04X} read as minus"
    return plain, ""


def _mark(text: str, mark: str) -> Refused:
    """Name the character that was not read as a digit, and say what to write."""
    start = re.match(r"[+-]?[0-9]+(?:\.[0-9]+)?", text)
    rest = text[start.end() :] if start else ""
    hint = "write plain digits 0 to 9"
    if start and not any(sign in "0123456789." for sign in rest):
        hint = (
            f"if it marks a footnote write {start[0]} and the footnote's text under a note; never as a digit"
        )
    name = unicodedata.name(mark, f"U+{ord(mark):04X}").lower()
    return Refused(f"{mark} ({name}) is a mark, not a digit", allowed="a number such as 3.2", hint=hint)


def _refusal(plain: str) -> Refused:
    """Find out what was meant and say how to write it."""
    for pattern, answer in _KNOWN:
        found = pattern.fullmatch(plain)
        if found:
            return answer(found)
    if plain.casefold() in _EMPTY_WORDS:
        return Refused(
            "not a number", hint="write not_reported when the report does not give it, or leave the line out"
        )
    if not plain:
        return Refused(
            "empty", hint="write not_reported when the report does not give it, or leave the line out"
        )
    return Refused("not a number", allowed="a number such as 3.2")


def _comma(found: re.Match[str]) -> Refused:
    text = found.group(0)
    point = text.replace(",", ".")
    if re.fullmatch(r"[+-]?\d{1,3},\d{3}", text, re.ASCII):
        without = text.replace(",", "")
        return Refused(
            "a comma in a number", hint=f"write {point} for a decimal comma, {without} for thousands"
        )
    return Refused("a decimal comma", hint=f"write {point}")


def _thousands(found: re.Match[str]) -> Refused:
    return Refused("thousands are not set apart", hint=f"write {re.sub(r'[ _,]', '', found.group(0))}")


def _percent(found: re.Match[str]) -> Refused:
    return Refused(
        "a percent sign in a field that is not a percentage",
        hint=f"write {found.group(1)} under the field for percent, or the count here",
    )


def _clock(found: re.Match[str]) -> Refused:
    minutes = int(found.group(1)) * 60 + int(found.group(2))
    return Refused("a colon in a number", hint=f"for hours and minutes write {minutes} in a field of minutes")


def _bound(found: re.Match[str]) -> Refused:
    return Refused(
        "a bound is not a value",
        hint="write not_reported here and the text with its sign under note or as_reported",
    )


def _several(found: re.Match[str]) -> Refused:
    return Refused(
        "several numbers in one field",
        hint=f"one number a field: {(found.lastgroup or '').replace('_', ' ')}",
    )


def _with_unit(found: re.Match[str]) -> Refused:
    return Refused(
        "text behind the number",
        hint=f"write {found.group(1)}; a unit has a field of its own, such as measured_in or unit",
    )


def _not_finite(found: re.Match[str]) -> Refused:
    return Refused("not a finite number", hint="write not_reported when the report does not give it")


_NUMBER = r"[+-]?\d+(?:\.\d+)?"
_KNOWN = (
    (re.compile(r"[+-]?(?:inf|infinity|nan)", re.IGNORECASE), _not_finite),
    (re.compile(r"[+-]?\d+,\d+", re.ASCII), _comma),
    (re.compile(r"[+-]?\d{1,3}(?:[ _,]\d{3})+(?:\.\d+)?|[+-]?\d+(?:_\d+)+", re.ASCII), _thousands),
    (re.compile(rf"({_NUMBER}) ?%", re.ASCII), _percent),
    (re.compile(r"(\d{1,4}):([0-5]\d)(?::\d{2})?", re.ASCII), _clock),
    (re.compile(rf"(?:[<>=≤≥~]|<=|>=|about |ca\.? ){{1,2}} ?{_NUMBER}", re.ASCII | re.IGNORECASE), _bound),
    (re.compile(rf"(?P<write_events_and_total_apart>{_NUMBER} ?(?:/|of) ?{_NUMBER})", re.ASCII), _several),
    (
        re.compile(
            rf"(?P<write_mean_and_standard_deviation_apart>{_NUMBER} ?(?:±|\+/-|\() ?{_NUMBER}\)?)", re.ASCII
        ),
        _several,
    ),
    (
        re.compile(rf"(?P<write_minimum_and_maximum_apart>{_NUMBER} ?(?:-|to|\.\.) ?{_NUMBER})", re.ASCII),
        _several,
    ),
    (re.compile(rf"({_NUMBER}) ?(?![eExX][+-]?\d*$)[^\W\d_][\w/²° ]{{0,30}}"), _with_unit),
)
