"""Reviews that nobody would like to get, in a real browser and through a word processor; long, so marked slow."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from metakit.decision.one_unit.unit_decision import decide
from metakit.decision.one_unit.unit_reading import read_unit
from metakit.report.unit_page import write_unit_page
from metakit.report.write import write_report
from metakit.review.folder import open_folder
from metakit.synthesis.run import synthesise
from tests.unit.report.hostile_review import write_hostile_review
from tests.unit.report.many_studies import many_studies

pytestmark = pytest.mark.slow
PAGES = ("hostile/report.html", "unit/unit.html", "one/report.html", "many/report.html")
OPEN = "document.querySelectorAll('details').forEach(one => { one.open = true })"
OFFICE = shutil.which("soffice")


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("hostile")
    review = write_hostile_review(out / "review")
    folder = open_folder(review)
    write_report(synthesise(folder), out / "hostile", word=True)
    write_unit_page(decide(folder, read_unit(review / "unit.yaml")), out / "unit")
    for name, number in {"one": 1, "many": 150}.items():
        write_report(synthesise(many_studies(number)), out / name, word=True)
    return out


@pytest.mark.parametrize("width", [360, 800, 1280])
@pytest.mark.parametrize("name", PAGES)
def test_page_loads_without_a_complaint_and_fits(watch, written: Path, name: str, width: int) -> None:
    watched = watch(written / name, width=width)
    watched.page.evaluate(OPEN)
    assert watched.complaints == []
    assert all(url.startswith(("data:", (written / name).as_uri())) for url in watched.requests)
    assert watched.page.evaluate("document.documentElement.scrollWidth") <= width
    too_wide = watched.page.evaluate(
        """width => [...document.querySelectorAll("main *")].filter(one => !one.closest(".table-scroll, .figure-scroll, .trace, svg")
             && one.getBoundingClientRect().right > width + 1).map(one => one.outerHTML.slice(0, 120))""",
        width,
    )
    assert too_wide == []


@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("name", PAGES)
def test_accessibility_engine_finds_nothing_with_everything_opened(
    watch, written: Path, name: str, width: int
) -> None:
    """Source: the axe-core rules for WCAG 2.2 level AA, contrast and landmarks among them."""
    from axe_playwright_python.sync_playwright import Axe

    page = watch(written / name, width=width).page
    page.evaluate(OPEN)
    results = Axe().run(page, options={"resultTypes": ["violations"]})
    found = [f"{one['id']}: {one['nodes'][0]['html'][:200]}" for one in results.response["violations"]]
    assert found == []


@pytest.mark.skipif(OFFICE is None, reason="soffice (Debian: libreoffice-writer) is not installed")
@pytest.mark.parametrize(("name", "least"), [("hostile", 60), ("one", 8), ("many", 30)])
def test_a_word_processor_prints_every_page(written: Path, tmp_path: Path, name: str, least: int) -> None:
    """The report and its appendix hold together what the report held before it had one."""
    profile = f"-env:UserInstallation=file://{tmp_path}/profile"
    documents = sorted((written / name).glob("report*.docx"))
    done = subprocess.run(
        [str(OFFICE), profile, "--headless", "--convert-to", "pdf", "--outdir", str(tmp_path), *map(str, documents)],
        capture_output=True, text=True, timeout=180,
    )  # fmt: skip
    made = [tmp_path / f"{document.stem}.pdf" for document in documents]
    if not made[0].is_file() and "no export filter" in done.stderr:
        pytest.skip("soffice has no part for text documents (Debian: libreoffice-writer); nothing was opened")
    assert all(path.is_file() for path in made), done.stderr
    pages = [len(re.findall(rb"/Type\s*/Page[^s]", path.read_bytes())) for path in made]
    assert min(pages) >= 1 and sum(pages) >= least
