"""YAML read as text with positions.

Plain loading turns `no` into False and `1:30` into 90, keeps the last of two equal keys in silence and
follows aliases that can blow 300 bytes up to gigabytes. Here the events of a safe loader become a small
tree of texts, each with its line and column; aliases, anchors, tags and directives are refused, size, depth
and number of nodes are limited, and what a text means is decided later by the type of its field.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

import yaml

from metakit.core.nouns import nouns
from metakit.core.values import Place
from metakit.errors import Problem
from metakit.forms.syntax_hints import OpenBracket, syntax_problem
from metakit.forms.text_files import INVISIBLE, decoded

_OF_FORMS = ("sections", "term_fields", "terms")
"""Keys by which a file shows that it is a form or a vocabulary, where every name is one of the forms."""
LARGEST_FILE = 1_000_000
LARGEST_DEPTH = 20
MOST_NODES = 50_000
LONGEST_TEXT = 32_000
_NOT_YAML = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True)
class ScalarNode:
    """One text; `quoted` tells '"no"' from 'no'."""

    text: str
    place: Place
    quoted: bool = False


@dataclass(frozen=True, slots=True)
class ListNode:
    """A list of nodes."""

    items: tuple[Node, ...]
    place: Place


@dataclass(frozen=True, slots=True)
class MapNode:
    """Pairs of key and value in file order; keys are unique."""

    entries: tuple[tuple[ScalarNode, Node], ...]
    place: Place

    def get(self, key: str) -> Node | None:
        """Return the value under a key."""
        return next((value for name, value in self.entries if name.text == key), None)


Node = ScalarNode | ListNode | MapNode


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """What a file holds. `root` is None when it cannot be read; `problems` says why."""

    file: str
    root: MapNode | None
    problems: tuple[Problem, ...]
    sha256: str = ""

    @property
    def unreadable(self) -> bool:
        """Whether nothing could be read at all."""
        return self.root is None


class _Stop(Exception):  # noqa: N818 - control flow: reading of this file ends here
    def __init__(self, problem: Problem) -> None:
        self.problem = problem


def read_document(path: Path, shown: str | None = None) -> Document:
    """Read a YAML file into nodes; never raises for what the file holds.

    Parameters
    ----------
    path : Path
        The file.
    shown : str, optional
        How messages name the file; its path as given otherwise.
    """
    name = str(path) if shown is None else shown
    try:
        if not path.is_file():
            what = "this is a folder, not a file" if path.is_dir() else "there is no such file"
            return Document(file=name, root=None, problems=(Problem(file=name, what=what),))
        with path.open("rb") as stream:
            content = stream.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        return Document(
            file=name, root=None, problems=(Problem(file=name, what=f"cannot be opened: {reason}"),)
        )
    return read_bytes(content, name)


def named(node: Node) -> Node:
    """Return a node with the names of the forms for those of the review's own nouns; texts stay."""
    form = isinstance(node, MapNode) and any(node.get(key) is not None for key in _OF_FORMS)
    return _named(node, nouns().read if form else nouns().chosen)


def _named(node: Node, value_of: Callable[[str], str]) -> Node:
    if isinstance(node, ScalarNode):
        return replace(node, text=value_of(node.text))
    if isinstance(node, ListNode):
        return replace(node, items=tuple(_named(item, value_of) for item in node.items))
    return replace(
        node,
        entries=tuple(
            (replace(key, text=nouns().read(key.text)), _named(value, value_of))
            for key, value in node.entries
        ),
    )


def read_bytes(content: bytes, name: str) -> Document:
    """Read the bytes of a YAML file into nodes; see `read_document`."""
    problems: list[Problem] = []
    root: MapNode | None = None
    try:
        root = _Builder(name, problems).build(_decode(content, name))
        if root is not None and nouns().pairs:
            root = cast("MapNode", named(root))
    except _Stop as stop:
        problems.append(stop.problem)
    return Document(
        file=name, root=root, problems=tuple(problems), sha256=hashlib.sha256(content).hexdigest()
    )


def _decode(content: bytes, name: str) -> str:
    text = decoded(
        content, name, largest=LARGEST_FILE, empty_hint="'metakit new DIR' makes a record to fill in"
    )
    if isinstance(text, Problem):
        raise _Stop(text)
    odd = _NOT_YAML.search(text)
    if odd:
        raise _Stop(
            Problem(
                file=name,
                what="a control character that YAML does not allow",
                line=text.count("\n", 0, odd.start()) + 1,
                column=odd.start() - text.rfind("\n", 0, odd.start()),
                found=f"U+{ord(odd.group()):04X}",
                hint="delete it; a copied text often carries such characters along",
            )
        )
    return text


