"""Nodes written as YAML text that reads back as the same nodes."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

from metakit.forms.yaml_nodes import ListNode, MapNode, Node, ScalarNode

WIDTH = 110
_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.+-]*|-?\d+(?:\.\d+)?", re.ASCII)
_NOTHING = {"null", "nan", "inf"}
_BREAKS = re.compile("[\x7f-\xa0\u2028\u2029]")


def record_text(root: MapNode, heading: Sequence[str] = (), *, spread: bool = False) -> str:
    """Return the YAML text of a record.

    Parameters
    ----------
    root : MapNode
        The record.
    heading : sequence of str
        Comment lines to stand before it.
    spread : bool
        Give every field of a list's entries a line of its own, for files that people fill in.
    """
    lines = [f"# {' '.join(text.split())}" for text in heading]
    _write_map(root, "", lines, spread=spread)
    return "\n".join(lines) + "\n"


def same_nodes(one: Node, other: Node) -> bool:
    """Say whether two nodes hold the same texts, wherever they stand."""
    if isinstance(one, ScalarNode) and isinstance(other, ScalarNode):
        return one.text == other.text
    if isinstance(one, ListNode) and isinstance(other, ListNode):
        return len(one.items) == len(other.items) and all(map(same_nodes, one.items, other.items))
    if isinstance(one, MapNode) and isinstance(other, MapNode):
        mine = {key.text: node for key, node in one.entries}
        theirs = {key.text: node for key, node in other.entries}
        return mine.keys() == theirs.keys() and all(
            same_nodes(node, theirs[key]) for key, node in mine.items()
        )
    return False


def _write_map(
    node: MapNode, indent: str, lines: list[str], first: str = "", *, spread: bool = False
) -> None:
    lead = first or indent
    for key, value in node.entries:
        name = f"{lead}{scalar_text(key.text)}:"
        lead = indent
        flow = _flow(value)
        fits = flow is not None and (isinstance(value, ScalarNode) or len(name) + 1 + len(flow) <= WIDTH)
        # Sections stay spread out; small groups inside them take one line.
        if fits and (indent or not isinstance(value, MapNode) or not value.entries):
            lines.append(f"{name} {flow}".rstrip())
            continue
        lines.append(name)
        if isinstance(value, MapNode):
            _write_map(value, indent + "  ", lines, spread=spread)
        elif isinstance(value, ListNode):
            for item in value.items:
                short = _flow(item)
                long = spread or short is None
                if isinstance(item, MapNode) and item.entries and (long or len(item.entries) > 6):
                    _write_map(item, indent + "    ", lines, indent + "  - ", spread=spread)
                elif short is not None:
                    lines.append(f"{indent}  - {short}")


def _flow(node: Node) -> str | None:
    """Return a node on one line, or None when it holds collections of collections."""
    if isinstance(node, ScalarNode):
        return scalar_text(node.text)
    if isinstance(node, ListNode):
        items = [scalar_text(item.text) for item in node.items if isinstance(item, ScalarNode)]
        return f"[{', '.join(items)}]" if len(items) == len(node.items) else None
    pairs = [
        f"{scalar_text(k.text)}: {scalar_text(v.text)}" for k, v in node.entries if isinstance(v, ScalarNode)
    ]
    return "{" + ", ".join(pairs) + "}" if len(pairs) == len(node.entries) else None


def scalar_text(text: str) -> str:
    """Return a text as YAML reads it back: plain where it may stand so, in double quotes elsewhere."""
    if _PLAIN.fullmatch(text) and text.casefold() not in _NOTHING:
        return text
    return _BREAKS.sub(lambda found: f"\\u{ord(found.group()):04x}", json.dumps(text, ensure_ascii=False))
