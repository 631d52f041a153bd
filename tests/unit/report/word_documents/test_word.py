"""Blocks in Word: words that may go on in the next page stand before a picture that may not."""

from __future__ import annotations

from metakit.report.word_documents.word import words_ahead
from metakit.telling.blocks import Block, Picture, Point, Points, Say, plain


def texts(blocks: list[Block]) -> list[str]:
    said = [[plain(one.words)] if isinstance(one, Say) else [plain(item.words) for item in one.items]
            for one in blocks if isinstance(one, (Say, Points))]  # fmt: skip
    return [text for part in said for text in part]


def test_about_as_many_letters_as_asked_for_come_first_and_nothing_is_lost() -> None:
    points = Points(items=tuple(Point(words=f"{number} " + "x" * 98) for number in range(6)))
    blocks: list[Block] = [Say(words="y" * 100), points, Picture(name="next"), Say(words="after")]
    ahead, rest = words_ahead(blocks, 250)
    assert texts(ahead) == texts(blocks)[:3]  # the second point passes the bound and stays whole
    assert texts(ahead) + texts(rest) == texts(blocks)
    assert any(isinstance(block, Picture) for block in rest)
    assert words_ahead(blocks, 10_000) == (blocks[:2], blocks[2:])
    assert words_ahead([Picture(name="only")], 250) == ([], [Picture(name="only")])
