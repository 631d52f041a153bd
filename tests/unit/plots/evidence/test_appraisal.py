"""The pictures of the appraisal: readable without colour, one to eighty studies, hostile names, journal widths."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from matplotlib.patches import Polygon
from PIL import Image

from metakit.core.records import StudyRecord
from metakit.plots.evidence.appraisal import appraisal_figure, concern_figure
from metakit.plots.evidence.appraisal_content import (
    AppraisalContent,
    ShareCell,
    ShareRow,
    SharesContent,
    appraisal_content,
    appraisal_pieces,
    appraisal_text,
)
from metakit.plots.evidence.appraisal_layout import lay_out_appraisal
from metakit.plots.gauges import STUB
from metakit.plots.save import save_figure
from metakit.plots.svg import figure_svg
from metakit.plots.text import text_width
from tests.unit.plots.looking import faults, smallest_type, words
from tests.unit.plots.samples import NASTY_NAMES
from tests.unit.synthesis.appraised import COHORT, SERIES, TRIAL, appraised, judged
from tests.unit.synthesis.invented import trial

LETTERS = {TRIAL: "LSH", COHORT: "LMSCN", SERIES: "YNUA"}
GROUPS = {TRIAL: "randomised", COHORT: "comparative", SERIES: "series"}
SIZES = {TRIAL: 5, COHORT: 7, SERIES: 10}


def studies_of(counts: dict[str, int], seed: int = 4) -> list[StudyRecord]:
    draw = random.Random(seed)
    found = []
    for instrument, count in counts.items():
        for number in range(count):
            letters = "".join(draw.choice(LETTERS[instrument]) for _ in range(SIZES[instrument]))
            fields = appraised(letters, instrument)
            if instrument == TRIAL and number % 3 == 0:
                fields["appraisal"]["judgements"].append(
                    judged("measurement", "low", outcome="revision_index")
                )
            found.append(trial(f"{instrument}{number}", 3, 4, design_group=GROUPS[instrument], fields=fields))
    return found


def content_of(counts: dict[str, int], *, names: tuple[str, ...] = (), title: str = "") -> AppraisalContent:
    studies = studies_of(counts)
    shown = {s.id: names[n % len(names)] if names else f"Amsel {2000 + n}" for n, s in enumerate(studies)}
    return appraisal_content(studies, shown, title=title)


CONTENTS = {
    "one": content_of({TRIAL: 1}),
    "three instruments": content_of({TRIAL: 4, COHORT: 5, SERIES: 3}, title="How far each can be trusted"),
    "eighty": content_of({TRIAL: 20, COHORT: 30, SERIES: 30}),
    "nasty": content_of({TRIAL: 12, COHORT: 12, SERIES: 12}, names=NASTY_NAMES, title="US$5 $\\frac{a}$ <b>"),
}


@pytest.mark.grid
@pytest.mark.parametrize("width", [85, 180])
@pytest.mark.parametrize("name", CONTENTS)
def test_nothing_is_cut_and_nothing_runs_into_another(name: str, width: float) -> None:
    figure = appraisal_figure(CONTENTS[name], width_mm=width)
    assert faults(figure) == []
    assert smallest_type(figure) >= (8 if width >= 110 else 7)
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(width)


def test_the_bar_is_as_long_as_the_level_is_bad() -> None:
    studies = [
        trial("a", 1, 1, fields=appraised("LSHLS")),
        trial("b", 1, 1, design_group="comparative", fields=appraised("LMSCNLL", COHORT)),
        trial("c", 1, 1, design_group="series", fields=appraised("YNUAYYYYYY", SERIES)),
    ]
    blocks = appraisal_content(studies, {"a": "A", "b": "B", "c": "C"}).blocks
    trials, cohorts, items = (block.rows[0].gauges for block in blocks)
    assert [gauge.fill for gauge in trials] == [STUB, 0.5, 1.0, STUB, 0.5]
    assert [gauge.fill for gauge in cohorts[:5]] == [
        STUB,
        pytest.approx(1 / 3),
        pytest.approx(2 / 3),
        1.0,
        None,
    ]
    assert [(gauge.fill, gauge.asked) for gauge in items[:4]] == [
        (STUB, True), (1.0, True), (None, True), (None, False),
    ]  # fmt: skip
    assert [block.rows[0].overall_words for block in blocks] == ["High", "Critical", "7 of 9 yes"]
    scene = lay_out_appraisal(appraisal_content(studies[:1], {"a": "A"}), width_mm=180, measure=text_width)
    tracks = [shape for shape in scene.shapes if shape.role == "study-0-0-track"]
    bars = [shape for shape in scene.shapes if shape.role == "study-0-0-bar"]
    lengths = [
        (bar.points[1][0] - bar.points[0][0]) / (track.points[1][0] - track.points[0][0])
        for bar, track in zip(bars, tracks, strict=True)
    ]
    assert lengths == pytest.approx([STUB, 0.5, 1.0, STUB, 0.5])


@pytest.mark.walk
def test_every_level_is_told_in_words_or_by_the_key() -> None:
    wide = words(appraisal_figure(content_of({TRIAL: 3}), width_mm=180))
    assert sum(text in {"Low", "High"} for text in wide) > 2
    narrow = words(appraisal_figure(content_of({COHORT: 3}), width_mm=85))
    assert {"Low", "Moderate", "Serious", "Critical", "No information"} <= set(narrow)
    assert any(text.startswith("1 Groups differed beforehand") for text in narrow)
    assert "Dashed track: not" in " ".join(narrow)


def test_bars_keep_their_length_in_grey(tmp_path: Path) -> None:
    """Along the middle of a track, the dark part of the picture without colour is the level's share."""
    content = appraisal_content([trial("a", 1, 1, fields=appraised("LSHLS"))], {"a": "A"})
    path = save_figure(appraisal_figure(content, width_mm=180), tmp_path / "grey.png", dpi=288)
    grey = np.asarray(Image.open(path).convert("L"), dtype=float)
    scene = lay_out_appraisal(content, width_mm=180, measure=text_width)
    tracks = [shape for shape in scene.shapes if shape.role in {"study-0-0-track", "study-0-0-overall-track"}]
    dark = []
    for track in tracks:
        (left, top), (right, _), (_, bottom), _ = track.points
        row = grey[round(2 * (top + bottom)), round(4 * left) + 4 : round(4 * right) - 4]
        dark.append(float((row < 140).mean()))
    assert dark == pytest.approx([STUB, 0.5, 1.0, STUB, 0.5, 1.0], abs=0.04)


