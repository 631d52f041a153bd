"""Causes of coming back pooled over studies: parts, bounds, overlap, one study."""

from __future__ import annotations

from typing import Any

import pytest
from scipy import stats

import metakit
from metakit.core.causes import CauseAnswer, StudyReturns
from metakit.errors import NotEstimableError, UsageError
from metakit.models.causes_of_return.causes import pool_causes
from metakit.synthesis.returning.causes_words import causes_text


def frame(*rows: tuple[Any, ...], columns: str = "study cause thumbs total") -> dict[str, list[Any]]:
    names = columns.split()
    return {name: [row[place] for row in rows] for place, name in enumerate(names)}


FOUR = frame(
    ("Alder", "residual bone", 4, 80),
    ("Alder", "ST arthritis", 2, 80),
    ("Alder", "MP collapse", 1, 80),
    ("Birch", "trapezium remnant", 3, 60),
    ("Birch", "mp_hyperextension", 3, 60),
    ("Cedar", "scaphotrapezoid_arthritis", 2, 45),
    ("Dogwood", "residual bone", 5, 120),
    ("Dogwood", "MP hyperextension", 1, 120),
)
"""Invented: four studies."""


def answer(found: Any, cause: str) -> CauseAnswer:
    return next(item for item in found.causes if item.cause == cause)


def test_shares_add_up_and_lie_in_their_intervals() -> None:
    found = metakit.causes(FOUR).overall
    assert (found.model, found.model_beside) == ("logistic_normal", "dirichlet_multinomial")
    assert [item.cause for item in found.causes] == [
        "residual_bone", "scaphotrapezoid_arthritis", "mp_hyperextension",
    ]  # fmt: skip
    assert sum(item.share.mean for item in found.causes) == pytest.approx(1, abs=1e-12)
    for item in found.causes:
        share = item.share
        assert share.interval.lower < share.median < share.interval.upper
        assert share.prediction.lower <= share.interval.lower
        assert share.prediction.upper >= share.interval.upper
    assert [item.thumbs for item in found.causes] == [12, 4, 5]
    assert sum(item.share_beside.mean for item in found.causes) == pytest.approx(1, abs=1e-12)
    assert 0 < found.sampling_error < 0.015


def test_words_of_reports_are_causes() -> None:
    ids = frame(*[(s, answer_id, n, t) for s, answer_id, n, t in (
        ("Alder", "residual_bone", 4, 80), ("Alder", "scaphotrapezoid_arthritis", 2, 80),
        ("Alder", "mp_hyperextension", 1, 80), ("Birch", "residual_bone", 3, 60),
        ("Birch", "mp_hyperextension", 3, 60), ("Cedar", "scaphotrapezoid_arthritis", 2, 45),
        ("Dogwood", "residual_bone", 5, 120), ("Dogwood", "mp_hyperextension", 1, 120),
    )])  # fmt: skip
    assert metakit.causes(ids).to_json() == metakit.causes(FOUR).to_json()


def test_thumbs_without_a_cause_are_bounded_not_spread() -> None:
    lost = metakit.causes(frame(
        ("A", "residual_bone", 6, 90), ("A", "infection", 4, 90), ("A", "not_stated", 5, 90),
        ("B", "residual_bone", 3, 70), ("B", "infection", 5, 70),
    )).overall  # fmt: skip
    kept = metakit.causes(frame(
        ("A", "residual_bone", 6, 90), ("A", "infection", 4, 90),
        ("B", "residual_bone", 3, 70), ("B", "infection", 5, 70),
    )).overall  # fmt: skip
    bone, known = answer(lost, "residual_bone"), answer(kept, "residual_bone")
    assert bone.share == known.share  # among thumbs whose cause is stated
    assert known.share_if_none is None
    assert known.share_if_all is None
    assert bone.share_if_none.median < bone.share.median < bone.share_if_all.median
    assert lost.not_stated == 5
    none = [item.share_if_none.mean for item in lost.causes]
    assert sum(none) < 1  # the rest are thumbs without a cause, a part of their own


def test_all_of_them_is_nearly_the_same_as_typing_them_so() -> None:
    lost = metakit.causes(frame(
        ("A", "residual_bone", 6, 90), ("A", "infection", 4, 90), ("A", "not_stated", 5, 90),
        ("B", "residual_bone", 3, 70), ("B", "infection", 5, 70),
    )).overall  # fmt: skip
    typed = metakit.causes(frame(
        ("A", "residual_bone", 11, 90), ("A", "infection", 4, 90),
        ("B", "residual_bone", 3, 70), ("B", "infection", 5, 70),
    )).overall  # fmt: skip
    # How many have no cause is answered apart from the causes: near, not the same.
    raised, share = answer(lost, "residual_bone").share_if_all, answer(typed, "residual_bone").share
    assert raised.median == pytest.approx(share.median, abs=0.08)
    assert tuple(raised.interval) == pytest.approx(tuple(share.interval), abs=0.12)


