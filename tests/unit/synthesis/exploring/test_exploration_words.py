"""Words for explorations and the questions of credibility."""

from __future__ import annotations

import pytest

from metakit.core.limits import Limits
from metakit.core.limits import TestStatistic as Statistic
from metakit.models.differing.subgroups import SubgroupLevel, SubgroupResult
from metakit.synthesis.exploring.credibility import credibility
from metakit.synthesis.exploring.exploration_words import chance_words, in_words, level_label, moderator_label
from metakit.synthesis.exploring.explorations import Exploration
from metakit.synthesis.exploring.moderator_shapes import ModeratorColumn, ModeratorValue


def column(
    name: str, label: str, *values: float | str, kind: str = "words", unit: str = ""
) -> ModeratorColumn:
    rows = tuple(ModeratorValue(study=str(n), value=value) for n, value in enumerate(values))
    return ModeratorColumn(name=name, label=label, unit=unit, kind=kind, values=rows)


DESIGN = column("design_group", "Design group", "randomised", "comparative")


def grouped(p: float, *sizes: int, planned: bool = True, expected: str = "larger in cohorts") -> Exploration:
    levels = tuple(
        SubgroupLevel(
            level=name, k=size, estimate=0.1, standard_error=0.2, interval=Limits(-0.3, 0.5), tau2=0.0,
            studies=tuple(f"{name}{n}" for n in range(size)),
        )
        for name, size in zip(("comparative", "randomised"), sizes, strict=True)
    )  # fmt: skip
    result = SubgroupResult(
        moderator="design_group", common_tau2=True, levels=levels, between=Statistic(1.0, 1, p),
        set_aside=(), notes=(),
    )  # fmt: skip
    return Exploration(
        id="x", kind="subgroups", planned=planned, moderators=(DESIGN,), expected=expected, subgroups=result
    )


@pytest.mark.parametrize(
    ("p", "times"),
    [(0.26, "about 26 of 100"), (0.012, "about 1 of 100"), (0.004, "fewer than 1 of 100"), (0.5, "about 50")],
)
def test_a_p_value_is_said_as_how_often_chance_does_as_much(p: float, times: str) -> None:
    text = chance_words(p, "the groups did not differ", "a gap this wide")
    assert times in text and text.startswith("If the groups did not differ, a gap this wide would")


def test_names_of_codes_become_words() -> None:
    mp = column("mp_hyperextension", "MP hyperextension before surgery", 11.0, kind="number")
    assert in_words("no value of mp_hyperextension", (mp,)) == "no value of MP hyperextension before surgery"
    assert in_words("design_group has a single study in 'randomised'", (DESIGN,)) == (
        "design group has a single study in “Randomised trials”"
    )
    assert level_label("concern", "not_known") == "Concern about bias not known"
    assert level_label("design", "retrospective_cohort") == "Retrospective cohort"
    technique = column("technique", "Techniques, arm 1 against arm 2", "a")
    assert moderator_label(technique, comparative=False) == "Techniques"


# Our own words after Schandelmaier 2020; the limits of p are that instrument's, from memory.
def test_credibility_answers_follow_the_facts() -> None:
    def sides(exploration: Exploration, looks: int = 2) -> list[str]:
        return [answer.side for answer in credibility(exploration, looks=looks)]

    good = sides(grouped(0.001, 6, 7))
    assert good == [
        "speaks for it", "open", "speaks against it", "speaks for it", "speaks for it", "speaks for it",
        "speaks for it",
    ]  # fmt: skip
    assert sides(grouped(0.02, 6, 7))[4] == "open"
    assert sides(grouped(0.3, 6, 7))[4] == "speaks against it"
    assert sides(grouped(0.3, 4, 7))[3] == "speaks against it"
    assert sides(grouped(0.3, 6, 7, planned=False))[:2] == ["speaks against it", "speaks against it"]
    assert sides(grouped(0.3, 6, 7, expected=""))[:2] == ["open", "speaks against it"]
    assert [sides(grouped(0.3, 6, 7), looks)[5] for looks in (3, 4, 11)] == [
        "speaks for it", "open", "speaks against it",
    ]  # fmt: skip


def test_a_refused_exploration_has_nothing_to_believe() -> None:
    refused = Exploration(id="x", kind="subgroups", planned=True, moderators=(DESIGN,), reason="too few")
    assert credibility(refused, looks=1) == ()
