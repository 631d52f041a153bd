"""What is said of one outcome with one technique, and of what its studies compare."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from metakit.decision.one_unit.expected import CountRange, Range
from metakit.decision.one_unit.unit_said import fewer_to_more, labelled, studied_words
from tests.unit.decision.units import COMPLICATIONS, HEAD, REVISIONS, decided, shipped_unit


@pytest.mark.parametrize(
    ("ends", "said"),
    [((-3.14, 16.2), "3.1 fewer to 16 more"), ((2.0, 5.0), "2.0 to 5.0 more"),
     ((-5.0, -2.0), "5.0 to 2.0 fewer")],
)  # fmt: skip
def test_differences_are_said_with_their_direction(ends: tuple[float, float], said: str) -> None:
    assert fewer_to_more(Range(mean=0.0, median=0.0, lower=ends[0], upper=ends[1])) == said


def test_more_fewer_than_are_planned_for_is_explained_behind_the_fewer() -> None:
    now = CountRange(
        mean=3.1, median=3, lower=0, upper=8, level=0.95, moved=0, none=0.0, every=0.0, below=0.5
    )
    wide = Range(mean=2.0, median=-1.0, lower=-4.2, upper=15.0)
    assert fewer_to_more(wide, now) == "4.2 fewer (yours may exceed 3.1) to 15 more"
    assert fewer_to_more(Range(mean=2.0, median=-1.0, lower=-3.0, upper=15.0), now) == "3.0 fewer to 15 more"


@pytest.mark.lengthy
def test_years_that_the_studies_did_not_follow_are_said_where_the_number_stands(tmp_path: Path) -> None:
    # The studies of tests/unit/decision/units.py follow 3 years; 5 here, and 3.
    found = decided(tmp_path, REVISIONS)
    assert (
        "Revision of the index operation (studies followed 3 years, stretched to 5): "
        in found.first.lines[1].text
    )
    assert "stretched" not in found.first.lines[0].text
    alike = decided(tmp_path, REVISIONS, head=HEAD.replace("years_followed: 5", "years_followed: 3"))
    assert "stretched" not in alike.first.text


def test_what_studies_compare_is_said_where_it_is_not_the_units_own_two(tmp_path: Path) -> None:
    found = decided(tmp_path, COMPLICATIONS, REVISIONS)
    one, two = (cell for cell in found.cells if cell.compares)
    assert studied_words([one, two]) == [] and labelled(found.unit, one, timed=True) == "Any complication"
    assert one.link is not None
    wider = replace(one, link=replace(one.link, sides=("total prosthesis", "LRTI or trapeziectomy alone")))
    assert studied_words([wider]) == ["studies compare total prosthesis with LRTI or trapeziectomy alone."]
    assert studied_words([wider, two]) == [
        "for any complication studies compare total prosthesis with LRTI or trapeziectomy alone."
    ]


@pytest.mark.walk
def test_the_demonstrations_prosthesis_says_first_what_its_studies_compare(tmp_path: Path) -> None:
    """It gave numbers for dual mobility that rest on total prostheses against two techniques, 3.6 years."""
    lines = shipped_unit("demonstration", tmp_path).first.lines
    assert lines[2].said.startswith(": studies compare total prosthesis with LRTI or trapeziectomy alone. ")
    assert "(studies followed 3.6 years, stretched to 5): " in lines[2].said
    assert "studies compare" not in lines[1].said  # LRTI against trapeziectomy alone are the unit's own two