def test_one_study_has_exact_limits() -> None:
    found = metakit.causes(frame(("A", "residual_bone", 3, 90), ("A", "infection", 5, 90))).overall
    share = answer(found, "residual_bone").share
    assert found.model == "single_study"
    assert found.tau is None
    assert share.median == share.mean == 3 / 8
    assert share.prediction is None
    # Clopper & Pearson 1934 by Beta quantiles.
    assert share.interval == pytest.approx(
        (stats.beta(3, 6).ppf(0.025), stats.beta(4, 5).ppf(0.975)), rel=1e-12
    )
    assert share.wider.upper - share.wider.lower > 0.5


def test_overlapping_causes_get_a_model_each() -> None:
    found = metakit.causes(frame(
        ("A", "all_causes", 8, 90, "yes"), ("A", "residual_bone", 6, 90, "yes"), ("A", "infection", 5, 90, "yes"),
        ("B", "residual_bone", 3, 70, ""), ("B", "infection", 5, 70, ""),
        columns="study cause thumbs total overlap",
    )).overall  # fmt: skip
    assert (found.model, found.model_beside) == ("logistic_normal", "beta_binomial")
    assert not found.exclusive
    assert sum(item.share.mean for item in found.causes) > 1
    # Each cause by itself is the model of two causes: this one, or not.
    alone = metakit.causes(frame(
        ("A", "residual_bone", 6, 90), ("A", "other", 2, 90), ("B", "residual_bone", 3, 70), ("B", "other", 5, 70),
    )).overall  # fmt: skip
    for model in ("share", "share_beside"):
        assert getattr(answer(found, "residual_bone"), model) == getattr(
            answer(alone, "residual_bone"), model
        )


def test_a_lesser_study_with_overlapping_causes_stands_beside_and_the_parts_add_up() -> None:
    exclusive = (("B", "residual_bone", 3, 70, ""), ("B", "infection", 6, 70, ""),
                 ("C", "residual_bone", 5, 60, ""), ("C", "infection", 1, 60, ""), ("C", "not_stated", 2, 60, ""))  # fmt: skip
    overlapping = (("A", "all_causes", 8, 90, "yes"), ("A", "residual_bone", 6, 90, "yes"),
                   ("A", "infection", 5, 90, "yes"))  # fmt: skip
    columns = "study cause thumbs total overlap"
    found = metakit.causes(frame(*overlapping, *exclusive, columns=columns)).overall
    assert (found.model, found.exclusive) == ("logistic_normal", True)
    assert (found.overlapping, found.overlapping_thumbs) == (("A",), 8)
    assert sum(item.share.mean for item in found.causes) == pytest.approx(1, rel=1e-12)
    parts = sum(item.per_thumb.mean for item in found.causes) + found.not_stated_per_thumb.mean
    assert parts == pytest.approx(found.all_per_thumb.mean, rel=1e-12)
    assert found.thumbs_returned == 25
    assert answer(found, "residual_bone").thumbs == 8  # of the studies that shares are answered from
    # Beside: every study, a model of this cause alone.
    alone = metakit.causes(frame(
        ("A", "residual_bone", 6, 90), ("A", "other", 2, 90), ("B", "residual_bone", 3, 70), ("B", "other", 6, 70),
        ("C", "residual_bone", 5, 60), ("C", "other", 1, 60),
    )).overall  # fmt: skip
    wider = answer(found, "residual_bone").share_with_overlapping
    assert wider.interval == answer(alone, "residual_bone").share_beside.interval
    without = metakit.causes(frame(*exclusive, columns=columns)).overall
    assert answer(without, "residual_bone").share_with_overlapping is None
    said = causes_text(metakit.causes(frame(*overlapping, *exclusive, columns=columns)))
    assert "In A (8 thumbs that came back) a thumb may stand under several causes" in said
    assert "add up to 100" in said
    assert "with overlapping causes" in said


def test_a_cause_that_only_overlapping_studies_saw_is_never_called_uncounted() -> None:
    found = metakit.causes(frame(
        ("A", "all_causes", 5, 90, "yes"), ("A", "implant_loosening", 4, 90, "yes"), ("A", "implant_wear", 3, 90, "yes"),
        ("B", "residual_bone", 3, 70, ""), ("B", "infection", 6, 70, ""), ("C", "residual_bone", 5, 60, ""),
        columns="study cause thumbs total overlap",
    )).overall  # fmt: skip
    assert not found.exclusive
    assert answer(found, "implant_loosening").thumbs == 4
    assert all(item.thumbs for item in found.causes)


