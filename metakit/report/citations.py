"""Numbered references: a source gets its number when it is first cited."""

from __future__ import annotations

from metakit.core.bibliography import Reference, reference


class Citations:
    """The sources cited so far, in the order of their first mention."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}

    def number(self, key: str) -> int:
        """Return the number of a source, giving it the next one at its first mention.

        Raises
        ------
        UnknownNameError
            When the bibliography lacks the key.
        """
        reference(key)
        return self._numbers.setdefault(key, len(self._numbers) + 1)

    def numbers(self, keys: tuple[str, ...]) -> tuple[int, ...]:
        """Return the numbers of several sources, in order."""
        return tuple(sorted(self.number(key) for key in dict.fromkeys(keys)))

    def listed(self) -> list[tuple[int, Reference]]:
        """Return all sources cited, by number."""
        return [(number, reference(key)) for key, number in self._numbers.items()]
