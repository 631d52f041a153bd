"""What a cell accepts, as the data validation of a spreadsheet."""

from __future__ import annotations

from typing import Any

from metakit.core.nouns import nouns
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.field_words import entry_words, plain_words
from metakit.forms.specs import FieldSpec

LONGEST_MESSAGE, LONGEST_TITLE = 255, 32


def validation_of(
    spec: FieldSpec, cell: str, *, codes: str, choices: str | None, ids: str | None
) -> dict[str, Any]:
    """Return the options of a data validation.

    Parameters
    ----------
    spec : FieldSpec
        The field.
    cell : str
        First cell of the range, as formulas name it.
    codes : str
        Range of the codes for missing values.
    choices : str or None
        Range of what may be chosen, codes included where the form allows them.
    ids : str or None
        Range of the identifiers that the value must be one of.
    """
    kind = FIELD_TYPES[spec.type]
    code = " Or: not_reported, not_measured, not_applicable." if spec.may_be_missing else ""
    message = entry_words(spec) + "." + (f" Unit: {spec.unit}." if spec.unit else "") + code
    if len(message) > LONGEST_MESSAGE:
        message = message[: LONGEST_MESSAGE - 3] + "..."
    options: dict[str, Any] = {
        "input_title": nouns().said(plain_words(spec.name))[:LONGEST_TITLE],
        "input_message": message,
        "error_title": "Not accepted here",
        "error_message": (message if len(message) <= LONGEST_MESSAGE else message[:LONGEST_MESSAGE]),
        "ignore_blank": True,
    }
    if choices and not kind.many:
        ending = {"error_type": "warning"} if spec.open_list else {}
        return {**options, "validate": "list", "source": f"={choices}", **ending}
    if ids and not kind.many:
        return {**options, "validate": "list", "source": f"={ids}"}
    if kind.numeric:
        return {**options, **_number(spec, cell, codes)}
    if spec.type in ("date", "partial_date"):
        whole = f'AND(LEN({cell})=10,MID({cell},5,1)="-",MID({cell},8,1)="-")'
        month = f'AND(LEN({cell})=7,MID({cell},5,1)="-")'
        shapes = whole if spec.type == "date" else f"{whole},{month},LEN({cell})=4"
        code_test = f",COUNTIF({codes},{cell})>0" if spec.may_be_missing else ""
        return {**options, "validate": "custom", "value": f"=OR({shapes},ISNUMBER({cell}){code_test})"}
    return {**options, "validate": "any"}


def _number(spec: FieldSpec, cell: str, codes: str) -> dict[str, Any]:
    low, high = spec.hard_minimum, spec.hard_maximum
    if spec.type == "percent":
        low, high = 0.0 if low is None else low, 100.0 if high is None else high
    hard = low is not None or high is not None
    if not hard:
        low, high = spec.soft_minimum, spec.soft_maximum
    tests = [f"ISNUMBER({cell})"]
    tests += [f"{cell}>={low:.15g}"] if low is not None else []
    tests += [f"{cell}<={high:.15g}"] if high is not None else []
    if spec.type == "integer":
        tests.append(f"MOD({cell},1)=0")
    # IF keeps the arithmetic away from texts, on which it would fail.
    otherwise = f"COUNTIF({codes},{cell})>0" if spec.may_be_missing else "FALSE"
    test = f"IF(ISNUMBER({cell}),AND({','.join(tests)}),{otherwise})"
    only_soft = not hard and (low is not None or high is not None)
    return {"validate": "custom", "value": f"={test}", "error_type": "warning" if only_soft else "stop"}


def soft_test(spec: FieldSpec, cell: str) -> str:
    """Return the formula that is true for a possible but unusual number; empty without soft limits."""
    low, high = spec.soft_minimum, spec.soft_maximum
    tests = [f"{cell}<{low:.15g}"] if low is not None else []
    tests += [f"{cell}>{high:.15g}"] if high is not None else []
    return f"=AND(ISNUMBER({cell}),OR({','.join(tests)}))" if tests else ""
