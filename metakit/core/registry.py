"""Registries: one entry is one function plus the facts about it."""

from __future__ import annotations

import importlib
import threading
from collections.abc import Iterator
from typing import Generic, Protocol, TypeVar

from metakit.errors import UnknownNameError


class Named(Protocol):
    """Anything with a name can be an entry."""

    @property
    def name(self) -> str:
        """The full-word name that options use."""
        ...


Entry = TypeVar("Entry", bound=Named)


class Registry(Generic[Entry]):
    """Entries by name, filled by family modules that are imported on first use.

    Parameters
    ----------
    kind : str
        What an entry is, for messages ("effect measure").
    families : tuple of str
        Modules that add entries when imported. A new family is one module and one line here.
    """

    def __init__(self, kind: str, families: tuple[str, ...] = ()) -> None:
        self.kind = kind
        self._families = families
        self._entries: dict[str, Entry] = {}
        self._loaded = self._begun = not families
        self._lock = threading.RLock()

    def add(self, entry: Entry) -> Entry:
        """Add an entry; two entries of one name are a programming error."""
        if entry.name in self._entries:
            raise ValueError(f"{self.kind} {entry.name!r} is registered twice")
        self._entries[entry.name] = entry
        return entry

    def _load(self) -> dict[str, Entry]:
        if not self._loaded:
            with self._lock:  # another thread waits until every family is there
                if not self._begun:
                    self._begun = True  # set first: a family module may look up its own registry
                    for module in self._families:
                        importlib.import_module(module)
                    self._loaded = True
        return self._entries

    def __getitem__(self, name: str) -> Entry:
        found = self._entries.get(name)
        if found is not None:  # its family is there already: the others need not be loaded for it
            return found
        entries = self._load()
        try:
            return entries[name]
        except KeyError:
            raise UnknownNameError(self.kind, name, entries) from None

    def __contains__(self, name: object) -> bool:
        return name in self._entries or name in self._load()

    def __iter__(self) -> Iterator[Entry]:
        return iter(tuple(self._load().values()))

    def __len__(self) -> int:
        return len(self._load())

    def names(self) -> tuple[str, ...]:
        """Return all names in the order of registration."""
        return tuple(self._load())
