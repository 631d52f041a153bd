"""Characters put together to words, whichever way the type runs."""

from __future__ import annotations

import math
import random

import pytest

from metakit.papers.words import Character, around, quote_of, words_in, words_of


def typed(
    text: str, x: float, y: float, size: float = 10.0, degrees: int = 0, raised: float = 0.0
) -> list[Character]:
    """Set type of half its size in width, along a direction."""
    angle = math.radians(degrees)
    along, up = (math.cos(angle), math.sin(angle)), (-math.sin(angle), math.cos(angle))
    characters = []
    for at, sign in enumerate(text):
        start, end = at * size / 2, (at + 1) * size / 2
        corners = [
            (x + a * along[0] + b * up[0], y + a * along[1] + b * up[1])
            for a in (start, end)
            for b in (raised - 0.2 * size, raised + 0.8 * size)
        ]
        xs, ys = zip(*corners, strict=True)
        origin = (x + start * along[0] + raised * up[0], y + start * along[1] + raised * up[1])
        characters.append(Character(sign, (min(xs), min(ys), max(xs), max(ys)), origin, angle))
    return characters


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_a_line_is_read_along_its_own_direction(degrees: int) -> None:
    words = words_of(typed("4/29 (13.8 %)", 300, 400, degrees=degrees))
    assert [word.text for word in words] == ["4/29", "(13.8", "%)"]
    assert len({word.cell for word in words}) == 1


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_a_raised_mark_is_found_by_its_place_not_by_its_order(degrees: int) -> None:
    angle = math.radians(degrees)
    x, y = 300 + 20 * math.cos(angle), 400 + 20 * math.sin(angle)
    mark = typed("c", x, y, size=6, degrees=degrees, raised=4)
    others = typed("2.88", 300, 400, degrees=degrees) + typed("far", 100, 100, degrees=degrees)
    for characters in (mark + others, others + mark):
        assert sorted(word.text for word in words_of(characters)) == ["2.88ᶜ", "far"]


def test_a_lowered_figure_is_no_digit_of_the_number() -> None:
    words = words_of(typed("CO", 100, 100) + typed("2", 110, 100, size=6, raised=-1.5))
    assert [word.text for word in words] == ["CO₂"]


def test_a_line_in_small_type_is_no_mark() -> None:
    words = words_of(typed("Total", 100, 200) + typed("a p<0.05", 100, 150, size=6))
    assert [word.text for word in words] == ["Total", "a", "p<0.05"]


def test_cells_of_a_table_are_told_apart_by_their_gaps() -> None:
    words = words_of(typed("4/29 (13.8 %)", 100, 300) + typed("1/29", 220, 300) + typed("2/30", 100, 280))
    cells = [[word.text for word in words if word.cell == number] for number in range(3)]
    assert cells == [["4/29", "(13.8", "%)"], ["1/29"], ["2/30"]]
    assert [word.line for word in words] == [0, 0, 0, 0, 1]


def test_the_order_in_the_file_does_not_matter() -> None:
    characters = typed("4/29 (13.8 %)", 100, 300) + typed("sideways text", 300, 100, degrees=90)
    wanted = words_of(characters)
    random.Random(4).shuffle(characters)
    assert words_of(characters) == wanted


def test_type_set_twice_to_look_bold_is_read_once() -> None:
    words = words_of([*typed("12", 100, 300), *typed("12", 100.3, 300)])
    assert quote_of(words) == "12"


def test_a_box_takes_words_that_lie_in_it_by_half() -> None:
    words = words_of(typed("4/29 (13.8 %)", 100, 300) + typed("1/29", 220, 300))
    assert quote_of(words_in(words, (95, 290, 170, 315))) == "4/29 (13.8 %)"
    assert around(words_in(words, (215, 290, 300, 315))) == pytest.approx((220, 298, 240, 308))
    assert words_in(words, (0, 0, 10, 10)) == ()


def test_no_characters_no_words() -> None:
    assert words_of([]) == ()
