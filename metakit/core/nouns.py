"""What the toolkit's sentences are about, said in the words of another joint: `toes` for `thumbs`.

Sentences, fields and options are written for thumbs. A review of another joint that brings its own forms
names its nouns once; they are exchanged where names are read from YAML, and where text leaves for a file, a
figure or the terminal. Between the two nothing changes: no sentence is written twice. Words that a person
typed are exchanged as well where they are shown, never where they are stored.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping
from pathlib import PurePath
from typing import Any, Protocol, TypeVar

_TEXTS = frozenset({".html", ".json", ".csv", ".md", ".txt", ".svg", ".tex", ".css"})
_PACKED = frozenset({".docx"})
_NAMES = (".yaml", ".yml")
_PARTS = re.compile(r"[a-z][a-z0-9]*(?:[._][a-z0-9]+)*")
_PIECES = re.compile(r"(?s)(<(?:textarea|script|style)\b.*?</(?:textarea|script|style)>|<[^>]*>)")
_READ = re.compile(r'\b(?:title|alt|placeholder|aria-label|aria-description)="[^"]*"')
_KEY = re.compile(
    r"""(?m)'(?:[^']|'')*'|"(?:[^"\\]|\\.)*"|\#.*$"""  # texts in quotes and comments, which stay
    r"""|(?:^|(?<=[\s{,\-]))(?P<key>[a-z][a-z0-9_]*)(?=:(?:\s|$))"""
)


class Nouns:
    """Pairs of ours and theirs; without pairs, everything stays as it is."""

    def __init__(self, pairs: Mapping[str, str]) -> None:
        self.pairs = dict(pairs)
        # The longest first, so that 'thumb base' goes before 'thumb'.
        self._ours = sorted(self.pairs, key=len, reverse=True)
        words = "|".join(re.escape(word).replace(r"\ ", "[ _-]") for word in self._ours)
        self._pattern = re.compile(rf"(?<![A-Za-z])(?:{words})(?![a-z])", re.IGNORECASE) if words else None
        alone = "|".join(map(re.escape, self._ours))
        self._values = re.compile(rf"(?m)(?<=: )(?:per_)?(?:{alone})(?=\s*(?:$|[,}}]))")
        self._back = {theirs: ours for ours, theirs in self.pairs.items() if " " not in ours + theirs}

    def said(self, text: str) -> str:
        """Return a text with their nouns for ours."""
        return self._pattern.sub(lambda found: self._theirs(found.group()), text) if self._pattern else text

    def _theirs(self, found: str) -> str:
        joint = next((sign for sign in "_-" if sign in found), " ")
        word = self.pairs[re.sub("[ _-]", " ", found.lower())].replace(" ", joint)
        return (
            word.upper() if found.isupper() else word[:1].upper() + word[1:] if found[0].isupper() else word
        )

    def said_in_html(self, html: str) -> str:
        """Return a page with their nouns where somebody reads: between tags, and in titles and labels.

        Names, values and addresses within tags stay, and so does what is being typed (`textarea`).
        """
        if self._pattern is None:
            return html
        pieces = _PIECES.split(html)
        for at, piece in enumerate(pieces):
            if at % 2 == 0:
                pieces[at] = self.said(piece)
            elif not piece.startswith(("<textarea", "<script", "<style")):
                pieces[at] = _READ.sub(lambda found: self.said(found[0]), piece)
        return "".join(pieces)

    def read(self, name: str) -> str:
        """Return a name as the forms have it; what is no plain name stays as it is."""
        if not self._back or not _PARTS.fullmatch(name):
            return name
        return re.sub(r"[a-z0-9]+", lambda part: self._back.get(part.group(), part.group()), name)

    def ours(self, text: str) -> str:
        """Return a text with our nouns for theirs, word by word: a heading that somebody typed."""
        return re.sub(r"[A-Za-z]+", lambda word: self._back.get(word[0].lower(), word[0]), text)

    def chosen(self, value: str) -> str:
        """Return a value of a record as the forms have it: one of the nouns alone, or a path of fields.

        Identifiers and other words that a person typed stay: `my_toes` is no name of the forms.
        """
        alone = value.removeprefix("per_") in self._back
        return self.read(value) if alone or "." in value else value

    def written(self, file: str, content: bytes) -> bytes:
        """Return what is to be written to a file of this name, with their nouns.

        Records, plans and other YAML keep every text that a person typed: names of fields change, and values
        that are one of the nouns alone, which reading gives back.
        """
        kind = PurePath(file).suffix.lower()
        if self._pattern is None or kind not in _TEXTS | _PACKED | set(_NAMES):
            return content
        if kind in _PACKED:
            return self._repacked(content)
        text = content.decode("utf-8", errors="surrogateescape")
        if kind in _NAMES:
            text = _KEY.sub(lambda key: self.said(key[0]) if key["key"] else key[0], text)
            text = self._values.sub(lambda value: self.said(value[0]), text)
        else:
            text = self.said(text)
        return text.encode("utf-8", errors="surrogateescape")

    def _repacked(self, content: bytes) -> bytes:
        stream = io.BytesIO()
        with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(stream, "w") as new:
            for part in old.infolist():
                inside = old.read(part)
                if part.filename.endswith((".xml", ".rels")):
                    inside = self.said(inside.decode("utf-8")).encode("utf-8")
                new.writestr(part, inside)
        return stream.getvalue()


_in_force = Nouns({})


def nouns() -> Nouns:
    """Return the nouns in force."""
    return _in_force


def use(pairs: Mapping[str, str]) -> None:
    """Put nouns in force; an empty mapping takes them away.

    Parameters
    ----------
    pairs : mapping of str to str
        Ours (`thumb`, `thumbs`, `thumb base`) to theirs, small letters.
    """
    global _in_force
    _in_force = Nouns(pairs)


class _Composed(Protocol):
    value: Any


Named = TypeVar("Named", bound=_Composed)


def in_our_words(node: Named) -> Named:
    """Call fields and chosen values of composed YAML as the forms do; places in the text stay.

    Parameters
    ----------
    node : yaml.Node
        Its `value` is a text, a list of nodes, or a list of pairs of nodes; changed in place.

    Returns
    -------
    yaml.Node
        The same.
    """
    if not _in_force.pairs:
        return node
    if isinstance(node.value, str):
        node.value = _in_force.chosen(node.value)
        return node
    for item in node.value:
        if isinstance(item, tuple):
            item[0].value = _in_force.read(item[0].value)
        in_our_words(item[1] if isinstance(item, tuple) else item)
    return node
