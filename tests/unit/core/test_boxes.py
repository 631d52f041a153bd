"""Boxes as records keep them."""

from __future__ import annotations

import pytest

from metakit.core.boxes import box_of, box_text


def test_a_box_is_kept_in_whole_points_around_it() -> None:
    assert box_text((127.6, 361.2, 174.1, 367.9)) == "127 361 175 368"
    assert box_of("127 361 175 368") == (127, 361, 175, 368)


@pytest.mark.parametrize(
    "text", ["", "1 2 3", "5 5 5 9", "9 1 2 3", "a b c d", "0 0 1 1e9", "0 0 1 99999999", "٣ 0 9 9"]
)
def test_what_is_no_box(text: str) -> None:
    assert box_of(text) is None
