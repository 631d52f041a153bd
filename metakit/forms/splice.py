"""One value changed in the text of a YAML file, and nothing else: comments, order and layout stay.

A file that people keep is never written anew for one value. The place of the value is found by the marks of
the parser, its text is replaced or put in, and the result is read again: it must hold the old values but for
the one that changed, or the change is refused and the text stays as it was.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import yaml

from metakit.core.nouns import in_our_words
from metakit.errors import UsageError
from metakit.forms.record_text import scalar_text

Step = str | int
Steps = tuple[Step, ...]
Plain = str | Sequence["Plain"] | Mapping[str, "Plain"]
"""Texts, and lists and groups of them; numbers are given as they are to be typed."""

Order = Callable[[Steps], Sequence[str]]

_MARK = "\ufeff"


def set_value(text: str, path: Steps, value: Plain, *, order: Order | None = None) -> str:
    """Return the text with one value replaced, or put in where the field did not stand.

    Parameters
    ----------
    text : str
        A YAML file without anchors, tags and aliases.
    path : tuple of str and int
        Names of fields and positions in lists, counted from 0: ``("arms", 0, "thumbs", "analysed")``. Groups
        above the value that do not stand there yet are made; entries of lists must exist.
    value : str, sequence or mapping
        The text to stand there, or a list or group of texts.
    order : callable, optional
        Gives, for the path of a group, the names of its fields in the order of its form: a new field is put
        behind those before it. Without it, new fields stand last.

    Returns
    -------
    str
        The text, changed at that one place.

    Raises
    ------
    UsageError
        When there is no such entry, the text cannot be read, or the change cannot be made without touching
        something else.
    """
    return _checked(text, lambda body, root: _set(body, root, path, value, order), _with(path, value))


def remove_value(text: str, path: Steps) -> str:
    """Return the text without a field or an entry of a list; see `set_value`."""
    return _checked(text, lambda body, root: _remove(body, root, path), _without(path))


def add_entry(
    text: str, path: Steps, entry: Plain, *, order: Order | None = None, spread: bool = False
) -> str:
    """Return the text with an entry added at the end of a list, which is made when it is not there.

    With `spread`, a group gets a line for each of its fields where the text around it is laid out so; `order`
    is as for `set_value`, for a list that is made.
    """

    def change(body: str, root: yaml.Node) -> tuple[int, int, str]:
        return _add(body, root, path, entry, order, spread)

    return _checked(text, change, _with_entry(path, entry))


def plain_of(text: str) -> Any:
    """Return the texts that a file holds as dicts, lists and strings; an empty value is an empty string."""
    return _plain(_root(text.removeprefix(_MARK)))


def _checked(text: str, change: Any, expected: Any) -> str:
    body = text.removeprefix(_MARK)
    line_end = "\r\n" if "\r\n" in body else "\n"
    root = _root(body)
    start, end, new = change(body, root)
    changed = body[:start] + new.replace("\n", line_end) + body[end:]
    wanted = expected(_plain(root))
    try:
        found = _plain(_root(changed))
    except UsageError:
        found = None
    if found != wanted:
        raise UsageError("this change cannot be made without touching its neighbours; edit the file by hand")
    return f"{text[: len(text) - len(body)]}{changed}"


_UNTYPED: Any = type("_Untyped", (getattr(yaml, "CSafeLoader", yaml.SafeLoader),), {"resolve": lambda *_: ""})
"""Finds nodes and their places; what type a text would have elsewhere is not asked, half of the time."""


@functools.lru_cache(maxsize=8)
def _root(text: str) -> yaml.Node:
    """Return the nodes of a text, found once: what one change is checked with, the next one begins from."""
    try:
        root = yaml.compose(text, Loader=_UNTYPED)
    except yaml.YAMLError as error:
        raise UsageError(f"the file cannot be read as YAML: {error}") from None
    if not isinstance(root, yaml.MappingNode):
        raise UsageError("the file holds no form")
    return in_our_words(root)


def _plain(node: yaml.Node) -> Any:
    if isinstance(node, yaml.MappingNode):
        return {key.value: _plain(value) for key, value in node.value}
    return [_plain(item) for item in node.value] if isinstance(node, yaml.SequenceNode) else node.value


# --- what the file must hold afterwards ------------------------------------------------------------------


def _texts(value: Plain) -> Any:
    if isinstance(value, Mapping):
        return {key: _texts(item) for key, item in value.items()}
    return value if isinstance(value, str) else [_texts(item) for item in value]


def _at(holder: Any, path: Steps, replace: Any) -> Any:
    if not path:
        return replace(holder)
    step, rest = path[0], path[1:]
    if isinstance(step, int):
        return [*holder[:step], _at(holder[step], rest, replace), *holder[step + 1 :]]
    inside = holder if isinstance(holder, dict) else {}
    return {**inside, step: _at(inside.get(step, ""), rest, replace)}


def _with(path: Steps, value: Plain) -> Any:
    return lambda plain: _at(plain, path, lambda _: _texts(value))


def _with_entry(path: Steps, entry: Plain) -> Any:
    return lambda plain: _at(plain, path, lambda old: [*(old or []), _texts(entry)])


def _without(path: Steps) -> Any:
    def remove(holder: Any) -> Any:
        last = path[-1]
        if isinstance(last, int):
            return [*holder[:last], *holder[last + 1 :]] or ""
        return {key: item for key, item in holder.items() if key != last} or ""

    return lambda plain: _at(plain, path[:-1], remove)


# --- where it stands in the text --------------------------------------------------------------------------


def _flows(node: yaml.Node) -> bool:
    return isinstance(node, yaml.CollectionNode) and bool(node.flow_style)


def _find(root: yaml.Node, path: Steps) -> tuple[yaml.Node, int]:
    """Return the deepest node on the path that is there, and how many steps lead to it."""
    node = root
    for depth, step in enumerate(path):
        below = _child(node, step)
        if below is None:
            return node, depth
        node = below
    return node, len(path)


def _child(node: yaml.Node, step: Step) -> yaml.Node | None:
    if isinstance(node, yaml.MappingNode) and isinstance(step, str):
        return next((value for key, value in node.value if key.value == step), None)
    if isinstance(step, int):
        if isinstance(node, yaml.SequenceNode) and 0 <= step < len(node.value):
            entry: yaml.Node = node.value[step]
            return entry
        raise UsageError(f"there is no entry {step + 1} here")
    return None


def _true_end(node: yaml.Node, text: str) -> int:
    """Return where the last character of a node stands; the parser's mark runs over comments behind it."""
    if isinstance(node, yaml.ScalarNode):
        end = int(node.end_mark.index)
        if node.style in ("|", ">"):
            return len(text[:end].rstrip("\r\n"))
        return end
    if _flows(node) or not node.value:
        return int(node.end_mark.index)
    last = node.value[-1]
    return _true_end(last[1] if isinstance(last, tuple) else last, text)


