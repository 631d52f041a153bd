"""The pictures of causes, angles and the map of evidence: every row there, nothing cut, words for each."""

from __future__ import annotations

import pytest

import metakit
from metakit.plots.evidence.causes import causes_content, causes_figure_text
from metakit.plots.evidence.evidence_map import lay_out_map, map_content, map_text
from metakit.plots.evidence.mp_angles import angles_content
from metakit.plots.networks.network_rows import lay_out_rows
from metakit.plots.text import text_width
from metakit.synthesis.returning.trouble_findings import (
    AngleArm,
    AngleChange,
    EvidenceCell,
    EvidenceRow,
    SourceFinding,
)

RETURNS = {
    "study": ["A", "A", "A", "B", "B"],
    "cause": ["residual_bone", "infection", "not_stated", "residual_bone", "infection"],
    "thumbs": [6, 4, 3, 3, 5],
    "total": [90, 90, 90, 70, 70],
}
WHOLE = EvidenceCell(studies=("A", "B"), thumbs=120, randomised=1, comparing=("A",))
SINGLE = EvidenceCell(studies=("C",), thumbs=30, randomised=0, comparing=())
SOURCE = SourceFinding(
    source="mp_hyperextension",
    label="MP hyperextension",
    shares=(),
    cause=None,
    analyses=(),
    rows=(
        EvidenceRow(source="m", option="fused", label="MP arthrodesis", cells={"pain": WHOLE, "pinch": None}),
        EvidenceRow(
            source="m", option="left", label="MP joint left alone", cells={"pain": SINGLE, "pinch": None}
        ),
    ),
)
LABELS = {"pain": "Pain on activity", "pinch": "Key pinch"}


@pytest.mark.parametrize("width_mm", [85, 120, 180])
def test_causes_keep_within_the_picture(width_mm: float) -> None:
    content = causes_content(metakit.causes(RETURNS).overall)
    scene = lay_out_rows(content, width_mm=width_mm, measure=text_width)
    assert all(0 <= line.x <= scene.width and 0 <= line.y <= scene.height for line in scene.lines)
    shown = " ".join(line.text for line in scene.lines)
    assert "Residual bone" in shown
    assert "Infection" in shown
    assert sum(shape.role.endswith("-indirect") for shape in scene.shapes) == 4  # two bounds a cause


def test_words_of_the_causes_picture_hold_its_numbers() -> None:
    found = metakit.causes(RETURNS).overall
    content = causes_content(found)
    for row in content.rows:
        assert f"{row.label} {row.numbers[0]} ({row.numbers[1]})" in causes_figure_text(found)


@pytest.mark.parametrize("width_mm", [85, 180])
def test_empty_cells_of_the_map_say_so(width_mm: float) -> None:
    content = map_content(SOURCE, LABELS, {"fused/pain": "low"})
    scene = lay_out_map(content, width_mm=width_mm, measure=text_width)
    words = [line.text for line in scene.lines if line.role.endswith("-none")]
    assert len(words) == 2
    assert set(words) <= {"no study", "none"}
    squares = [shape for shape in scene.shapes if shape.role.endswith("-cell")]
    assert len({shape.face for shape in squares}) == 2  # compared within studies, and not
    assert "MP arthrodesis: Pain on activity 2 (1 rand.), 120 thumbs, low; Key pinch no study." in map_text(
        content
    )


def test_angles_show_before_and_after() -> None:
    arm = AngleArm(
        study="A", arm="x", technique="LRTI", option="mp_none", band="", thumbs=20, before=32, after=21,
        change=-11, standard_deviation=8,
    )  # fmt: skip
    silent = AngleArm(
        study="B", arm="x", technique="LRTI", option="mp_none", band="", thumbs=20, before=None, after=None,
        change=-11, standard_deviation=8,
    )  # fmt: skip
    rows = angles_content(
        (
            AngleChange(group="LRTI", arms=(arm,), result=None),
            AngleChange(group="?", arms=(silent,), result=None),
        )
    ).rows
    assert [row.label for row in rows] == ["LRTI"]
    assert "32 before, 21 after" in rows[0].quiet
