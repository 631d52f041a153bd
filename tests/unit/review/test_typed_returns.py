"""Returns, findings and bands as the analysis sees them: sums, silence, signs, months."""

from __future__ import annotations

import pytest

from metakit.core.records import StudyRecord
from metakit.core.values import Band
from metakit.forms.library import shipped
from metakit.forms.reading import read_fields
from metakit.forms.yaml_nodes import read_bytes
from metakit.review.typed import study_record
from tests.unit.forms.rules.returns_cases import SECTIONS
from tests.unit.review.test_typed import SOUND

TEXT = (SOUND / "records" / "test_01.yaml").read_text(encoding="utf-8")


def typed(sections: str = SECTIONS, text: str = TEXT) -> StudyRecord:
    root = read_bytes((text + sections).encode(), "record.yaml").root
    assert root is not None
    form = shipped().form("study")
    group, problems = read_fields(root, form)
    assert not problems
    return study_record(group, form, file="record.yaml", sha256="")


STUDY = typed()


def test_returns_with_causes_operations_and_months() -> None:
    first, lived, none, overlapping = STUDY.returns
    assert (first.arm, first.kind, first.thumbs, first.total) == ("A", "operation", 5, 30)
    assert [(c.cause, c.thumbs) for c in first.causes] == [("residual_bone", 2), ("mp_hyperextension", 1)]
    assert first.causes[0].as_reported == "spur at the metacarpal base" and first.causes[0].months == 6
    assert (first.not_stated, first.stated, first.unaccounted, first.adds_up) == (2, 3, 2, True)
    assert (first.months_mean, first.months_shortest, first.months_longest) == (8, 2, 14)
    assert [(o.operation, o.thumbs, o.cause) for o in first.operations] == [
        ("bone_removal", 2, "residual_bone"),
        ("mp_fusion", 1, ""),
        ("operation_not_stated", 2, ""),
    ]
    assert lived.operations == () and lived.causes_overlap is None and lived.adds_up
    assert (none.thumbs, none.causes, none.adds_up, none.unaccounted) == (0, (), True, 0)
    assert overlapping.causes_overlap is True and overlapping.stated == 5 and overlapping.adds_up


@pytest.mark.parametrize(
    ("old", "new", "adds_up", "unaccounted"),
    [
        ("cause: not_stated, count: 2", "cause: not_stated, count: 1", False, 2),
        ("cause: not_stated, count: 2", "cause: not_stated, count: 3", False, 3),
        ("cause: residual_bone, count: 2", "cause: residual_bone, count: 4", False, 2),
    ],
)
def test_causes_that_do_not_add_up_stay_as_typed(old: str, new: str, adds_up: bool, unaccounted: int) -> None:
    row = typed(SECTIONS.replace(old, new, 1)).returns[0]
    assert (row.adds_up, row.unaccounted) == (adds_up, unaccounted)


def test_times_are_in_months() -> None:
    text = SECTIONS.replace("{mean: 8, minimum: 2, maximum: 14, unit: months}", "{median: 2, unit: years}", 1)
    assert typed(text).returns[0].months_median == 24


def test_findings_and_their_limits() -> None:
    found = {(row.arm, row.finding, row.option): row for row in STUDY.findings}
    assert found["C", "st_arthritis_treated", "st_trapezoid_partial"].thumbs == 4
    assert str(found["A", "mp_hyperextension_found", ""].limit) == "over 20"


def test_bands_are_hyperextension_whatever_was_typed() -> None:
    *_, last = STUDY.mp_bands
    assert last.band == Band(lower=10, upper=30, lower_inside=False, upper_inside=True)
    assert [str(row.band) for row in STUDY.mp_bands[:3]] == ["up to 0", "over 0 to under 30", "30 and more"]
    assert [row.months for row in STUDY.mp_bands[:3]] == [0, 0, 0] and last.months == 12
    assert STUDY.mp_bands[4].mp_option == "mp_pinning"


@pytest.mark.parametrize(
    ("band", "inside", "outside"),
    [
        (Band(lower=30), (31, 90), (30, 0)),
        (Band(lower=30, lower_inside=True), (30, 90), (29.9,)),
        (Band(upper=29, upper_inside=True, lower=20, lower_inside=True), (20, 29), (30, 19)),
        (Band(upper=20), (19.9, -5), (20,)),
    ],
)
def test_a_band_holds_its_values(band: Band, inside: tuple[float, ...], outside: tuple[float, ...]) -> None:
    assert all(band.holds(value) for value in inside) and not any(band.holds(value) for value in outside)


def test_bands_meet_only_in_a_value_of_both() -> None:
    up_to, over, more = Band(upper=30, upper_inside=True), Band(lower=30), Band(lower=30, lower_inside=True)
    assert not up_to.meets(over) and not over.meets(up_to)
    assert up_to.meets(more) and more.meets(over)


def test_parts_of_an_arm() -> None:
    counted, measured = STUDY.subgroups
    assert counted.osteophyte_option == "osteophyte_removed" and counted.value.events == 1
    assert str(measured.mp_before) == "30 and more" and measured.value.mean == 28


def test_old_records_have_none_of_it() -> None:
    old = typed("")
    assert old.returns == old.findings == old.mp_bands == old.subgroups == ()
    assert [arm.osteophyte_option for arm in old.arms] == ["osteophyte_not_reported"] * 3
    assert [arm.mp_preoperative.mean for arm in old.arms] == [14, None, 12]
    assert old.arms[1].reconstruction == ("lr_fcr_slip",)


@pytest.mark.parametrize(
    ("typed_as", "option"),
    [("yes", "removed"), ("no", "left"), ("some", "some_removed"), ("not_reported", "not_reported")],
)
def test_osteophytes_of_an_arm(typed_as: str, option: str) -> None:
    text = TEXT.replace("    stt_arthritis: 4\n", f"    metacarpal_osteophyte_removed: {typed_as}\n", 1)
    assert typed("", text).arms[0].osteophyte_option == f"osteophyte_{option}"


def test_an_angle_without_a_direction_is_left_out_and_says_why() -> None:
    old = "maximum: 40, over_30: 3, sign: positive_is_hyperextension"
    angle = typed("", TEXT.replace(old, "maximum: 40, over_30: 3, sign: unclear", 1)).arms[0].mp_preoperative
    assert angle.mean is None and angle.over_30 == 3 and "direction" in angle.unusable
