"""`metakit network --figure` from the outside: files of every kind, and refusals before anything is read."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.plots.networks.network_registry import NETWORK_FIGURES

ROWS = (
    "study,technique,events,total\n"
    "a,t,9,50\na,t+s,7,52\nb,t,12,60\nb,t+b,9,55\nc,t+s,5,40\nc,t+b,6,41\nd,t,4,40\nd,t+s,6,40\ne,t+b,5,44\ne,t+b+s,4,41\n"
)


@pytest.fixture
def arms(tmp_path: Path) -> Path:
    path = tmp_path / "arms.csv"
    path.write_text(ROWS, encoding="utf-8")
    return path


@pytest.mark.grid
@pytest.mark.parametrize("figure", NETWORK_FIGURES.names())
def test_every_figure_is_written_and_the_answer_too_where_asked(
    metakit_command, arms: Path, tmp_path: Path, figure: str
) -> None:
    out = tmp_path / "picture.svg"
    options = ("--measure", "risk_ratio", "--reference", "t", "--order", "t,t+s,t+b,t+b+s")
    said = metakit_command(
        "network", arms, *options, "--figure", figure, "--to", out, "--preset", "single_column"
    )
    assert said.status == 0
    assert said.out.strip() == str(out)
    assert out.read_text(encoding="utf-8").count("<svg") == 1
    both = metakit_command("network", arms, *options, "--figure", figure, "--to", out, "--json")
    assert both.answer["reference"] == "t"
    assert str(out) in both.err


@pytest.mark.parametrize(
    ("options", "status", "words"),
    [
        (("--figure", "rank", "--to", "x.svg"), 2, "did you mean ranks"),
        (("--figure", "ranks"), 2, "give both or neither"),
        (("--to", "x.svg"), 2, "give both or neither"),
        (("--figure", "ranks", "--to", "x.docx"), 2, "no kind of picture"),
        (("--figure", "geometry", "--to", "x.svg", "--line-width", "thumbs"), 2, "width of lines"),
        (("--figure", "comparison_adjusted_funnel", "--to", "x.svg"), 3, "order"),
    ],
)
def test_refusals_come_in_words(
    metakit_command,
    arms: Path,
    monkeypatch,
    tmp_path: Path,
    options: tuple[str, ...],
    status: int,
    words: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    said = metakit_command("network", arms, "--measure", "risk_ratio", *options)
    assert said.status == status
    assert words in said.err
    assert list(tmp_path.iterdir()) == [arms]