def test_changed_and_unconfirmed_levels_are_marked_and_missing_studies_named() -> None:
    fields = appraised("LLHLL")
    fields["appraisal"]["judgements"].append(judged("overall", "low", changed_because="x"))
    studies = [
        trial("a", 1, 1, fields=fields),
        trial("b", 1, 1, fields=appraised("LLLLL")),
        trial("c", 1, 1),
    ]
    content = appraisal_content(studies, {"a": "A", "b": "B", "c": "Buche 2011"})
    (block,) = content.blocks
    assert block.rows[0].remarks == ("rule: high",)
    assert block.rows[1].remarks == ("not confirmed",)
    assert content.footnotes == ("Not appraised: Buche 2011.",)
    assert "Low 2 times" in appraisal_text(content)
    assert "Not appraised: Buche 2011." in appraisal_text(content)


def test_a_study_judged_with_the_wrong_instrument_is_still_shown() -> None:
    study = trial("a", 1, 1, design_group="series", fields=appraised("LLLLL"))
    (block,) = appraisal_content([study], {"a": "A"}).blocks
    assert block.rows[0].study == "A"


@pytest.mark.walk
def test_pieces_hold_every_row_once_and_fit_a_page() -> None:
    whole = CONTENTS["eighty"]
    pieces = appraisal_pieces(whole, most=14)
    assert [row for piece in pieces for block in piece.blocks for row in block.rows] == [
        row for block in whole.blocks for row in block.rows
    ]
    for piece in pieces:
        assert sum(len(block.rows) for block in piece.blocks) <= 14
        height = appraisal_figure(piece, width_mm=180).get_size_inches()[1] * 25.4
        assert height < 260
    assert len(appraisal_pieces(content_of({TRIAL: 2}))) == 1


def shares_of(count: int, names: tuple[str, ...] = ("Any complication",)) -> SharesContent:
    draw = random.Random(9)
    rows = []
    for number in range(count):
        parts = [draw.random() for _ in range(6)]
        cells = tuple(
            ShareCell(
                studies=number + 1, weight=part / sum(parts), percent=f"{100 * part / sum(parts):.0f} %"
            )
            for part in parts
        )
        name = names[number % len(names)]
        rows.append(ShareRow(label=name, about=name, cells=(*cells[:4], None, cells[5])))
    return SharesContent(
        title="On which concern each answer rests",
        concerns=("Low concern", "Some concern", "High concern", "Concern not known", "Judged item by item",
                  "Not appraised"),
        rows=tuple(rows),
    )  # fmt: skip


@pytest.mark.grid
@pytest.mark.parametrize("width", [85, 180])
@pytest.mark.parametrize("count", [1, 14, 60])
def test_the_picture_of_weights_is_whole(count: int, width: float) -> None:
    figure = concern_figure(shares_of(count, NASTY_NAMES), width_mm=width)
    assert faults(figure) == []
    assert smallest_type(figure) >= 7


def test_bars_of_weights_are_as_long_as_the_weights() -> None:
    figure = concern_figure(shares_of(1), width_mm=180)
    lengths = {}
    for patch in figure.axes[0].findobj(Polygon):
        xs = patch.get_xy()[:, 0]
        lengths.setdefault(patch.get_gid(), []).append(xs.max() - xs.min())
    ratios = np.divide(lengths["answer-0-bar"], lengths["answer-0-track"])
    weights = [cell.weight for cell in shares_of(1).rows[0].cells if cell is not None]
    assert ratios == pytest.approx(np.maximum(weights, 0), abs=0.02)


@pytest.mark.lengthy
def test_hostile_names_stay_text_in_the_page() -> None:
    svg = figure_svg(appraisal_figure(CONTENTS["nasty"]), appraisal_text(CONTENTS["nasty"]))
    assert "<script" not in svg and "<b>" not in svg
