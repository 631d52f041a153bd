"""Changes of fields in a record's text: what a page saw is compared with what stands there, then spliced."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from metakit.errors import UsageError
from metakit.forms.addresses import Addresses
from metakit.forms.answers import SECTION
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.reading import read_fields
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.forms.splice import Plain, Steps, add_entry, plain_of, remove_value, set_value
from metakit.forms.yaml_nodes import read_bytes

ADDRESSED = (SECTION, "places")
"""Lists of a record whose entries name a field by its address: they move when an entry's key changes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One field: its address, the text that the page saw there, the text that is to stand there.

    The texts of a list stand below each other.
    """

    address: str
    old: str
    new: str


class ConflictError(UsageError):
    """The field holds what somebody else typed since the page was shown; nothing was written."""

    def __init__(self, address: str, yours: str, theirs: str) -> None:
        self.address, self.yours, self.theirs = address, yours, theirs
        super().__init__("changed elsewhere since this page was shown")


def text_of(plain: Any) -> str:
    """Return what stands in a field as one text; the texts of a list below each other."""
    if isinstance(plain, list):
        return "\n".join(item for item in plain if isinstance(item, str))
    return plain if isinstance(plain, str) else ""


def plain_at(plain: Any, steps: Steps) -> Any:
    """Return what stands at the end of a way, an empty text where nothing does."""
    for step in steps:
        if isinstance(plain, dict) and isinstance(step, str):
            plain = plain.get(step, "")
        elif isinstance(plain, list) and isinstance(step, int) and step < len(plain):
            plain = plain[step]
        else:
            return ""
    return plain


def field_at(form: Form, steps: Steps) -> FieldSpec | None:
    """Return the field that a way leads to."""
    return form.find(".".join(step for step in steps if isinstance(step, str)))


def in_order(form: Form) -> Callable[[Steps], Sequence[str]]:
    """Return what the splice asks: the names of a group's fields in the order of the form."""

    def order(steps: Steps) -> Sequence[str]:
        if not steps:
            return ["form", "form_version", *(section.name for section in form.sections)]
        spec = field_at(form, steps)
        return [field.name for field in form.fields_of(spec)] if spec is not None else ()

    return order


def addresses_in(text: str, form: Form) -> Addresses:
    """Return the addresses of a text that can be read.

    Raises
    ------
    UsageError
        When it cannot be read.
    """
    root = read_bytes(text.encode(), "record").root
    if root is None:
        raise UsageError("the file cannot be read any more; mend it by hand, then go on here")
    return Addresses(read_fields(root, form)[0], form)


def with_changes(
    text: str, form: Form, changes: Iterable[Change], *, seen: bool, known: Addresses | None = None
) -> tuple[str, tuple[tuple[str, str], ...]]:
    """Return the text with fields changed, and the entries whose address became another: (old, new).

    Parameters
    ----------
    text : str
        The file as it stands.
    form : Form
        Its form.
    changes : iterable of Change
        What is to be changed.
    seen : bool
        Whether the page saw this very file. Where it did not, an entry that has no key, only a number, may be
        another one by now.
    known : Addresses, optional
        The addresses of this very text, where they were found already.

    Raises
    ------
    ConflictError
        When a field holds neither what the page saw nor what is to stand there.
    UsageError
        When there is no such field, or the change would touch others.
    """
    moved: list[tuple[str, str]] = []
    for change in changes:
        before = text
        text, found = _with_change(text, form, change, known or addresses_in(text, form), seen=seen)
        known = known if text == before else None
        moved += found
    return text, tuple(moved)


def _with_change(
    text: str, form: Form, change: Change, addresses: Addresses, *, seen: bool
) -> tuple[str, list[tuple[str, str]]]:
    steps = addresses.steps(change.address)
    spec = field_at(form, steps) if steps else None
    new = tidy(change.new)
    if steps is None or spec is None or spec.type == GROUP:
        if not seen:
            raise ConflictError(change.address, new, "")
        raise UsageError(f"there is no field {change.address}")
    plain = plain_of(text)
    there = text_of(plain_at(plain, steps))
    if there == new:
        return text, []
    if there != tidy(change.old) or (not seen and _by_number(plain, form, steps)):
        raise ConflictError(change.address, new, there)
    if new:
        many = FIELD_TYPES[spec.type].many
        value: Plain = [line for line in new.split("\n") if line] if many else new
        text = set_value(text, steps, value, order=in_order(form))
    else:
        text = _cleared(text, plain, form, steps)
    return _moved(text, form, addresses, steps)


def tidy(text: str) -> str:
    """Return a typed text with plain line ends and without spaces around it."""
    return text.replace("\r\n", "\n").replace("\r", "\n").strip()


def _cleared(text: str, plain: Any, form: Form, steps: Steps) -> str:
    """Empty a field; a small group that holds nothing else is emptied with it."""
    holder = plain_at(plain, steps[:-1])
    alone = isinstance(holder, Mapping) and not any(
        value for name, value in holder.items() if name != steps[-1]
    )
    inside = field_at(form, steps[:-1]) if len(steps) > 1 and isinstance(steps[-2], str) else None
    if alone and inside is not None and not inside.repeats and not inside.required and len(steps) > 2:
        emptied = set_value(text, steps[:-1], "")
        typed = text_of(plain_at(plain, steps)).count("#")
        if emptied.count("#") + typed == text.count("#"):  # a comment within the group keeps it
            return emptied
    return set_value(text, steps, "")


def _by_number(plain: Any, form: Form, steps: Steps) -> bool:
    """Whether an entry on the way is told from others by its position alone."""
    for depth, step in enumerate(steps):
        if isinstance(step, int):
            spec = field_at(form, steps[:depth])
            entry = plain_at(plain, steps[: depth + 1])
            keys = spec.matched_by if spec else ()
            if not any(plain_at(entry, tuple(key.split("."))) for key in keys):
                return True
    return False


