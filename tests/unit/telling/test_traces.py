"""The path of a number names the page and the words in its paper where a place was kept."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit.core.values import PaperPlace
from metakit.synthesis.trace import typed_step
from metakit.telling.blocks import PlaceShown, Point
from metakit.telling.traces import _paper
from tests import demonstration


@pytest.mark.lengthy
def test_the_paper_s_page_and_words_are_said_once_for_all_numbers_there() -> None:
    record = demonstration.review().studies[0]
    value = next(value for value in record.outcomes if value.outcome == "any_complication")
    quoted = PaperPlace(
        field=f"{value.address}.events", page=3, box=(1, 2, 30, 40), quote="14/38 (36.8 %)", report="ab" * 32
    )
    kept = replace(record, places=(quoted, replace(quoted, field=f"{value.address}.total")))
    lines = list(_paper(kept, [typed_step(value, kept)], {}))
    assert lines[-1] == "Trapeziectomy with pin, 12 months: page 3, “14/38 (36.8 %)” (events, total)"
    before = list(_paper(record, [typed_step(value, record)], {}))
    assert before == lines[:-1]  # records without places read as before
    away = replace(quoted, field=f"{value.address}.n", report="cd" * 32)
    places = {place: PlaceShown(file="places/a.png") for place in kept.places}
    kept = replace(kept, places=(*kept.places, away))
    said = _paper(kept, [typed_step(value, kept)], {**places, away: PlaceShown(why="the PDF is not here")})
    assert list(said)[-1] == Point(
        words="Trapeziectomy with pin, 12 months: page 3, “14/38 (36.8 %)” (events, total, n); the PDF is not here",
        pictures=(("places/a.png", "page 3, “14/38 (36.8 %)”"),),
    )
