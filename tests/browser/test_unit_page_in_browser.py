"""A unit's page in a real browser: no complaint, no request, no sideways scrolling, accessible."""

from __future__ import annotations

from pathlib import Path

import pytest

from metakit.report.unit_page import write_unit_page
from tests.unit.decision.one_unit.test_unit_decision import SCENARIO, WEIGHTS
from tests.unit.decision.units import KINDS, decided, shipped_unit


@pytest.fixture(scope="module")
def unit_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("unit")
    return write_unit_page(decided(folder, *WEIGHTS, end=SCENARIO), folder / "page")


@pytest.mark.parametrize("width", [390, 1280])
def test_page_loads_without_a_complaint_and_fits(watch, unit_page: Path, width: int) -> None:
    watched = watch(unit_page, width=width)
    assert watched.complaints == []
    assert all(url.startswith(("data:", unit_page.as_uri())) for url in watched.requests)
    assert watched.page.evaluate("document.documentElement.scrollWidth") <= width
    # One of the two widths of each figure is shown, never both.
    shown = watched.page.locator("figure:visible").count()
    assert shown == watched.page.locator("figure").count() / 2


@pytest.mark.parametrize("width", [390, 1280])
def test_page_breaks_no_rule_of_accessibility(watch, unit_page: Path, width: int) -> None:
    """Source: the axe-core rules for WCAG 2.2 level AA, contrast and landmarks among them."""
    from axe_playwright_python.sync_playwright import Axe

    page = watch(unit_page, width=width).page
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
    results = Axe().run(page, options={"resultTypes": ["violations"]})
    found = [
        f"{violation['id']}: {violation['nodes'][0]['html'][:200]}"
        for violation in results.response["violations"]
    ]
    assert found == []


def test_contents_lead_somewhere_by_keyboard(watch, unit_page: Path) -> None:
    page = watch(unit_page).page
    targets = page.eval_on_selector_all("nav a", "links => links.map(link => link.getAttribute('href'))")
    assert len(targets) == 13
    for target in targets:
        assert page.locator(f'[id="{target[1:]}"]').count() == 1, target
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"


def test_the_first_screen_is_the_answer_and_paper_holds_two_pages(watch, unit_page: Path) -> None:
    from pypdfium2 import PdfDocument

    page = watch(unit_page, width=1280).page
    top = page.locator(".techniques li").first.bounding_box()
    assert top is not None and top["y"] < 720  # within the height of a small screen
    assert page.locator("h1").inner_text() == "Should we change our standard technique?"
    printed = PdfDocument(page.pdf(format="A4"))
    assert len(printed) == 2
    words = " ".join(sheet.get_textpage().get_text_bounded() for sheet in printed)
    for told in ("Cautions", "Your own audit", "Theatre hours and money", "recommends nothing"):
        assert told in words
    page.goto(f"{unit_page.as_uri()}#everything")
    assert len(PdfDocument(page.pdf(format="A4"))) > 4


@pytest.mark.parametrize("which", KINDS)
def test_units_of_the_demonstration_print_on_two_pages_and_are_not_cut_off(
    watch, which: str, tmp_path: Path
) -> None:
    from pypdfium2 import PdfDocument

    path = write_unit_page(shipped_unit(which, tmp_path), tmp_path / "page")
    page = watch(path, width=1280).page
    assert len(PdfDocument(page.pdf(format="A4"))) == 2
    narrow = watch(path, width=390).page
    # A remark on extreme draws stood in a number that does not wrap: 578 px in 358.
    beyond = narrow.eval_on_selector_all(
        "main .number, main .sub, main td",
        "all => all.filter(one => one.offsetParent && !one.matches('.place') && "
        "one.getBoundingClientRect().right > innerWidth).map(one => one.textContent)",
    )
    assert beyond == []