def _line_end(text: str, index: int) -> int:
    found = text.find("\n", index)
    end = len(text) if found < 0 else found
    return end - 1 if end > index and text[end - 1] == "\r" else end


def _line_start(text: str, index: int) -> int:
    return text.rfind("\n", 0, index) + 1


def _is_empty(node: yaml.Node) -> bool:
    return isinstance(node, yaml.ScalarNode) and not node.style and not node.value


# --- the changes: each returns start, end and the text that takes its place -------------------------------


def _set(text: str, root: yaml.Node, path: Steps, value: Plain, order: Order | None) -> tuple[int, int, str]:
    node, depth = _find(root, path)
    if depth == len(path):
        return _replace(text, node, value)
    rest = path[depth:]
    if any(isinstance(step, int) for step in rest):
        raise UsageError("there is no such list here; an entry must be added first")
    for step in reversed(rest[1:]):
        value = {str(step): value}
    if isinstance(node, yaml.MappingNode):
        return _insert(text, node, str(rest[0]), value, order(path[:depth]) if order else ())
    if _is_empty(node):
        return _replace(text, node, {str(rest[0]): value})
    raise UsageError(f"a group is expected at {'.'.join(map(str, path[:depth]))}, not a single value")


def _replace(text: str, node: yaml.Node, value: Plain) -> tuple[int, int, str]:
    start, end = int(node.start_mark.index), _true_end(node, text)
    new = _flow(value)
    if isinstance(node, yaml.CollectionNode) and not node.flow_style:
        # A block collection starts on a line of its own: it is replaced from behind its key.
        start = len(text[:start].rstrip(" \t\r\n"))
        return start, end, f" {new}"
    if _is_empty(node):
        before = text[start - 1 : start]
        lead = " " if before in (":", "-") else "" if before in " \t" else ": "
        return start, start, f"{lead}{new}"
    return start, end, new


