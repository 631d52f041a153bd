"""Speed and memory of the paper beside the form and of answers that move, at the desk.

Run: `python -m tests.benchmarks.paper_and_answers`. Targets, in wall-clock milliseconds of a quiet machine of two cores:
a page of a paper under 150 at first sight, a tried answer under 300 for 95 of 100 choices, the first ranges of a department
under 300 while an input moves; memory of desk and reader together under 400 MB (resident). Each time is also given as a
ratio to the reference: reading one record of the demonstration and checking it, in the same run.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from metakit.desk.demo_papers import put_papers
from metakit.desk.moved_unit import shown_unit
from metakit.desk.pages.paper import READER
from metakit.desk.state import Desk
from metakit.desk.tried import shown_answer, trials_of
from metakit.forms.library import shipped
from metakit.forms.records import read_record
from metakit.review.reports import paper_of, read_reports
from metakit.synthesis.tried import Choice, OneEvent, Trials

DEMO = Path(__file__).resolve().parents[2] / "demo_studies"
PAGE_MS, TRIED_MS, ROUGH_MS, MEMORY_MB = 150.0, 300.0, 300.0, 400.0


def milliseconds(work: Callable[[], object]) -> float:
    """Return how long a piece of work takes."""
    start = time.perf_counter()
    work()
    return 1000 * (time.perf_counter() - start)


def resident(process: str) -> float:
    """Return the resident memory of a process in MB, NaN where the system does not tell."""
    status = Path(f"/proc/{process}/status")
    if not status.is_file():
        return float("nan")
    line = next(line for line in status.read_text().splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


def choices_of(trials: Trials) -> list[Choice]:
    """Return every single choice that a page offers."""
    offer = trials.offer()
    found = [Choice(leave_out=frozenset({name})) for name, _ in offer.studies]
    found += [Choice(model=name) for name, _ in offer.models]
    found += [Choice(definition=name) for name, _ in offer.definitions]
    return found + [
        Choice(event=OneEvent(study=study, arm=arm, change=1))
        for study, arm, _, events, total in offer.arms
        if events < total
    ]


def measured(folder: Path) -> list[tuple[str, float, float]]:
    """Return what was measured, its number, and its target."""
    desk = Desk(folder=folder, person="AB")
    record = sorted((folder / "records").glob("*.yaml"))[0]
    reference = float(np.median([milliseconds(lambda: read_record(record, shipped())) for _ in range(9)]))
    rows = [("reference: one record read and checked, ms", reference, float("nan"))]

    papers = [paper for row in read_reports(folder) if (paper := paper_of(folder, row.sha256))]
    READER.pages(papers[0])
    first, words, again = [], [], []
    for paper, row in zip(papers, read_reports(folder), strict=True):
        for page in range(1, row.pages + 1):
            first.append(milliseconds(lambda paper=paper, page=page: READER.page(paper, page)))
            words.append(milliseconds(lambda paper=paper, page=page: READER.words(paper, page)))
            again.append(milliseconds(lambda paper=paper, page=page: READER.page(paper, page)))
    rows.append(("page of a paper, largest, ms", max(first), PAGE_MS))
    rows.append(
        ("page of a paper as ratio to the reference", float(np.median(first)) / reference, float("nan"))
    )
    rows.append(("words of a page, largest, ms", max(words), PAGE_MS))
    rows.append(("the same page again, largest, ms", max(again), 5.0))

    plans = [plan.id for plan in trials_of(desk, "complications_lrti")[0].protocol.analyses]
    shown_answer(desk, plans[0], Choice(leave_out=frozenset()))
    times = []
    for plan in plans:
        trials = trials_of(desk, plan)[0]
        for choice in choices_of(trials):
            times.append(milliseconds(lambda plan=plan, choice=choice: shown_answer(desk, plan, choice)))
    rows.append(
        (f"tried answer with its picture, median of {len(times)}, ms", float(np.median(times)), TRIED_MS)
    )
    rows.append(("tried answer with its picture, 95 of 100, ms", float(np.quantile(times, 0.95)), TRIED_MS))
    rows.append(("tried answer as ratio to the reference", float(np.median(times)) / reference, float("nan")))

    shown_unit(desk, "unit", {}, rest=False)
    rough = [
        milliseconds(lambda volume=volume: shown_unit(desk, "unit", {"volume": f"{volume}"}, rest=False))
        for volume in range(96, 116)
    ]
    rows.append(
        (
            "ranges of a department while its volume moves, 95 of 100, ms",
            float(np.quantile(rough, 0.95)),
            ROUGH_MS,
        )
    )
    whole = milliseconds(lambda: shown_unit(desk, "unit", {"volume": "115"}, rest=True))
    rows.append(("ranges of a department from all draws, ms", whole, float("nan")))
    child = READER._child
    here = resident("self") + (resident(str(child.process.pid)) if child else 0.0)
    rows.append(("resident memory of desk and reader, MB", here, MEMORY_MB))
    return rows


def main() -> None:
    """Measure and print, with what was missed."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "review"
        shutil.copytree(DEMO, folder)
        put_papers(folder)
        missed = 0
        for name, value, target in measured(folder):
            over = value > target
            missed += over
            wanted = "" if np.isnan(target) else f"  (target {target:g}{', MISSED' if over else ''})"
            print(f"{name}: {value:.1f}{wanted}")
        print("all targets met" if not missed else f"{missed} targets missed")


if __name__ == "__main__":
    main()
