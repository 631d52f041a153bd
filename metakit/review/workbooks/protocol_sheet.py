"""The protocol of a review as a workbook, and back: only what changed is changed in `protocol.yaml`.

Comments, order and layout of the file stay; where a change cannot be made so, the file is written anew and
the earlier one kept beside it. A workbook knows the values that it was made of, and the file those that were
collected last: values that somebody typed into the file since are not replaced unless asked.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from metakit.core.files import write_atomically
from metakit.core.seals import sealed, write_new
from metakit.errors import Problem, UnreadableError, UsageError
from metakit.forms.library import shipped
from metakit.forms.record_text import record_text
from metakit.forms.record_workbooks.layout import layout_of
from metakit.forms.record_workbooks.writing import workbook_bytes
from metakit.forms.specs import GROUP
from metakit.forms.splice import Steps, add_entry, plain_of, remove_value, set_value
from metakit.forms.yaml_nodes import ListNode, MapNode, Node, ScalarNode, read_document
from metakit.review.files import PROTOCOL

FORM = "protocol"
WORKBOOK = "protocol.xlsx"
EARLIER = "protocol.earlier.yaml"
VALUES = "values"
"""Name of the hidden fact of a workbook: the hash of the values that it was made of."""
NAMED_BY = ("id", "outcome", "label", "date")
MOST_SHOWN = 8
_MARK = re.compile(r"\n?^# metakit: values as collected from .* \(([0-9a-f]{64})\)\n?", re.MULTILINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtocolCollected:
    """What became of a protocol that was read from a workbook.

    `written` is None where the file said the same already or was left as it is; `problems` say why.
    """

    written: Path | None
    problems: tuple[Problem, ...] = ()


def write_protocol_sheet(out: Path, review: Path, *, replace: bool = False) -> Path:
    """Write the protocol of a review as a workbook, filled in as far as it is.

    Raises
    ------
    UsageError
        When `out` is no .xlsx or holds what somebody saved.
    UnreadableError
        When the review has no protocol that can be read.
    """
    if out.suffix.lower() != ".xlsx":
        raise UsageError(f"{out.name}: a protocol is typed into NAME.xlsx")
    return write_new({out: protocol_workbook(review)}, replace=replace)[0]


def protocol_workbook(review: Path) -> bytes:
    """Return the workbook of a review's protocol; see `write_protocol_sheet`."""
    path = review / PROTOCOL
    if not path.is_file():
        hint = f"'metakit new {review}' makes a review folder"
        raise UnreadableError([Problem(file=str(review), what=f"the folder has no {PROTOCOL}", hint=hint)])
    document = read_document(path)
    root = _filled(document.root) if document.root is not None else None
    if not isinstance(root, MapNode):
        raise UnreadableError(document.problems or [Problem(file=str(path), what="the file holds no form")])
    library = shipped()
    example = read_document(library.folder / "examples" / f"{FORM}.yaml").root
    return workbook_bytes(
        layout_of(library.form(FORM)), {FORM: root}, batch=False, example=example,
        more_facts={VALUES: _hash(_plain(root))},
    )  # fmt: skip


def sealed_workbook(review: Path) -> bytes:
    """Return the workbook with its seal, by which it is known that nobody typed into it yet."""
    return sealed(protocol_workbook(review), ".xlsx")


def collect_protocol(
    review: Path, root: MapNode, *, source: str, made_of: str, replace: bool = False
) -> ProtocolCollected:
    """Bring `protocol.yaml` up to what a workbook says; call it while holding the review's lock.

    Parameters
    ----------
    review : Path
    root : MapNode
        The checked protocol of the workbook, without blanks.
    source : str
        Name of the workbook.
    made_of : str
        Hash of the values that the workbook was made of.
    replace : bool
        Whether values that somebody typed into the file since are replaced.
    """
    path = review / PROTOCOL
    new = _plain(root)
    if not path.is_file():
        text = record_text(root, [f"Collected from {source}."])
        return ProtocolCollected(written=_write(path, _marked(text, new, source)))
    text = path.read_bytes().decode("utf-8")
    old = plain_of(text)
    if _hash(old) == _hash(new):
        return ProtocolCollected(written=None)
    mark = _MARK.search(text.replace("\r\n", "\n"))
    ours = {made_of, mark[1] if mark else ""}
    if not (replace or _hash(old) in ours or is_blank(old)):
        differing = list(_differences(old, new, ""))
        more = f" and {len(differing) - MOST_SHOWN} more" if len(differing) > MOST_SHOWN else ""
        what = f"{path} was changed since this workbook was made, and was left as it is"
        hint = "make a fresh workbook with 'metakit sheet --protocol', or collect again with --replace"
        found = f"{'; '.join(differing[:MOST_SHOWN])}{more}"
        return ProtocolCollected(
            written=None, problems=(Problem(file=source, what=what, found=found, hint=hint),)
        )
    problems: tuple[Problem, ...] = ()
    try:
        changed = _merged(text, new)
    except UsageError:
        write_atomically(review / EARLIER, text.encode(), within=review)
        changed = record_text(root, [f"Collected from {source}."])
        what = f"written anew: comments and layout could not be kept; the earlier file is {EARLIER}"
        problems = (Problem(file=str(path), what=what, severity="question"),)
    return ProtocolCollected(written=_write(path, _marked(changed, new, source)), problems=problems)


