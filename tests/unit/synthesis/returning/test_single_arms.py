"""Options by themselves: arms of whatever design, one report a cohort, parts of arms, nothing subtracted."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy import stats

from metakit.core.returns import SubgroupValue
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.gathering.source_options import sources
from metakit.synthesis.returning.single_arms import single_arms
from tests.unit.synthesis.invented import arm, counted, series

MP = next(source for source in sources() if source.kind == "mp_option")
OUTCOME = "secondary_mp_procedure"


def again(arm_id: str, events: int, total: int = 40):
    return counted(arm_id, events, total, outcome=OUTCOME, time_label="last_follow_up", months=36.0)


def found(*studies):
    return {item.option: item for item in single_arms(MP, (OUTCOME,), studies, display_names(studies))}


def test_one_arm_is_its_exact_proportion() -> None:
    study = series("1", again("A", 4), arms=(arm("A", "lrti", mp_option="mp_pinning"),))
    only = found(study)["mp_pinning"]
    assert (only.thumbs, only.total, only.studies) == (4, 40, ("Study 1",))
    # Clopper & Pearson 1934, by Beta quantiles.
    limits = [only.result.back_transform(limit) for limit in only.result.interval]
    assert limits == pytest.approx([stats.beta(4, 37).ppf(0.025), stats.beta(5, 36).ppf(0.975)], rel=1e-6)


def test_reports_of_one_cohort_count_once() -> None:
    arms = (arm("A", "lrti", mp_option="mp_pinning"),)
    early = series("1", again("A", 1, 20), arms=arms, cohort="same")
    late = series("2", again("A", 4, 40), arms=arms, cohort="same")
    assert found(early, late)["mp_pinning"].total == 40


def test_parts_of_an_arm_count_for_their_option() -> None:
    part = SubgroupValue(value=again("A", 2, 15), mp_option="mp_arthrodesis")
    study = replace(series("1", arms=(arm("A", "lrti", mp_option="mp_none"),)), subgroups=(part,))
    assert found(study)["mp_arthrodesis"].total == 15
    assert "mp_none" not in found(study)
