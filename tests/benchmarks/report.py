"""Speed of the demo's full report against the sum of drawing its figures alone, with where the time goes.

It also names the ratio of writing the figures' SVG from their scenes against having matplotlib draw the same ones.

Run: `python -m tests.benchmarks.report`. Target (issue 7): all files of the report, with the Word document, take at most
3 times as long as its figures alone. Times are processor seconds of one process, after its imports, so that other work on the machine does not count.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from metakit.plots.presets import PRESETS
from metakit.plots.svg import figure_svg
from metakit.report.drawing.figures import ReportFigures, draw_all
from metakit.report.drawing.preset_figures import preset_files
from metakit.report.page import Page
from metakit.report.render import render_page
from metakit.report.word_documents.word_report import report_document
from metakit.report.write import report_files
from metakit.workbench import open_review

DEMO = Path(__file__).resolve().parents[2] / "demo_studies"
TARGET = 3.0


def quiet(text: str) -> None:
    """Say nothing."""


@contextmanager
def timed(times: dict[str, float], name: str) -> Iterator[None]:
    """Add the seconds of a block to `times`."""
    start = time.process_time()
    yield
    times[name] = times.get(name, 0.0) + time.process_time() - start


def stages() -> dict[str, float]:
    """Return the seconds of each stage of a full report."""
    times: dict[str, float] = {}
    with timed(times, "read and check the records"):
        review = open_review(DEMO)
    with timed(times, "synthesise"):
        findings = review.synthesise().findings
    with timed(times, "figures"):
        figures = draw_all(findings, kinds=(".svg",), progress=quiet)
    with timed(times, "certainty"):
        page = Page(findings=findings, figures=figures)
    with timed(times, "page"):
        render_page(page)
    with timed(times, "Word document"):
        report_document(page)
    return times


def whole() -> float:
    """Return the seconds of the whole report, from the folder to the bytes of all its files."""
    start = time.process_time()
    report_files(open_review(DEMO).synthesise().findings, word=True)
    return time.process_time() - start


def svg_seconds(figures: ReportFigures) -> tuple[float, float]:
    """Return the seconds of writing all figures as SVG from their scenes, and as matplotlib draws them."""
    times: dict[str, float] = {}
    drawings = [part.figure for part in figures.all if part.figure is not None]
    for name in ("scenes", "matplotlib"):
        for figure in drawings:
            assert name == "scenes" or figure.axes, "a figure that was looked into is drawn by matplotlib"
            with timed(times, name):
                figure_svg(figure)
    return times["scenes"], times["matplotlib"]


def main() -> None:
    """Print the stages and the ratio."""
    import matplotlib.backends.backend_svg  # noqa: F401 - an import is no part of a stage

    open_review(DEMO)
    times = stages()
    total, figures = whole(), times["figures"]
    for name, seconds in times.items():
        print(f"{name:28s} {seconds:6.1f} s  {seconds / figures:5.2f} of the figures alone")
    drawn = draw_all(open_review(DEMO).synthesise().findings, kinds=(), progress=quiet)
    from_scenes, by_matplotlib = svg_seconds(drawn)
    print(
        f"SVG of {len(drawn.all)} figures: {from_scenes:.1f} s from their scenes, "
        f"{from_scenes / by_matplotlib:.2f} of matplotlib's {by_matplotlib:.1f} s for the same figures"
    )
    print(
        f"whole report with Word: {total:.1f} s, {total / figures:.2f} times its figures alone (target {TARGET:g})"
    )
    findings = open_review(DEMO).synthesise().findings
    drawn = draw_all(findings, kinds=(), progress=quiet)
    for preset in PRESETS:
        start = time.process_time()
        preset_files(drawn, [preset.name], progress=quiet)
        print(
            f"all figures as {preset.name}: {time.process_time() - start:.1f} s more ({', '.join(preset.kinds)})"
        )


if __name__ == "__main__":
    main()