def _insert(
    text: str, node: yaml.MappingNode, name: str, value: Plain, order: Sequence[str]
) -> tuple[int, int, str]:
    line = f"{scalar_text(name)}: {_flow(value)}".rstrip()
    if not node.flow_style and node.start_mark.column == 0 and isinstance(value, Mapping) and value:
        line = f"{scalar_text(name)}:\n  {_lines(value, '  ')}"  # a section of the record
    if not node.value:
        return int(node.start_mark.index), int(node.end_mark.index), "{" + line + "}"
    before = _place_in_order([key.value for key, _ in node.value], name, order)
    if node.flow_style:
        if before < 0:
            start = int(node.value[0][0].start_mark.index)
            return start, start, f"{line}, "
        last = node.value[before][1]
        end = _true_end(last, text)
        return end, end, f", {line}"
    key = node.value[0][0]
    if before < 0:
        start = int(key.start_mark.index)
        return start, start, f"{line}\n{' ' * key.start_mark.column}"
    end = _line_end(text, _true_end(node.value[before][1], text))
    return end, end, f"\n{' ' * key.start_mark.column}{line}"


def _place_in_order(there: Sequence[str], name: str, order: Sequence[str]) -> int:
    """Return behind which of the fields that stand there a new one belongs; -1 for before all."""
    if name not in order:
        return len(there) - 1
    mine = list(order).index(name)
    known = {field: rank for rank, field in enumerate(order)}
    earlier = [at for at, field in enumerate(there) if known.get(field, mine) < mine]
    return max(earlier, default=-1)


def _add(
    text: str, root: yaml.Node, path: Steps, entry: Plain, order: Order | None, spread: bool
) -> tuple[int, int, str]:
    node, depth = _find(root, path)
    if depth < len(path) or not isinstance(node, yaml.SequenceNode) or not node.value:
        if depth == len(path) and isinstance(node, yaml.ScalarNode) and not _is_empty(node):
            raise UsageError("a list of entries is expected here, not a single value")
        start, end, new = _set(text, root, path, [entry], order)
        flow = _flow([entry])
        holder = _find(root, path[:-1])[0]
        if spread and isinstance(entry, Mapping) and new.endswith(flow) and not _flows(holder):
            indent = " " * (int(holder.start_mark.column) + 2)
            start = len(text[:start].rstrip(" ")) if text[start - 1 : start] == " " else start
            return start, end, f"{new.removesuffix(flow).rstrip()}\n{indent}- {_lines(entry, indent + '  ')}"
        return start, end, new
    last = node.value[-1]
    if node.flow_style:
        end = _true_end(last, text)
        return end, end, f", {_flow(entry)}"
    indent = " " * int(node.start_mark.column)
    end = _line_end(text, _true_end(last, text))
    written = _lines(entry, indent + "  ") if spread and isinstance(entry, Mapping) else _flow(entry)
    return end, end, f"\n{indent}- {written}"


def _remove(text: str, root: yaml.Node, path: Steps) -> tuple[int, int, str]:
    holder, depth = _find(root, path[:-1])
    if depth < len(path) - 1 or _child(holder, path[-1]) is None:
        raise UsageError("there is nothing to remove here")
    if isinstance(holder, yaml.MappingNode):
        spans = [(int(key.start_mark.index), _true_end(value, text), value) for key, value in holder.value]
        at = [key.value for key, _ in holder.value].index(path[-1])
    else:
        spans = [(int(item.start_mark.index), _true_end(item, text), item) for item in holder.value]
        at = int(path[-1])
    if len(spans) == 1:
        if not _flows(holder):
            return _replace(text, holder, "")
        return int(holder.start_mark.index), int(holder.end_mark.index), ""
    start, end, _ = spans[at]
    if _flows(holder):
        return (start, spans[at + 1][0], "") if at == 0 else (spans[at - 1][1], end, "")
    begin = _line_start(text, start)
    lead = (
        text[begin:start].replace("-", "", 1) if isinstance(holder, yaml.SequenceNode) else text[begin:start]
    )
    if lead.strip():
        # The first field of an entry shares its line with the dash: the next field moves up.
        return start, spans[at + 1][0], ""
    stop = _line_end(text, end)
    after = text.find("\n", stop)
    return begin, len(text) if after < 0 else after + 1, ""


def _lines(group: Mapping[str, Plain], indent: str) -> str:
    """Write the fields of a group below each other; the first one stands where the text goes on."""
    lines = (f"{scalar_text(key)}: {_flow(value)}".rstrip() for key, value in group.items())
    return f"\n{indent}".join(lines) or "{}"


def _flow(value: Plain) -> str:
    if isinstance(value, str):
        return scalar_text(value) if value else ""
    if isinstance(value, Mapping):
        return f"{{{', '.join(f'{scalar_text(key)}: {_flow(one)}'.rstrip() for key, one in value.items())}}}"
    return "[" + ", ".join(_flow(item) or '""' for item in value) + "]"
