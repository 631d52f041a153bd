"""Frames with names of their own. Expected effects are those of the same numbers under our names."""

import pandas as pd
import pytest

from metakit import DataError, UsageError, effect_sizes
from metakit.measures.own_columns import with_study_names

OURS = {"study": ["Alderwick", "Bramhope"], "events_1": [4, 3], "total_1": [29, 41], "events_2": [6, 9],
        "total_2": [30, 40], "design": ["trial", "cohort"]}  # fmt: skip
THEIRS = pd.DataFrame(OURS).rename(columns={"study": "Study", "events_1": "ev t", "total_2": "n c"})
NAMES = {"events_1": "ev t", "total_2": "n c"}


def test_own_names_give_the_same_effects():
    plain = effect_sizes(OURS, measure="risk_ratio")
    named = effect_sizes(THEIRS, measure="risk_ratio", columns=NAMES, study="Study")
    assert named.effect.tolist() == plain.effect.tolist() and named.study == plain.study
    assert named.moderators == {"design": ("trial", "cohort")}
    indexed = effect_sizes(pd.DataFrame(OURS).set_index("study"), measure="risk_ratio")
    assert indexed.effect.tolist() == plain.effect.tolist() and indexed.study == plain.study


def test_wrong_names_are_told_together():
    with pytest.raises(DataError) as raised:
        effect_sizes(THEIRS, measure="risk_ratio", columns={"events_1": "ev", "total_2": "nc"}, study="Study")
    assert len(raised.value.problems) == 2 and "did you mean" in str(raised.value)
    with pytest.raises(UsageError, match="two purposes"):
        effect_sizes(THEIRS, measure="risk_ratio", columns={"events_1": "ev t", "total_2": "ev t"})
    with pytest.raises(UsageError, match="already"):
        effect_sizes(OURS, measure="risk_ratio", columns={"events_1": "events_2"})


def test_missing_numbers_are_a_problem_or_set_aside_by_name():
    frame = pd.DataFrame(OURS)
    frame.loc[1, "events_2"] = None
    with pytest.raises(DataError, match="empty"):
        effect_sizes(frame, measure="risk_ratio")
    kept = effect_sizes(frame, measure="risk_ratio", missing="set_aside")
    assert kept.study == ("Alderwick",)
    assert [(item.study, item.reason) for item in kept.set_aside] == [("Bramhope", "events_2 missing")]
    with pytest.raises(UsageError, match="set_aside"):
        effect_sizes(frame, measure="risk_ratio", missing="setaside")


def test_an_index_of_names_becomes_the_studies_and_nothing_else_does() -> None:
    data = {"events": [1, 2], "total": [10, 12]}
    assert with_study_names(data) is data
    counted = pd.DataFrame(data)
    assert with_study_names(counted) is counted
    named = pd.DataFrame(data, index=["A", "B"])
    assert list(with_study_names(named)["study"]) == ["A", "B"]
    both = pd.DataFrame({"study": ["C", "D"], **data}, index=["A", "B"])
    assert with_study_names(both) is both
    years = pd.DataFrame(data, index=[2001.5, 2002.5])
    assert with_study_names(years) is years
