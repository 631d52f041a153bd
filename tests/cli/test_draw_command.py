"""`metakit draw` with what a journal asks for. The table is invented."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image

TABLE = """study,events_1,total_1,events_2,total_2,year,design,bias
Alderwick,4,29,6,30,2011,trial,low
Bramhope,3,41,9,40,2015,cohort,high
Cawdale,1,22,2,24,2016,trial,some concerns
Dunmere,11,95,17,90,2019,cohort,low
"""


@pytest.fixture
def table(tmp_path: Path) -> str:
    path = tmp_path / "table.csv"
    path.write_text(TABLE, encoding="utf-8")
    return str(path)


def test_everything_of_a_forest_from_the_command_line(metakit_command, table: str, tmp_path: Path) -> None:
    said_all = metakit_command(
        "draw", table, "--measure", "risk_ratio", "--subgroup", "design", "--order-by", "weight",
        "--arms", "LRTI; Trapeziectomy alone", "--left-columns", "year", "--right-columns", "events,total",
        "--judgements", "bias", "--axis-limits", "0.1,10", "--ticks", "0.1,1,10", "--font", "DejaVu Serif",
        "--grey", "--caption", "--title", "Complications", "--to", str(tmp_path / "figure.svg"),
    )  # fmt: skip
    assert said_all.status == 0, said_all.err
    assert said_all.out.split() == [str(tmp_path / "figure.svg"), str(tmp_path / "figure_caption.txt")]
    svg = (tmp_path / "figure.svg").read_text(encoding="utf-8")
    for said in ("LRTI", "Year", "Design: trial", "Bias", "DejaVu Serif"):
        assert said in svg
    assert "#56b4e9" not in svg and svg.count("Complications") == 1  # the name for screen readers
    told = (tmp_path / "figure_caption.txt").read_text(encoding="utf-8")
    assert told.startswith("Complications\n") and "more concern (low, some concerns, high)" in told


@pytest.mark.walk
def test_line_art_at_1200_dots_and_a_slide_across(metakit_command, table: str, tmp_path: Path) -> None:
    asked = ("draw", table, "--measure", "risk_ratio", "--to")
    assert metakit_command(*asked, tmp_path / "art.tif", "--preset", "line_art").status == 0
    with Image.open(tmp_path / "art.tif") as art:
        assert art.mode == "1" and round(float(art.info["dpi"][0])) == 1200
        assert art.width == pytest.approx(178 / 25.4 * 1200, abs=1)
    done = metakit_command(*asked, tmp_path / "slide", "--preset", "slide")
    assert done.status == 0 and str(tmp_path / "slide_caption.txt") in done.out
    for path in tmp_path.glob("slide*.png"):
        with Image.open(path) as picture:
            assert picture.width / picture.height == pytest.approx(16 / 9, rel=5e-3)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--arms", "LRTI"), "two names"),
        (("--axis-limits", "2,3"), "leaves out no difference"),
        (("--axis-limits", "0.5;2"), "numbers separated by commas"),
        (("--left-columns", "yeer"), "year"),
        (("--subgroup", "desing"), "design"),
        (("--order-by", "yeer"), "year"),
        (("--judgements", "design"), "--judgement-levels"),
        (("--font", "No such font"), "font"),
        (("--preset", "single_colum"), "single_column"),
    ],
)
def test_what_cannot_be_drawn_is_said_and_nothing_is_written(
    metakit_command, table: str, tmp_path: Path, options: tuple[str, ...], said: str
) -> None:
    done = metakit_command(
        "draw", table, "--measure", "risk_ratio", *options, "--to", str(tmp_path / "figure.svg")
    )
    assert done.status == 2 and said in done.err, done.err
    assert not (tmp_path / "figure.svg").exists()


@pytest.mark.lengthy
def test_a_figure_taller_than_a_page_is_told_with_the_way_to_cut_it(metakit_command, tmp_path):
    rows = "".join(f"Study {n},4,{60 + n},6,{61 + n}\n" for n in range(60))
    table = tmp_path / "many.csv"
    table.write_text("study,events_1,total_1,events_2,total_2\n" + rows, "utf-8")
    asked = ("draw", table, "--measure", "risk_ratio", "--width-mm", "85", "--to")
    said = metakit_command(*asked, tmp_path / "tall.svg")
    assert said.status == 0 and "more than a page holds; --page-height-mm 230" in said.err
    cut = metakit_command(*asked, tmp_path / "cut.svg", "--page-height-mm", "230")
    assert cut.status == 0 and "more than a page" not in cut.err
    assert len(list(tmp_path.glob("cut-*.svg"))) > 1
