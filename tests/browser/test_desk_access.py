"""The desk for everybody: without a mouse, on paper, without motion, and in every state that a page can be in."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from metakit.review.new import new_review
from metakit.review.selection.importing import import_search
from tests.browser.desks import Listening, violations
from tests.browser.test_desk_in_browser import PATHS, STUDY

A4 = {"width": 794, "height": 1123}
"""A sheet of A4 at 96 dots per inch."""


def opened(browser: Any, desk: Listening, **context: Any) -> Any:
    page = browser.new_context(**context).new_page()
    page.goto(desk.opening)
    page.wait_for_url(f"{desk.address}/")
    return page


def sound(page: Any, state: str) -> None:
    """Hold a state of a page to the rules, wide and at 320 dots (WCAG 2.2, 1.4.10)."""
    for width in (1280, 320):
        page.set_viewport_size({"width": width, "height": 900})
        assert violations(page) == [], f"{state} at {width}"
        assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{state} at {width}"


def test_every_state_of_a_field_is_accessible(browser: Any, desk: Listening) -> None:
    page = opened(browser, desk)
    arm = f"{desk.address}/extract/AB/{STUDY}/arms%5BA%5D"
    page.goto(arm)
    women = page.locator('[data-address="arms[A].women"]')
    for value, state in (("99", "cannot be right"), ("30", "saved")):
        women.locator("input").fill(value)
        women.locator("input").press("Tab")
        expect(page.locator("#saving")).to_have_text("Saved", timeout=20_000)
        sound(page, state)
    path = desk.folder / "extractors" / "AB" / "unfinished" / f"{STUDY}.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("women: 30", "women: 29"), encoding="utf-8")
    women.locator("input").fill("31")
    women.locator("input").press("Tab")
    page.wait_for_selector(".conflict")
    sound(page, "changed elsewhere")
    page.get_by_role("button", name="Keep what stands there").click()
    age = page.locator('[data-address="arms[A].age.mean"] input')
    age.fill("94")
    age.press("Tab")
    page.locator("summary", has_text="Answer this question").first.click()
    sound(page, "asked")
    desk.stop()
    women.locator("input").fill("28")
    women.locator("input").press("Tab")
    expect(page.locator("#saving")).to_contain_text("Not saved: the desk cannot be reached", timeout=20_000)
    sound(page, "not saved")
    desk.start()
    expect(page.locator("#saving")).to_have_text("Saved", timeout=30_000)
    assert "women: 28" in path.read_text(encoding="utf-8")


def test_empty_refused_and_missing_pages_are_accessible(browser: Any, tmp_path: Path) -> None:
    desk = Listening(new_review(tmp_path / "review", record=False), "AB")
    page = opened(browser, desk)
    ways = ["", "plan", "find", "extract", "agree", "trust", "answers", "certainty", "department", "report"]
    for path in (*ways, "nowhere", "extract/CD/x/report", "find/screen", "close"):
        page.goto(f"{desk.address}/{path}")
        sound(page, f"/{path} of an empty review")
    page.goto(f"{desk.address}/extract")
    page.get_by_label("Id of the study").fill("../x")
    page.get_by_role("button", name="Begin", exact=True).click()
    expect(page.locator("#study-problem, #saving").filter(has_text="has letters a-z").first).to_be_visible(
        timeout=20_000
    )
    sound(page, "a name refused")
    page.goto(f"{desk.address}/department")
    page.get_by_label("Name of its file").fill("protocol")
    page.get_by_role("button", name="Begin", exact=True).click()
    expect(page.locator("#name-problem")).to_contain_text("already")
    sound(page, "a file refused")
    desk.stop()


def test_every_page_is_sensible_on_paper(browser: Any, desk: Listening) -> None:
    """What is only for a screen is not printed; nothing is cut off at the side of a sheet."""
    page = opened(browser, desk, viewport=A4)
    page.emulate_media(media="print")
    for path in (*PATHS, "/answers", "/department"):
        page.goto(desk.address + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= A4["width"], path
        assert not page.locator(".ways").is_visible(), path
        assert page.locator("button:visible").count() == 0, path
        assert page.locator("h1").first.is_visible(), path
        assert len(page.pdf(format="A4")) > 2000


def test_nothing_moves_for_who_wants_no_motion(browser: Any, desk: Listening) -> None:
    page = opened(browser, desk, reduced_motion="reduce")
    for path in ("/", f"/extract/AB/{STUDY}/arms%5BA%5D", "/find", "/certainty"):
        page.goto(desk.address + path)
        moving = page.evaluate(
            "[...document.querySelectorAll('*')].filter(one => { const look = getComputedStyle(one);"
            " return look.animationName !== 'none' || parseFloat(look.transitionDuration) > 0; }).length"
        )
        assert moving == 0, path


def tab_to(page: Any, target: Any, most: int = 80) -> None:
    for _ in range(most):
        if target.evaluate("one => one === document.activeElement"):
            return
        page.keyboard.press("Tab")
    pytest.fail("the keyboard does not reach it")


def test_citations_are_screened_without_a_mouse(browser: Any, tmp_path: Path) -> None:
    folder = new_review(tmp_path / "review", record=False)
    export = tmp_path / "found.csv"
    rows = [
        f'"Invented report {number}","Invented {number}",{1990 + number},"J","text"' for number in range(3)
    ]
    export.write_text("\n".join(["title,authors,year,journal,abstract", *rows]) + "\n", encoding="utf-8")
    import_search(export, folder)
    desk = Listening(folder, "AB")
    page = opened(browser, desk)
    way = page.locator(".ways").get_by_role("link", name="Find", exact=True)
    tab_to(page, way)
    page.keyboard.press("Enter")
    page.wait_for_url("**/find")
    tab_to(page, page.get_by_role("link", name="Screen: 3 without your decision"))
    page.keyboard.press("Enter")
    page.wait_for_url("**/find/screen")
    for left in (2, 1, 0):
        tab_to(page, page.get_by_role("radio").first)
        page.keyboard.press("Space")
        if left == 1:
            page.keyboard.press("ArrowDown")
        page.keyboard.press("Control+Enter")
        if left:
            expect(page.locator(".where")).to_contain_text(f"{left} without your decision", timeout=20_000)
    page.wait_for_url("**/find")
    table = (folder / "selection" / "screening_AB.csv").read_text(encoding="utf-8")
    assert [table.count(f",{word},") for word in ("include", "exclude")] == [2, 1]
    desk.stop()
