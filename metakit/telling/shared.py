"""Sentences that several answers need: said once, and named by a number beside each answer."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from metakit.core.written import listed
from metakit.telling.blocks import Part, Point, Points, Run, Words


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """Numbered sentences under an anchor; `word` is what one of them is called."""

    numbers: dict[str, int]
    anchor: str
    word: str

    @classmethod
    def among(cls, lists: Iterable[Sequence[str]], *, anchor: str, word: str) -> Shared:
        """Give a number to each sentence that stands in more than one list, the most frequent first."""
        counted = Counter(text for some in lists for text in dict.fromkeys(some))
        often = [text for text, times in counted.most_common() if times > 1]
        return cls(numbers={text: place for place, text in enumerate(often, 1)}, anchor=anchor, word=word)

    def part(
        self, title: str, write: Callable[[str], str] = str, *, folded: bool = False
    ) -> tuple[Part, ...]:
        """Return all of them, nothing where nothing is shared."""
        items = tuple(
            Point(lead=f"{self.word.capitalize()} {number}", words=write(text))
            for text, number in self.numbers.items()
        )
        if not items:
            return ()
        block = Points(items=items, look="named" if folded else "list", label=title)
        return (Part(title=title, blocks=(block,), level=1, anchor=self.anchor, folded=folded),)

    def points(self, sentences: Sequence[str], write: Callable[[str], str] = str) -> list[Point | Words]:
        """Return the sentences that are an answer's own, and the numbers of the shared ones in one line."""
        own: list[Point | Words] = [write(text) for text in sentences if text not in self.numbers]
        some = sorted({self.numbers[text] for text in sentences if text in self.numbers})
        if some:
            word = self.word if len(some) == 1 else f"{self.word}s"
            numbers = Run(text=f"{word} {listed(list(map(str, some)))}", to=self.anchor)
            own.append(("Also: ", numbers, " of those that several answers share."))
        return own