class _Builder:
    """Turns the event stream into nodes, checking as it goes."""

    def __init__(self, name: str, problems: list[Problem]) -> None:
        self.name, self.problems = name, problems
        self.nodes = 0
        self.open: list[OpenBracket | None] = []  # collections not yet closed; None for one without brackets

    def build(self, text: str) -> MapNode:
        events = self._events(text)
        root: Node | None = None
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                if event.version or event.tags:
                    raise self._stop(
                        "directives (lines that start with %) are not used here",
                        event,
                        hint="delete the line",
                    )
                if root is not None:
                    raise self._stop(
                        "a second document starts here",
                        event,
                        hint="one record a file: delete the line '---'",
                    )
            elif isinstance(event, (yaml.ScalarEvent, yaml.CollectionStartEvent, yaml.AliasEvent)):
                root = self._node(event, events, 1)
        if not isinstance(root, MapNode):
            place = Place(file=self.name, line=1, column=1) if root is None else root.place
            raise _Stop(
                Problem(
                    file=self.name,
                    what="the file holds no form",
                    line=place.line,
                    column=place.column,
                    allowed="lines such as 'study:' with indented lines below",
                )
            )
        return root

    def _events(self, text: str) -> Iterator[yaml.Event]:
        loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
        try:
            for event in yaml.parse(text, Loader=loader):
                if isinstance(event, yaml.CollectionStartEvent):
                    mark: Any = event.start_mark
                    sign = text[mark.index : mark.index + 1]
                    bracketed = event.flow_style and sign in ("[", "{")
                    bracket = OpenBracket(sign, mark.line + 1, mark.column + 1)
                    self.open.append(bracket if bracketed else None)
                elif isinstance(event, yaml.CollectionEndEvent):
                    self.open.pop()
                yield event
        except yaml.YAMLError as error:
            brackets = [bracket for bracket in self.open if bracket is not None]
            raise _Stop(syntax_problem(error, text, self.name, brackets)) from None

    def _node(self, event: yaml.Event, events: Iterator[yaml.Event], depth: int) -> Node:
        self._check(event, depth)
        place = self._place(event)
        if isinstance(event, yaml.ScalarEvent):
            return ScalarNode(self._text(event.value, place), place, quoted=bool(event.style))
        if isinstance(event, yaml.SequenceStartEvent):
            items = []
            for item in iter(lambda: next(events), None):
                if isinstance(item, yaml.SequenceEndEvent):
                    break
                items.append(self._node(item, events, depth + 1))
            return ListNode(tuple(items), place)
        return MapNode(self._entries(events, depth), place)

    def _entries(self, events: Iterator[yaml.Event], depth: int) -> tuple[tuple[ScalarNode, Node], ...]:
        entries: list[tuple[ScalarNode, Node]] = []
        first: dict[str, ScalarNode] = {}
        for event in iter(lambda: next(events), None):
            if isinstance(event, yaml.MappingEndEvent):
                break
            if not isinstance(event, yaml.ScalarEvent):
                raise self._stop(
                    "a field name must be a plain word", event, hint="quote text that starts with [ or {"
                )
            key = self._node(event, events, depth + 1)
            value = self._node(next(events), events, depth + 1)
            if not isinstance(key, ScalarNode):  # pragma: no cover - a scalar event gives a scalar node
                continue
            if key.text in first:
                self.problems.append(
                    Problem(
                        file=self.name,
                        what=f"the field stands here and on line {first[key.text].place.line} already",
                        line=key.place.line,
                        column=key.place.column,
                        field=key.text,
                        hint="keep one of the two lines",
                    )
                )
                continue
            first[key.text] = key
            entries.append((key, value))
        return tuple(entries)

    def _check(self, event: yaml.Event, depth: int) -> None:
        self.nodes += 1
        if isinstance(event, yaml.AliasEvent):
            raise self._stop(
                f"an alias (*{event.anchor}) is not followed",
                event,
                hint="write the values out; quote text that starts with *",
            )
        if getattr(event, "anchor", None):
            raise self._stop("an anchor (&...) is not used here", event, hint="quote text that starts with &")
        if getattr(event, "tag", None):
            raise self._stop("a tag (!...) is not used here", event, hint="quote text that starts with !")
        if depth > LARGEST_DEPTH:
            raise self._stop(
                "fields stand too deep inside each other", event, allowed=f"at most {LARGEST_DEPTH} levels"
            )
        if self.nodes > MOST_NODES:
            raise self._stop("the file holds too many values", event, allowed=f"at most {MOST_NODES:,}")

    def _text(self, text: str, place: Place) -> str:
        if text.isascii() and text.isprintable() and len(text) <= LONGEST_TEXT:
            return text  # nearly every text, and nothing below could change it
        bad = next(
            (
                c
                for c in text
                if c in INVISIBLE or (unicodedata.category(c) in ("Cc", "Cs", "Co") and c not in "\n\t")
            ),
            None,
        )
        if bad is not None:
            self.problems.append(
                Problem(
                    file=self.name,
                    what="an invisible or control character in the text",
                    line=place.line,
                    column=place.column,
                    found=f"U+{ord(bad):04X}",
                    hint="delete the text and type it again by hand",
                )
            )
            text = "".join(
                c for c in text if c not in INVISIBLE and unicodedata.category(c) not in ("Cc", "Cs", "Co")
            )
        if len(text) > LONGEST_TEXT:
            self.problems.append(
                Problem(
                    file=self.name,
                    what=f"a text of {len(text):,} characters",
                    line=place.line,
                    column=place.column,
                    allowed=f"at most {LONGEST_TEXT:,}",
                )
            )
            text = text[:LONGEST_TEXT]
        return unicodedata.normalize("NFC", text)

    def _place(self, event: yaml.Event) -> Place:
        mark: Any = event.start_mark
        return Place(file=self.name, line=mark.line + 1, column=mark.column + 1)

    def _stop(self, what: str, event: yaml.Event, *, hint: str = "", allowed: str = "") -> _Stop:
        place = self._place(event)
        return _Stop(
            Problem(
                file=self.name, what=what, line=place.line, column=place.column, hint=hint, allowed=allowed
            )
        )
