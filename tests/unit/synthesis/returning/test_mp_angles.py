"""MP angles: paired changes, coarse bands as bounds, recurrence by the report's own limit."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from metakit.core.returns import AngleBand, SubgroupValue
from metakit.core.values import Angle, Band
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.returning.mp_angles import angle_findings
from metakit.synthesis.returning.mp_limits import over_limit
from tests.unit.synthesis.invented import arm, counted, measured, series

OVER_30 = Band(lower=30)
FROM_30 = Band(lower=30, lower_inside=True)


def band(low: float | None, high: float | None, thumbs: int, **facts) -> AngleBand:
    edges = {"lower_inside": True, "upper_inside": False} | facts.pop("edges", {})
    return AngleBand(
        arm="A", band=Band(lower=low, upper=high, **edges), thumbs=thumbs, total=facts.pop("total", None),
        months=facts.pop("months", 12.0), time_label="12 months", **facts,
    )  # fmt: skip


def angle(kind: str, mean: float, sd: float, **facts):
    return measured("A", mean, sd, outcome="mp_hyperextension", kind=kind, **facts)


def found(*studies):
    return angle_findings(studies, display_names(studies))


def test_a_paired_change_uses_its_correlation_and_is_varied() -> None:
    study = series(
        "1", angle("baseline", 30, 8, months=None, time_label="before_surgery"), angle("final", 18, 10),
        arms=(arm("A", "lrti"),),
    )  # fmt: skip
    one = found(study).left_alone[0]
    assert one.group.casefold().startswith("lrti") or one.group
    assert one.arms[0].change == -12
    # sqrt(8^2 + 10^2 - 2 r 8 10), Cochrane Handbook 6.5.2.8.
    assert one.arms[0].standard_deviation == pytest.approx(math.sqrt(84), rel=1e-12)
    assert set(one.varied) == {0.3, 0.7}
    assert one.result.estimate == pytest.approx(-12)


def test_a_typed_change_is_taken_as_it_is() -> None:
    study = series("1", angle("change", -9, 5), arms=(arm("A", "lrti", mp_preoperative=Angle(mean=32)),))
    change = found(study).left_alone[0].arms[0]
    assert (change.change, change.standard_deviation, change.before, change.after) == (-9, 5, 32, 23)
    assert change.band == "mean 30 to under 40"


def test_a_change_with_the_wrong_sign_is_not_believed() -> None:
    study = series(
        "1", angle("baseline", 17.8, 8, months=None, time_label="before_surgery"), angle("final", 11, 8),
        angle("change", 6.8, 7), arms=(arm("A", "lrti"),),
    )  # fmt: skip
    answer = found(study)
    assert answer.left_alone[0].arms[0].change == pytest.approx(-6.8)
    assert any("contradicts" in str(step) for step in answer.assumptions)


def test_an_angle_without_its_spread_before_is_set_aside() -> None:
    study = series("1", angle("final", 18, 10), arms=(arm("A", "lrti"),))
    answer = found(study)
    assert not answer.left_alone
    assert "before surgery" in answer.set_aside[0].reason


def test_an_unclear_sign_is_set_aside_with_its_reason() -> None:
    study = series("1", angle("final", 18, 10, unusable="the sign is unclear"), arms=(arm("A", "lrti"),))
    assert "sign is unclear" in found(study).set_aside[0].reason


@pytest.mark.parametrize(
    ("bands", "over", "expected"),
    [
        # 20 to under 40 runs across 30: on either side.
        ([band(0, 20, 10), band(20, 40, 5), band(40, None, 3)], OVER_30, (3, 8, 18)),
        # "30 and more" lies over "30 and more", but 30 itself is not over 30.
        ([band(0, 30, 10), band(30, None, 4)], FROM_30, (4, 4, 14)),
        ([band(0, 30, 10), band(30, None, 4)], OVER_30, (0, 4, 14)),
        ([band(None, 30, 10, edges={"upper_inside": True}), band(30, None, 4, edges={"lower_inside": False})],
         OVER_30, (4, 4, 14)),
        # 20 measured, 14 in bands: six may lie on either side.
        ([band(0, 30, 10, total=20), band(40, None, 4, total=20)], OVER_30, (4, 10, 20)),
        # "over 30" holds "over 40": bands that overlap are not added, and the 14 in neither are not over 30.
        ([band(30, None, 6, total=20, bands_overlap=True, edges={"lower_inside": False}),
          band(40, None, 2, total=20, bands_overlap=True, edges={"lower_inside": False})], OVER_30, (6, 6, 20)),
    ],
)  # fmt: skip
def test_coarse_bands_bound_the_count_over_a_limit(bands, over, expected) -> None:
    assert over_limit(bands, over) == expected


def test_brute_force_over_all_angles_that_bands_allow() -> None:
    """Put each thumb at every whole degree its band allows: the extremes are the bounds."""
    bands = [band(0, 20, 2), band(20, 40, 2), band(35, None, 1)]
    possible = [
        [degree for degree in range(61) if entry.band.holds(degree)]
        for entry in bands
        for _ in range(entry.thumbs)
    ]
    for over in (OVER_30, FROM_30, Band(lower=35, lower_inside=True)):
        fewest = sum(all(over.holds(degree) for degree in degrees) for degrees in possible)
        most = sum(any(over.holds(degree) for degree in degrees) for degrees in possible)
        assert over_limit(bands, over) == (fewest, most, 5)


def test_bands_that_contradict_each_other_keep_the_wider_bounds() -> None:
    """Five over 40 but four over 30, where the larger band holds the smaller one: no placement fits."""
    bands = [
        band(30, None, 4, total=9, bands_overlap=True),
        band(40, None, 5, total=9, bands_overlap=True),
    ]
    assert over_limit(bands, FROM_30) == (5, 9, 9)


def test_a_thumb_enters_a_group_once() -> None:
    """An arm told as a whole and by band: the whole by technique, its bands by option."""

    def part(kind: str, mean: float, low: float, n: int, **facts) -> SubgroupValue:
        own = Band(lower=low) if low else Band(upper=30, upper_inside=True)
        return SubgroupValue(value=angle(kind, mean, 6, n=n, **facts), mp_before=own)

    before = {"months": None, "time_label": "before_surgery"}
    study = replace(
        series("1", angle("baseline", 30, 8, **before), angle("final", 20, 8), arms=(arm("A", "lrti"),)),
        subgroups=(
            part("baseline", 24, 0, 25, **before), part("final", 18, 0, 25), part("change", -14, 30, 15),
        ),
    )  # fmt: skip
    answer = found(study)
    (left,) = answer.left_alone
    assert [(one.thumbs, one.whole) for one in left.arms] == [(40, True)]
    assert [(item.group, item.arms[0].thumbs) for item in answer.by_option] == [
        ("No MP procedure; up to 30 before", 25), ("No MP procedure; over 30 before", 15),
    ]  # fmt: skip
    assert [item.arms[0].change for item in answer.by_option] == [-6, -14]


def test_inside_needs_every_angle() -> None:
    assert Band(lower=30).lies_in(OVER_30)
    assert not Band(lower=30, lower_inside=True).lies_in(OVER_30)
    assert not Band(upper=50).lies_in(OVER_30)
    assert Band(lower=20, upper=30).lies_in(Band(upper=30))
    assert not Band(lower=20, upper=30, upper_inside=True).lies_in(Band(upper=30))
    assert not Band(lower=20).lies_in(Band(upper=30))


def test_every_published_limit_is_answered_and_none_chosen() -> None:
    study = replace(series("1", arms=(arm("A", "lrti"),)), mp_bands=(band(0, 30, 10), band(30, None, 4)))
    limits = found(study).over_limits
    assert {item.limit for item in limits} >= {"over_30_address", "from_30_capsulodesis", "from_40_fusion"}
    from_30 = next(item for item in limits if item.limit == "from_30_capsulodesis")
    assert (from_30.fewest, from_30.most, from_30.total) == (4, 4, 14)
    over_30 = next(item for item in limits if item.limit == "over_30_address")
    assert (over_30.fewest, over_30.most) == (0, 4)


def test_recurrence_keeps_the_reports_own_limit() -> None:
    value = counted("A", 3, 12, outcome="mp_recurrence", limit=Band(lower=30))
    row = found(series("1", value, arms=(arm("A", "lrti", mp_option="mp_capsulodesis_volar"),))).recurrence[0]
    assert (row.events, row.total, row.limit, row.months) == (3, 12, "over 30", 12.0)