def test_one_cause_alone_has_company() -> None:
    found = metakit.causes(frame(("A", "residual_bone", 6, 90), ("B", "residual_bone", 3, 70))).overall
    assert [item.cause for item in found.causes] == ["residual_bone", "other"]
    assert 0.5 < answer(found, "residual_bone").share.interval.lower < 1


def test_techniques_are_answered_each_with_the_same_causes() -> None:
    rows = frame(
        ("A", "residual_bone", 6, 90, "LRTI"), ("A", "infection", 4, 90, "LRTI"),
        ("B", "residual_bone", 3, 70, "LRTI"), ("C", "infection", 2, 50, "prosthesis"),
        ("D", "infection", 3, 60, "prosthesis"), columns="study cause thumbs total technique",
    )  # fmt: skip
    found = metakit.causes(rows)
    assert [result.technique for result in found.by_technique] == ["LRTI", "prosthesis"]
    prosthesis = found.by_technique[1]
    assert answer(prosthesis, "residual_bone").thumbs == 0
    assert answer(prosthesis, "residual_bone").share.interval.upper < 0.6
    assert found.overall.thumbs_returned == 18


def test_arms_of_a_study_are_one_study_in_the_whole() -> None:
    rows = frame(
        ("A", "residual_bone", 6, 90, "LRTI"), ("A", "infection", 2, 50, "prosthesis"),
        ("B", "residual_bone", 3, 70, "LRTI"), ("B", "infection", 3, 60, "prosthesis"),
        columns="study cause thumbs total technique",
    )  # fmt: skip
    assert metakit.causes(rows).overall.studies == ("A", "B")


def test_no_returns_and_no_stated_cause_have_no_answer() -> None:
    with pytest.raises(NotEstimableError, match="no thumb came back"):
        metakit.causes(frame(("A", "residual_bone", 0, 90)))
    with pytest.raises(NotEstimableError, match="why thumbs came back"):
        metakit.causes(frame(("A", "not_stated", 4, 90)))
    with pytest.raises(UsageError, match="level"):
        metakit.causes(FOUR, level=95)


def test_a_study_without_returns_is_set_aside_by_name() -> None:
    studies = [
        StudyReturns(study="A", counts={"infection": 2, "nerve": 1}, returned=3),
        StudyReturns(study="B", counts={}, returned=0),
        StudyReturns(study="C", counts={}, returned=2, not_stated=2),
    ]
    found = pool_causes(studies)
    assert [(item.study, item.reason) for item in found.set_aside] == [
        ("B", "no thumb came back"), ("C", "the report states no cause for any thumb"),
    ]  # fmt: skip
    assert found.not_stated == 2


def test_what_the_simulation_found_is_said_of_every_pooled_answer() -> None:
    assert any("82 to 86 %" in note and "87 to 89 %" in note for note in metakit.causes(FOUR).overall.notes)
    said = causes_text(metakit.causes(FOUR))
    assert said.count("by the Dirichlet-multinomial: ") == 3
    assert "draws with a fixed seed" in said
    one = metakit.causes(frame(("A", "residual_bone", 3, 90), ("A", "infection", 5, 90))).overall
    assert not any("82 to 86 %" in note for note in one.notes)


def test_a_failed_draw_falls_back_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: Any, **__: Any) -> None:
        raise NotEstimableError("the shares of the causes could not be drawn: 9 draws are worth 1")

    monkeypatch.setattr("metakit.models.causes_of_return.causes.LogisticGroup", fails)
    found = metakit.causes(FOUR).overall
    assert (found.model, found.model_beside, found.sampling_error) == ("dirichlet_multinomial", None, None)
    assert all(item.share_beside is None for item in found.causes)
    assert any("could not be drawn" in note and "read it as too narrow" in note for note in found.notes)


def test_rates_that_one_study_gives_the_size_for_are_its_own() -> None:
    studies = [
        StudyReturns(study="A", counts={"infection": 2, "nerve": 1}, returned=4, not_stated=1, thumbs=50.0),
        StudyReturns(study="B", counts={"infection": 6, "nerve": 3}, returned=9),
    ]
    found = pool_causes(studies)
    rate = answer(found, "infection").per_thumb
    assert rate.mean == 2 / 50  # not 8 of 50
    assert answer(found, "infection").per_thumb_if_all.mean == 3 / 50
    assert found.not_stated_per_thumb.mean == 1 / 50
    parts = sum(item.per_thumb.mean for item in found.causes) + found.not_stated_per_thumb.mean
    assert parts == pytest.approx(found.all_per_thumb.mean, rel=1e-12)