def is_blank(value: Any, *, prefilled: Sequence[str] = ("form", "form_version", "id")) -> bool:
    """Say whether a protocol is as empty as `metakit new` made it: nothing but its id stands in it."""
    if isinstance(value, Mapping):
        return all(key in prefilled or is_blank(item) for key, item in value.items())
    if isinstance(value, list | tuple):
        return all(map(is_blank, value))
    return value in ("", None)


def _filled(node: Node) -> Node | None:
    """Return a node without what is left blank in it, lists and groups of blanks among it."""
    if isinstance(node, ScalarNode):
        return node if node.text.strip() else None
    if isinstance(node, ListNode):
        items = tuple(item for item in map(_filled, node.items) if item is not None)
        return ListNode(items, node.place) if items else None
    kept = ((key, _filled(value)) for key, value in node.entries)
    entries = tuple((key, value) for key, value in kept if value is not None)
    return MapNode(entries, node.place) if entries else None


def _write(path: Path, text: str) -> Path:
    return write_atomically(path, text.encode(), within=path.parent)


def _marked(text: str, values: Any, source: str) -> str:
    """Return a text with the line that says which values were collected last."""
    bare = _MARK.sub("\n", text).rstrip("\r\n")
    end = "\r\n" if "\r\n" in text else "\n"
    return f"{bare}{end}# metakit: values as collected from {source} ({_hash(values)}){end}"


def _merged(text: str, new: Mapping[str, Any]) -> str:
    """Return the text with every value that differs set, put in or taken out, one at a time."""
    return _group(text, (), plain_of(text), new)


def _group(text: str, path: Steps, old: Mapping[str, Any], new: Mapping[str, Any]) -> str:
    for key, value in new.items():
        there = old.get(key, "")
        if there == value:
            continue
        if isinstance(value, Mapping) and isinstance(there, Mapping):
            text = _group(text, (*path, key), there, value)
        elif isinstance(value, list) and _of_groups(value) and _of_groups(there):
            text = _entries(text, (*path, key), there, value)
        else:
            text = set_value(text, (*path, key), value, order=_order)
    for key, there in old.items():
        if key not in new and not is_blank(there, prefilled=()):
            text = remove_value(text, (*path, key))
    return text


def _entries(text: str, path: Steps, old: list[Any], new: list[Any]) -> str:
    """Bring a list of groups up to date: what is gone goes, what stays is matched by its name."""
    names = [_name(item) for item in new]
    kept = list(old)
    for at in range(len(old) - 1, -1, -1):
        gone = _name(old[at]) not in names and not is_blank(old[at], prefilled=())
        if gone and len(kept) > 1:
            text = remove_value(text, (*path, at))
            del kept[at]
    for at, value in enumerate(new):
        there = at < len(kept)
        text = _group(text, (*path, at), kept[at], value) if there else add_entry(text, path, value)
    for at in range(len(kept) - 1, len(new) - 1, -1):
        text = remove_value(text, (*path, at))
    return text


def _of_groups(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(item, Mapping) for item in value)


def _name(entry: Mapping[str, Any]) -> str:
    return next((str(entry[key]) for key in NAMED_BY if entry.get(key)), "")


def _order(path: Steps) -> Sequence[str]:
    """Return the fields of a group of the form in their order."""
    form = shipped().form(FORM)
    names = [step for step in path if isinstance(step, str)]
    if not names:
        return ("form", "form_version", *(spec.name for spec in form.sections))
    spec = form.find(".".join(names))
    return [field.name for field in form.fields_of(spec)] if spec and spec.type == GROUP else []


def _differences(old: Any, new: Any, where: str) -> Iterator[str]:
    """Yield where a file and a workbook say different things."""
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        for key in dict.fromkeys((*old, *new)):
            yield from _differences(old.get(key, ""), new.get(key, ""), f"{where}.{key}" if where else key)
    elif _of_groups(old) and _of_groups(new):
        for at in range(max(len(old), len(new))):
            pair = [items[at] if at < len(items) else {} for items in (old, new)]
            yield from _differences(pair[0], pair[1], f"{where}[{at + 1}]")
    elif old != new and not (is_blank(old, prefilled=()) and is_blank(new, prefilled=())):
        yield f"{where}: {_short(old)} in the file, {_short(new)} in the workbook"


def _short(value: Any) -> str:
    text = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    return f"“{' '.join(text.split())[:40]}”" if text else "nothing"


def _plain(node: Node) -> Any:
    if isinstance(node, MapNode):
        return {key.text: _plain(value) for key, value in node.entries}
    if isinstance(node, ListNode):
        return [_plain(item) for item in node.items]
    return node.text if isinstance(node, ScalarNode) else ""


def _hash(values: Any) -> str:
    """Return the hash of what is typed; blanks and spaces around texts count for nothing."""
    return hashlib.sha256(json.dumps(_tidy(values), sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def _tidy(value: Any) -> Any:
    if isinstance(value, Mapping):
        kept = {key: _tidy(item) for key, item in value.items()}
        return {key: item for key, item in kept.items() if item not in ("", {}, [])}
    if isinstance(value, list | tuple):
        return [item for item in map(_tidy, value) if item not in ("", {}, [])]
    return " ".join(str(value).split())
