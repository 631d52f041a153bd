"""A unit's file: read with its places, refused in words with line and column, tied to the review."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.decision.one_unit.unit import SEED
from metakit.decision.one_unit.unit_links import links
from metakit.decision.one_unit.unit_reading import read_unit
from metakit.errors import DataError, UnreadableError
from metakit.forms.bundled import demo_studies
from tests.unit.decision.units import COMPLICATIONS, HEAD, REVISIONS, SCORES, review, text, unit


def problems(tmp_path: Path, content: str) -> list[str]:
    path = tmp_path / "unit.yaml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(DataError) as caught:
        read_unit(path)
    return [str(problem) for problem in caught.value.problems]


def test_a_unit_is_read_with_everything_in_it(tmp_path: Path) -> None:
    found = unit(tmp_path, REVISIONS, COMPLICATIONS, SCORES)
    assert (found.volume.value, found.volume.limits) == (120, (90, 150))
    assert (found.years_operating, found.seed, found.current) == (5, SEED, "now")
    revisions, complications, scores = found.outcomes
    assert revisions.baseline is not None and revisions.baseline.per_year
    assert complications.baseline is not None and complications.baseline.value == 21 / 96
    assert complications.months == 12
    assert scores.scored and scores.baseline is None
    assert [item.id for item in found.others] == ["lrti"]


def test_the_demonstration_unit_is_invented_and_sound() -> None:
    found = read_unit(demo_studies() / "unit.yaml")
    assert found.invented and "nvented" in found.name
    assert not found.questions
    assert all("invented" in item.baseline.source for item in found.outcomes if item.baseline)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("thumbs_a_year: 120", "thumbs_a_year: 0", "thumbs_a_year"),
        ("thumbs_a_year: 120", "thumbs_a_year: many", "thumbs_a_year"),
        ("lowest: 90", "lowest: 130", "lies above the value that it limits"),
        ("highest: 8", "highest: 3", "lies below the value that it limits"),
        ("events: 21, thumbs: 96", "events: 97, thumbs: 96", "more thumbs with an event than thumbs"),
        ("events: 8, thumb_years: 640", "events: 640, thumb_years: 8", "more than one event in each thumb-year"),
        ("events: 21, thumbs: 96", "events: 21", "thumbs or thumb_years, one of the two"),
        ("events: 21, thumbs: 96", "events: 21, thumbs: 96, thumb_years: 9", "thumbs or thumb_years, one of the two"),
        ("events: 21, thumbs: 96", "events: -1, thumbs: 96", "events"),
        ("current_technique: now", "current_technique: nothing", "current_technique"),
        ("technique: lrti, label", "technique: lrtii, label", "did you mean lrti"),
        ("[{technique: lrti, analysis: scores}]", "[{technique: now, analysis: scores}]", "described by the baseline"),
        ("  - outcome: dash\n", "  - outcome: dash\n    baseline: {events: 1, thumbs: 9, kind: registry, source: x}\n", "a score has no baseline"),
        ("  - outcome: dash\n", "  - outcome: any_complication\n", "stands on line"),
        ("years_followed: 5", "years_followed: 100", "years_followed"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_at_its_place(tmp_path: Path, old: str, new: str, said: str) -> None:
    content = text(REVISIONS, COMPLICATIONS, SCORES)
    assert old in content
    found = problems(tmp_path, content.replace(old, new, 1))
    assert any(said in line for line in found), found
    assert all("unit.yaml:" in line and line.split("unit.yaml:")[1].split(":")[0].isdigit() for line in found)


SCENARIO = """case_mix:
  - id: young
    label: up to 55
    kind: age
    share: 20
    effects: [{outcome: revision_index, rate_ratio: 1.8, source: x}]
"""


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("share: 20", "share: 100", "some of the thumbs, not all or none"),
        ("share: 20", "share: 120", "share"),
        ("outcome: revision_index, rate", "outcome: dash, rate", "ratios of events, not of scores"),
        ("rate_ratio: 1.8", "rate_ratio: 0", "rate_ratio"),
        ("rate_ratio: 1.8", "rate_ratio: 1.8, lowest: 2", "lies above"),
        (", source: x", "", "source"),
        ("outcome: revision_index, rate", "outcome: crps, rate", "crps"),
    ],
)
def test_scenarios_have_a_share_and_a_ratio_with_a_source(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    found = problems(tmp_path, text(REVISIONS, SCORES, end=SCENARIO.replace(old, new, 1)))
    assert any(said in line for line in found), found


def test_all_problems_come_at_once_and_no_file_is_unreadable(tmp_path: Path) -> None:
    content = (
        text(REVISIONS).replace("120", "-3", 1).replace("current_technique: now", "current_technique: x")
    )
    assert len(problems(tmp_path, content)) >= 2
    with pytest.raises(UnreadableError):
        read_unit(tmp_path / "nowhere.yaml")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("analysis: revisions", "analysis: revision", "did you mean revisions"),
        ("analysis: revisions", "analysis: scores", "another outcome"),
        ("analysis: revisions", "analysis: revisions_series", "is about denervation, not lrti"),
        ("technique: trapeziectomy,", "technique: arthrodesis,", "it does not say what"),
    ],
)
def test_an_effect_that_the_review_does_not_have_is_refused(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    content = text(REVISIONS).replace(old, new, 1)
    path = tmp_path / "unit.yaml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(DataError, match=said) as caught:
        links(read_unit(path), review().protocol)
    (problem,) = caught.value.problems
    assert problem.line is not None and problem.column is not None and problem.line > 10


def test_a_risk_ratio_is_not_applied_to_thumb_years(tmp_path: Path) -> None:
    outcome = COMPLICATIONS.replace("thumbs: 96, months: 12", "thumb_years: 96")
    with pytest.raises(DataError, match="cannot be applied to a baseline in thumb-years"):
        links(unit(tmp_path, outcome), review().protocol)


def test_turned_round_comparisons_are_found(tmp_path: Path) -> None:
    head = HEAD.replace("current_technique: now", "current_technique: lrti")
    outcome = COMPLICATIONS.replace("technique: lrti,", "technique: now,")
    (found,) = links(unit(tmp_path, outcome, head=head), review().protocol)
    assert found.backwards and not found.series