def by_position(steps: Steps) -> str:
    """Return a way as messages name it: arms[1].partly_given[2]."""
    return "".join(f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in steps)[1:]


def _moved(text: str, form: Form, before: Addresses, steps: Steps) -> tuple[str, list[tuple[str, str]]]:
    """Let what is kept under an entry's address follow it when its key changed."""
    depth = max((n for n, step in enumerate(steps) if isinstance(step, int)), default=0)
    spec = field_at(form, steps[:depth]) if depth else None
    key = ".".join(step for step in steps[depth + 1 :] if isinstance(step, str))
    if spec is None or key not in spec.matched_by:
        return text, []
    after, listed = addresses_in(text, form), by_position(steps[:depth])
    count = len(plain_at(plain_of(text), steps[:depth]))
    entries = [f"{listed}[{number}]" for number in range(1, count + 1)]
    moves = [(was, now) for one in entries if (was := before.of(one)) != (now := after.of(one))]
    for section in ADDRESSED:
        entries = plain_of(text).get(section) or []
        for at, entry in enumerate(entries if isinstance(entries, list) else ()):
            named = entry.get("field", "") if isinstance(entry, Mapping) else ""
            for was, now in moves:
                if named == was or named.startswith(f"{was}."):
                    text = set_value(text, (section, at, "field"), now + named[len(was) :])
                    break
    return text, moves


def with_entry(text: str, form: Form, listed: str, keys: Mapping[str, str]) -> tuple[str, str]:
    """Return the text with an entry added to a list, its key fields filled in, and the entry's address.

    Raises
    ------
    UsageError
        When an entry with this key stands there already, or the key says nothing.
    """
    before = addresses_in(text, form)
    steps = before.steps(listed)
    spec = field_at(form, steps) if steps else None
    if steps is None or spec is None or not spec.repeats:
        raise UsageError(f"there is no list {listed}")
    order = [field.name for field in form.fields_of(spec)]
    entry: dict[str, Any] = {}
    for name in sorted(keys, key=lambda name: (*order, name.partition(".")[0]).index(name.partition(".")[0])):
        first, _, rest = name.partition(".")
        if name not in key_fields(spec, form):
            raise UsageError(f"{name} does not tell entries of {listed} apart")
        if typed := _as_typed(keys[name], form.find(f"{_without_keys(listed)}.{name}")):
            if rest:
                entry.setdefault(first, {})[rest] = typed
            else:
                entry[first] = typed
    if not entry:
        raise UsageError("say first what the new entry is about")
    empty = _empty_entry(plain_at(plain_of(text), steps))
    if empty is not None:  # as a new review has them
        for name in keys:
            if typed := _as_typed(keys[name], form.find(f"{_without_keys(listed)}.{name}")):
                text = set_value(text, (*steps, empty, *name.split(".")), typed, order=in_order(form))
        return text, _names_at(addresses_in(text, form), listed, steps, spec)[empty]
    added = add_entry(text, steps, entry, order=in_order(form), spread=True)
    names = _names_at(addresses_in(added, form), listed, steps, spec)
    known = _names_at(before, listed, steps, spec)
    last = names[-1] if names else ""
    if len(names) != len(known) + 1 or ("#" in last and f"{last.rpartition('#')[0]}]" in known):
        raise UsageError("there is an entry for this already; open it in the list")
    return added, last


def _as_typed(text: str, spec: FieldSpec | None) -> str | list[str]:
    """Return what a typed text puts into a field: a list where it holds several, terms parted by commas."""
    typed = tidy(text)
    if spec is None or not FIELD_TYPES[spec.type].many:
        return typed
    parts = re.split(r"[,\n]", typed) if spec.terms else typed.split("\n")
    return [part.strip() for part in parts if part.strip()]


def _without_keys(address: str) -> str:
    return "".join(piece.split("]")[-1] for piece in address.split("["))


def _empty_entry(entries: Any) -> int | None:
    """Return the place of the first entry that says nothing."""

    def says(plain: Any) -> bool:
        inner = plain.values() if isinstance(plain, Mapping) else plain if isinstance(plain, list) else ()
        return any(map(says, inner)) if inner else bool(plain) and not isinstance(plain, (Mapping, list))

    found = enumerate(entries) if isinstance(entries, list) else ()
    return next((at for at, entry in found if isinstance(entry, Mapping) and not says(entry)), None)


def key_fields(spec: FieldSpec, form: Form) -> tuple[str, ...]:
    """Return the fields that a new entry begins with: those that tell entries apart, else required ones."""
    required = tuple(one.name for one in form.fields_of(spec) if one.required and one.type != GROUP)
    return spec.matched_by or required[:3]


def _names_at(addresses: Addresses, listed: str, steps: Steps, spec: FieldSpec) -> list[str]:
    holder = addresses.group_at(steps[:-1])
    found = addresses.entries(holder, spec) if holder is not None else ()
    return [f"{listed}[{name}]" for name, _ in found]


def without_entry(text: str, form: Form, address: str) -> str:
    """Return the text without an entry of one of the record's lists.

    Raises
    ------
    UsageError
        When there is no such entry.
    """
    steps = addresses_in(text, form).steps(address)
    if steps is None or not isinstance(steps[-1], int):
        raise UsageError("there is no such entry any more")
    text = remove_value(text, steps)
    for section in ADDRESSED:
        entries = plain_of(text).get(section) or []
        for at in reversed(range(len(entries) if isinstance(entries, list) else 0)):
            named = entries[at].get("field", "") if isinstance(entries[at], Mapping) else ""
            if named == address or named.startswith(f"{address}."):
                text = remove_value(text, (section, at))
    return text
