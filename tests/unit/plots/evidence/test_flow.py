"""The flow diagram: every count is drawn, words fit their boxes, arrows join them, bytes repeat. Invented counts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit.errors import DataError, UsageError
from metakit.plots.evidence.flow import flow_figure
from metakit.plots.evidence.flow_content import MOST_SOURCES, FlowContent, flow_content
from metakit.plots.evidence.flow_layout import lay_out_flow
from metakit.plots.save import figure_bytes
from metakit.plots.style import MM, SMALLEST_TYPE
from metakit.plots.text import text_width
from metakit.review.selection.flow import Flow, FlowSide
from tests.unit.plots.looking import faults, smallest_type, words

DATABASES = FlowSide(
    found={"a": 1212, "b": 148, "t": 31}, imported={"a": 1212, "b": 148, "t": 31},
    removed={"duplicate": 74, "automation_tool": 12, "other": 3}, screened=1302, excluded=1240, sought=62,
    not_retrieved=3, assessed=59, excluded_by_reason={"other_design": 24, "language": 14}, included=21,
)  # fmt: skip
OTHER = FlowSide(
    found={"c": 9}, imported={"c": 9}, removed={"duplicate": 4}, sought=5, not_retrieved=1, assessed=4,
    excluded_by_reason={"language": 3}, included=1,
)  # fmt: skip
SOURCES = {
    "a": ("Bibliographic database A", "Databases"),
    "b": ("Bibliographic database B", "Databases"),
    "t": ("Trial register", "Registers"),
    "c": ("Reference lists", "Citation searching"),
}
REASONS = {"other_design": "Other design", "language": "Language not readable by the team"}
HOSTILE = {
    "a": ("<script>alert(1)</script> $\\frac{a}{b}$ " + "very long name " * 6, "Databases"),
    "b": ("\u202eDatabase\u202c of \u4e2d\u6587 Unbreakablywrittendatabasenamewithoutanyspace", "Databases"),
    "t": ("T", "Registers"),
    "c": ("Lists", "Citation searching"),
}


def content(*, other: bool = True, sources=SOURCES, **more) -> FlowContent:
    flow = Flow(
        databases=DATABASES, other=OTHER if other else None, included_reports=22 if other else 21,
        included_studies=19,
    )  # fmt: skip
    return flow_content(flow, sources=sources, reasons=REASONS, **more)


@pytest.mark.grid
@pytest.mark.parametrize("other", [True, False], ids=["two sides", "one side"])
@pytest.mark.parametrize("width", [85.0, 120.0, 180.0])
@pytest.mark.parametrize("sources", [SOURCES, HOSTILE], ids=["plain", "hostile"])
def test_everything_fits_at_every_width(other: bool, width: float, sources) -> None:
    figure = flow_figure(content(other=other, sources=sources, title="Flow"), width_mm=width)
    assert faults(figure) == []
    assert smallest_type(figure) >= SMALLEST_TYPE
    assert figure.get_size_inches()[0] * 72 == pytest.approx(width * MM)
    shown = words(figure)
    counts = [1212, 148, 31, 74, 12, 3, 1302, 1240, 62, 59, 24, 14, 19]
    counts += [9, 4, 5, 1, 22] if other else [21]
    for number in counts:
        assert f"n\u00a0=\u00a0{number}" in shown, number


@pytest.mark.parametrize("width", [85.0, 120.0, 180.0])
def test_words_stay_inside_their_boxes_and_boxes_apart(width: float) -> None:
    scene = lay_out_flow(content(sources=HOSTILE), width_mm=width, measure=text_width)
    boxes = [shape.points for shape in scene.shapes if shape.role.startswith("box")]
    assert len(boxes) == 15
    inside = 0
    for line in scene.lines:
        if not line.role.startswith("box"):
            continue
        wide = text_width(line.text, line.size, line.bold)
        left = line.x - wide if line.align == "right" else line.x
        inside += any(
            box[0][0] <= left and left + wide <= box[1][0] + 0.1 and box[0][1] < line.y < box[2][1]
            for box in boxes
        )
    assert inside == sum(line.role.startswith("box") for line in scene.lines)
    for i, one in enumerate(boxes):
        for two in boxes[i + 1 :]:
            beside = one[1][0] <= two[0][0] or two[1][0] <= one[0][0]
            below = one[2][1] <= two[0][1] or two[2][1] <= one[0][1]
            assert beside or below
    for head in (shape for shape in scene.shapes if shape.role == "arrow-head"):
        x, y = head.points[0]  # every arrow ends on the edge of a box
        assert any(
            (abs(y - box[0][1]) < 0.1 and box[0][0] < x < box[1][0])
            or ((abs(x - box[0][0]) < 0.1 or abs(x - box[1][0]) < 0.1) and box[0][1] < y < box[2][1])
            for box in boxes
        )


def test_wording_is_that_of_the_statement() -> None:
    """Page MJ et al. 2021, BMJ 372:n71, figure 1."""
    text = content().text()
    for phrase in (
        "Identification of studies via databases and registers", "Identification of studies via other methods",
        "Records identified from", "Records removed before screening", "Duplicate records removed 74",
        "Records marked as ineligible by automation tools 12", "Records removed for other reasons 3",
        "Records screened: 1302", "Records excluded: 1240", "Reports sought for retrieval: 62",
        "Reports not retrieved: 3", "Reports assessed for eligibility: 59", "Reports excluded: Other design 24",
        "Studies included in review 19", "Reports of included studies 22",
    ):  # fmt: skip
        assert phrase in text, phrase


def test_other_methods_show_only_where_they_were_used() -> None:
    assert "other methods" not in content(other=False).text()


def test_many_sources_are_added_up_by_kind() -> None:
    found = {f"s{n}": n for n in range(1, MOST_SOURCES + 2)}
    total = sum(found.values())
    side = replace(DATABASES, found=found, imported=found, removed={}, screened=total, excluded=total - 62)
    flow = Flow(databases=side, other=None, included_reports=21, included_studies=21)
    sources = {name: (name, "Databases" if name != "s1" else "Registers") for name in found}
    shown = flow_content(flow, sources=sources, reasons=REASONS)
    assert shown.databases.identified.items == (("Registers", 1), ("Databases", total - 1))
    assert shown.databases.removed is not None
    assert shown.databases.removed.items == (("Duplicate records removed", 0),)


def test_counts_that_do_not_add_up_are_not_drawn() -> None:
    flow = Flow(databases=DATABASES, other=OTHER, included_reports=23, included_studies=19)
    with pytest.raises(DataError, match=r"reports of included studies.*does not add up"):
        flow_content(flow, sources=SOURCES, reasons=REASONS)
    with pytest.raises(UsageError, match="mm wide"):
        flow_figure(content(), width_mm=40)


def test_the_same_flow_gives_the_same_bytes() -> None:
    one, two = (figure_bytes(flow_figure(content()), ".svg") for _ in range(2))
    assert one == two
    assert b"<text" in one
    assert b"<script" not in figure_bytes(flow_figure(content(sources=HOSTILE)), ".svg")
