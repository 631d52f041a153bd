"""What a browser shows of a form: fields, groups, lists, and what is wrong or asked, in words."""

from __future__ import annotations

from dataclasses import dataclass

from metakit.errors import Problem
from metakit.forms.addresses import entry_key
from metakit.forms.answers import SECTION, values_of
from metakit.forms.records import Reading
from metakit.forms.specs import FieldSpec, Form
from metakit.forms.tree import Group

GAP = "a value is required"


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One problem in words, at its field; a question can be answered there."""

    severity: str
    text: str
    rule: str = ""
    address: str = ""
    values: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldView:
    """One field. `kind` is how it is typed: line, lines, choice, boxes or terms."""

    id: str
    address: str
    name: str
    label: str
    kind: str
    value: str
    path: str
    help: str = ""
    unit: str = ""
    required: bool = False
    codes: bool = False
    numeric: bool = False
    many: bool = False
    options: tuple[tuple[str, str], ...] = ()
    shown: str = ""
    told: tuple[Told, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupView:
    """Fields that belong together: those asked for, and the others that a report may hold (`more`)."""

    id: str
    address: str
    label: str
    help: str
    fields: tuple[FieldView | GroupView | ListView, ...]
    more: tuple[FieldView | GroupView | ListView, ...] = ()
    told: tuple[Told, ...] = ()
    removable: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ListView:
    """A list within an entry: its entries, and the fields that a new one begins with."""

    id: str
    address: str
    label: str
    help: str
    entries: tuple[GroupView, ...]
    keys: tuple[FieldView, ...]
    told: tuple[Told, ...] = ()


def is_gap(problem: Problem) -> bool:
    """Whether a problem only says that something is still to be typed."""
    return problem.severity == "error" and problem.what.startswith(GAP) and not problem.rule


def told(problem: Problem, address: str, *, answerable: bool = True) -> Told:
    """Return a problem in words, without the place that its field has in the file.

    A question is answered there where the form keeps answers (`answerable`).
    """
    parts = [problem.what]
    parts += [
        f"{name}: {text}" for name, text in (("found", problem.found), ("allowed", problem.allowed)) if text
    ]
    parts += [problem.hint] if problem.hint else []
    if problem.severity == "answered":
        parts.append(f"answered: {problem.answer}")
    asks = answerable and problem.severity == "question" and problem.rule and problem.address
    return Told(
        severity=problem.severity,
        text="; ".join(parts),
        rule=problem.rule if asks else "",
        address=problem.address if asks else address,
        values=values_of(problem) if asks else "",
    )


def problems_by_address(reading: Reading) -> dict[str, list[Told]]:
    """Return what is wrong or asked, by the address of its field; a gap is only an empty field."""
    found: dict[str, list[Told]] = {}
    addresses = reading.addresses
    if addresses is None:
        return {"": [told(problem, "") for problem in reading.problems]}
    answerable = reading.form is not None and reading.form.find(SECTION) is not None
    for problem in reading.problems:
        if not is_gap(problem):
            address = addresses.of(problem.field) if problem.field else ""
            found.setdefault(address, []).append(told(problem, address, answerable=answerable))
    return found


def entry_words(group: Group, spec: FieldSpec, form: Form) -> str:
    """Say in words what an entry of a list is, from the fields that tell it apart."""
    parts: list[str] = []
    time = {}
    for name, text in zip(spec.matched_by, entry_key(group, spec.matched_by), strict=True):
        found = form.find(f"{spec.name}.{name}")
        term = found.terms.get(text) if found is not None else None
        words = ((term.label if term is not None else "") or text).replace("_", " ") if text else ""
        if name.startswith("time."):
            time[name] = words
        elif text:
            parts.append(words if term is not None else text)
    value = f"{time.get('time.value', '')} {time.get('time.unit', '')}".strip()
    label = time.get("time.label", "")
    parts.append(f"{label} ({value})" if label and value else label or value)
    parts.append(group.text("label"))
    if not spec.matched_by:
        parts += [group.text("id"), group.text("outcome").replace("_", " "), group.text("date")]
    return " · ".join(part for part in dict.fromkeys(parts) if part)
