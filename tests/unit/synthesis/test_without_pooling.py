"""What an analysis says where nothing is pooled, because the protocol refuses it or the data hold no pooled answer."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from metakit.forms.library import shipped
from metakit.synthesis.run import synthesise
from tests.unit.synthesis.invented import Folder, counted, plan, protocol, series, series_plan, trial

WHY = "the procedures under one name differ too much."


def finding(*studies, asked=None, **facts):
    asked = asked or plan(without_pooling=WHY)
    return synthesise(Folder(protocol=protocol(asked, **facts), studies=studies)).analyses[0]


FIVE = (
    trial("a", 2, 8),
    trial("b", 3, 6, design="prospective_cohort", design_group="comparative"),
    trial("c", 5, 5),
    trial("d", 8, 4),
    trial("e", 1, 4, total=90),
)


def test_a_plan_that_refuses_pooling_gets_no_pooled_number_anywhere() -> None:
    found = finding(*FIVE)
    assert found.result is None and found.absolute is None and found.sensitivity == ()
    assert all(part.answer.result is None for part in found.by_design)
    assert found.specifications is None and found.sensitivity_table is None
    assert found.unpooled.planned and found.unpooled.why == WHY.rstrip(".")
    answer = json.loads(json.dumps(found.to_json(), allow_nan=False))
    assert answer["result"] is None
    assert answer["without_pooling"]["directions"]["below"] == 3
    assert answer["without_pooling"]["method"] == "synthesis without pooling"


def test_words_count_directions_and_name_the_method() -> None:
    first, share, effects, combined = finding(*FIVE).sentences
    assert first == (
        "Not pooled: the procedures under one name differ too much. Synthesis without pooling: of 4 studies with a "
        "direction, 3 lie on the side of fewer complications after LRTI than after trapeziectomy alone and 1 on that of more "
        "complications after LRTI; 1 shows no difference at all."
    )
    assert "75 % of them (95 % exact interval 19 to 99 %; sign test p = 0.62)" in share
    assert "4 studies not even a unanimous count" in share
    assert "runs from 0.25 to 2.00; the median is 0.50 (middle half of the studies 0.25 to 1.00)" in effects
    assert "in at least one study" in combined
    assert "significan" not in " ".join((first, share, effects, combined))


@pytest.mark.parametrize(
    ("pairs", "said"),
    [
        (
            [(8, 2)] * 6 + [(2, 8)],
            "of 7 studies with a direction, 6 lie on the side of more complications after LRTI",
        ),
        ([(8, 2)] * 3, "all 3 studies with a direction lie on the side of more complications after LRTI"),
        (
            [(1, 2), (3, 3), (4, 4)],
            "the 1 study with a direction lies on the side of fewer complications after LRTI",
        ),
        ([(3, 3), (4, 4)], "no study has a direction"),
    ],
)
def test_the_larger_side_comes_first(pairs, said: str) -> None:
    found = finding(*(trial(f"s{n}", *pair) for n, pair in enumerate(pairs)))
    assert said in found.sentences[0]


@pytest.mark.parametrize("model", [None, "mantel_haenszel", "one_stage"])
def test_where_pooling_is_not_possible_the_studies_still_speak(model) -> None:
    found = finding(trial("a", 0, 0), trial("b", 0, 0, total=60), asked=plan(model=model))
    assert found.result is None and not found.unpooled.planned
    assert found.unpooled.numbers.directions.neither == 2
    assert found.sentences[0].startswith("Not pooled: no study carries information on the risk ratio")
    assert found.sentences[0].endswith("Synthesis without pooling: no study has a direction.")


def test_one_study_is_no_synthesis() -> None:
    found = finding(trial("a", 2, 8))
    assert found.unpooled is None and found.sentences[0].startswith("No answer: not pooled, as planned")


def test_series_are_described_without_directions() -> None:
    studies = (series("s1", counted("A", 3)), series("s2", counted("A", 0)))
    found = finding(*studies, asked=series_plan(without_pooling=WHY))
    assert len(found.sentences) == 1
    assert "The proportion of the 2 studies runs from 0.0 to 7.5 %; the median is 3.8 %" in found.sentences[0]


def test_limits_name_the_studies_that_gave_no_number() -> None:
    silent = trial("q", 0, 0)
    outcomes = tuple(
        counted(value.arm, None, None, reporting="measured_not_reported", definition="")
        for value in silent.outcomes
    )
    found = finding(*FIVE, replace(silent, outcomes=outcomes))
    assert any("Study q" in text or "q" in text.split() for text in found.unpooled.cannot_tell[-1:])
    assert "one-sided" in found.unpooled.cannot_tell[-1]


def test_the_protocol_asks_for_the_reason() -> None:
    form = shipped().form("protocol")
    names = [field.name for field in next(s for s in form.sections if s.name == "analyses").fields]
    assert "without_pooling" in names
