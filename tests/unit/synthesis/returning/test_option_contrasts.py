"""Two options against each other within studies, outside of the plan: all that studies hold, none chosen."""

from __future__ import annotations

from dataclasses import replace

import pytest

import metakit
from metakit.core.plans import AnalysisPlan, ComparisonPlan
from metakit.core.returns import SubgroupValue
from metakit.core.values import Band
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.gathering.source_options import sources
from metakit.synthesis.returning.option_contrasts import option_contrasts
from tests.unit.synthesis.invented import arm, counted, protocol, trial

MP = next(source for source in sources() if source.id == "mp_hyperextension")
ARMS = (
    replace(arm("A"), mp_option="mp_pinning"),
    replace(arm("B"), mp_option="mp_none"),
    replace(arm("C"), mp_option="mp_arthrodesis"),
)


def again(id_: str, events: int, **facts):
    facts = {"months": 24.0, "time_label": "last_follow_up", "definition": "secondary_mp_procedure"} | facts
    return counted(id_, events, outcome="secondary_mp_procedure", **facts)


def study(**facts):
    values = (again("A", 3), again("B", 8), again("C", 0))
    return replace(trial("1", 1, 1, arms=ARMS), outcomes=values, **facts)


def asked(*studies, plan=None):
    return option_contrasts(MP, plan or protocol(), studies, display_names(studies))


def test_each_option_against_each() -> None:
    found = {(item.option, item.against): item for item in asked(study())}
    assert set(found) == {
        ("MP pinning", "No MP procedure"),
        ("MP arthrodesis", "No MP procedure"),
        ("MP pinning", "MP arthrodesis"),
    }
    first = found["MP pinning", "No MP procedure"]
    assert (first.studies, first.thumbs, first.measure) == (("Study 1",), (40, 40), "risk_ratio")
    one = metakit.pool(
        metakit.effect_sizes(
            {"study": ["1"], "events_1": [3], "total_1": [40], "events_2": [8], "total_2": [40]},
            measure="risk_ratio",
        )
    )
    assert first.result.interval == pytest.approx(one.interval, rel=1e-12)


def test_all_events_in_one_arm_have_a_limit_and_no_infinite_estimate() -> None:
    found = next(item for item in asked(study()) if item.against == "MP arthrodesis")
    assert "risk ratio at least" in found.answer
    assert "∞" not in found.answer


def test_no_event_at_all_is_answered_by_a_difference() -> None:
    none = replace(study(), outcomes=(again("A", 0), again("B", 0)))
    (found,) = asked(none)
    assert found.measure == "risk_difference"
    assert found.answer.startswith("risk difference 0.0 percentage points")


def test_bands_are_those_that_reports_count_by() -> None:
    bands = (Band(upper=30, upper_inside=True), Band(lower=30))
    parts = tuple(
        SubgroupValue(value=again(id_, 1 + (band is bands[1]), total=20), mp_before=band)
        for id_ in "AB"
        for band in bands
    )
    found = [item for item in asked(study(subgroups=parts)) if item.against == "No MP procedure"]
    pinned = [(item.band, item.thumbs) for item in found if item.option == "MP pinning"]
    assert pinned == [("", (40, 40)), ("up to 30", (20, 20)), ("over 30", (20, 20))]


def test_what_the_plan_asks_stands_with_the_plan() -> None:
    comparison = ComparisonPlan(
        id="pinned", label="", technique=("lrti",), technique_label="", comparator=("lrti",), comparator_label="",
        mp_option_1=("mp_pinning",), mp_option_2=("mp_none",),
    )  # fmt: skip
    analysis = AnalysisPlan(
        id="a", outcome="secondary_mp_procedure", comparison="pinned", measure="risk_ratio"
    )
    plan = replace(protocol(), comparisons=(comparison,), analyses=(analysis,))
    found = {(item.option, item.against) for item in asked(study(), plan=plan)}
    assert ("MP pinning", "No MP procedure") not in found
    assert ("MP arthrodesis", "No MP procedure") in found


def test_what_else_differs_is_said() -> None:
    splinted = (
        replace(ARMS[0], immobilisation_weeks=6.0),
        replace(ARMS[1], immobilisation_weeks=2.0),
        ARMS[2],
    )
    found = next(item for item in asked(study(arms=splinted)) if item.against == "No MP procedure")
    assert "weeks" in found.differ
