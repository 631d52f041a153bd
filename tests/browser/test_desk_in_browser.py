"""The desk in a real browser: typed, told at the field, kept when the desk is gone, by keyboard, on small windows."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from metakit.forms.splice import plain_of
from tests.browser.desks import Listening, violations

pytestmark = pytest.mark.walk
ROOT = Path(__file__).parents[2]
STUDY = "DEMO-01_quillmere"


@pytest.fixture
def review(tmp_path: Path) -> Path:
    folder = tmp_path / "review"
    shutil.copytree(ROOT / "demo_studies", folder)
    home = folder / "extractors" / "AB"
    (home / "unfinished").mkdir()
    (home / f"{STUDY}.yaml").rename(home / "unfinished" / f"{STUDY}.yaml")
    return folder


@pytest.fixture
def desk(review: Path) -> Iterator[Listening]:
    listening = Listening(review, "AB")
    yield listening
    listening.stop()


class Visit:
    def __init__(self, browser: Any, desk: Listening, width: int = 1280, height: int = 900) -> None:
        self.context = browser.new_context(viewport={"width": width, "height": height})
        self.page = self.context.new_page()
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(desk.opening)
        self.page.wait_for_url(f"{desk.address}/")


@pytest.fixture
def visit(browser: Any, desk: Listening) -> Iterator[Any]:
    opened: list[Visit] = []

    def open_desk(**size: int) -> Visit:
        opened.append(Visit(browser, desk, **size))
        return opened[-1]

    yield open_desk
    for one in opened:
        one.context.close()


def arm(desk: Listening) -> str:
    return f"{desk.address}/extract/AB/{STUDY}/arms%5BA%5D"


def saved(page: Any) -> None:
    expect(page.locator("#saving")).to_have_text("Saved", timeout=20_000)


def typed(review: Path) -> Any:
    return plain_of((review / "extractors" / "AB" / "unfinished" / f"{STUDY}.yaml").read_text())


def test_a_mistake_is_told_at_its_field_and_mended(visit, desk: Listening, review: Path) -> None:
    one = visit()
    page = one.page
    page.goto(arm(desk))
    women = page.locator('[data-address="arms[A].women"]')
    women.locator("input").fill("99")
    women.locator("input").press("Tab")
    saved(page)
    assert "cannot be right" in women.locator(".problem").inner_text()
    assert "patients" in women.locator(".problem").inner_text()  # the words of the rule
    assert women.locator("input").get_attribute("aria-invalid") == "true"
    assert violations(page) == []
    women.locator("input").fill("31")
    women.locator("input").press("Tab")
    expect(women.locator(".problem")).to_have_count(0)
    assert typed(review)["arms"][0]["women"] == "31"
    assert one.complaints == []
    assert all(url.startswith(desk.address) for url in one.requests)


def test_what_is_typed_while_the_desk_is_gone_arrives_when_it_is_back(
    visit, desk: Listening, review: Path
) -> None:
    page = visit().page
    page.goto(arm(desk))
    desk.stop()
    for name, value in (("women", "30"), ("smokers", "4")):
        page.locator(f'[data-address="arms[A].{name}"] input').evaluate(
            "(one, value) => { one.closest('details')?.setAttribute('open', ''); one.value = value;"
            " one.dispatchEvent(new Event('change', { bubbles: true })); }",
            value,
        )
    expect(page.locator("#saving")).to_contain_text("2 changes wait")
    assert typed(review)["arms"][0]["women"] == "32"
    desk.start()
    expect(page.locator("#saving")).to_have_text("Saved", timeout=15_000)
    assert (typed(review)["arms"][0]["women"], typed(review)["arms"][0]["smokers"]) == ("30", "4")


OPEN_FOLDS = (
    "one => { for (let at = one; at; at = at.parentElement) if (at.tagName === 'DETAILS') at.open = true }"
)


def outcome(desk: Listening) -> str:
    return f"{desk.address}/extract/AB/{STUDY}/outcomes%5BA%2Fany_complication%2F12%2Fmonths%5D"


def test_nothing_typed_is_lost_while_a_part_is_shown_again(visit, desk: Listening, review: Path) -> None:
    """What is asked depends on how an outcome is reported; the next field may be half typed by then."""
    page = visit().page
    page.goto(outcome(desk))
    page.evaluate("document.querySelector('[data-record]').firstElementChild.old = true")
    entry = "outcomes[A/any_complication/12/months]"
    definition = page.locator(f'[data-address="{entry}.author_definition"] textarea')
    definition.evaluate(OPEN_FOLDS)
    definition.focus()
    page.keyboard.insert_text("half a sentence ")
    # The answer to what was chosen before comes while this is typed.
    page.locator(f'[data-address="{entry}.reporting"] select').evaluate(
        "one => { one.value = 'not_reported'; one.dispatchEvent(new Event('change', { bubbles: true })); }"
    )
    saved(page)
    page.wait_for_timeout(600)
    old = "document.querySelector('[data-record]').firstElementChild.old === true"
    assert page.evaluate(old)  # it waits for the person
    page.keyboard.insert_text("and the rest")
    page.keyboard.press("Tab")
    page.wait_for_function(f"() => !({old})")
    written = next(one for one in typed(review)["outcomes"] if one["reporting"] == "not_reported")
    assert written["author_definition"].startswith("half a sentence and the rest")


def test_what_is_typed_in_the_moment_of_leaving_is_sent_by_the_next_page(
    visit, desk: Listening, review: Path
) -> None:
    page = visit().page
    page.goto(arm(desk))
    page.locator('[data-address="arms[A].women"] input').focus()
    page.keyboard.press("Control+a")
    page.keyboard.insert_text("30")
    page.evaluate("location.reload()")
    saved(page)
    assert typed(review)["arms"][0]["women"] == "30"
    page.locator('[data-address="arms[A].women"] input').fill("29")
    page.get_by_role("link", name="To do", exact=True).click()  # the save goes on while the page is left
    page.wait_for_url(f"{desk.address}/")
    page.goto(arm(desk))
    expect(page.locator('[data-address="arms[A].women"] input')).to_have_value("29")
    assert typed(review)["arms"][0]["women"] == "29"


def test_two_windows_never_overwrite_each_other(visit, desk: Listening, review: Path) -> None:
    first = visit().page
    first.goto(arm(desk))
    second = first.context.new_page()
    second.goto(arm(desk))
    field = '[data-address="arms[A].women"]'
    first.locator(f"{field} input").fill("31")
    first.locator(f"{field} input").press("Tab")
    saved(first)
    second.locator(f"{field} input").fill("29")
    second.locator(f"{field} input").press("Tab")
    second.wait_for_selector(f"{field} .conflict")
    assert "“31”" in second.locator(f"{field} .conflict").inner_text()
    assert typed(review)["arms"][0]["women"] == "31"
    second.get_by_role("button", name="Put mine in its place").click()
    expect(second.locator("#saving")).to_have_text("Saved")
    assert typed(review)["arms"][0]["women"] == "29"


def test_a_term_is_found_by_keyboard_and_a_new_entry_opens(visit, desk: Listening, review: Path) -> None:
    page = visit().page
    page.goto(f"{desk.address}/extract/AB/{STUDY}/outcomes")
    page.get_by_label("Outcome", exact=True).fill("crps")
    page.wait_for_selector('[role="listbox"]:not([hidden]) [role="option"]')
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    assert page.get_by_label("Outcome", exact=True).input_value() == "crps"
    page.get_by_label("Value (time)").fill("24")
    page.get_by_label("Unit (time)").select_option("months")
    page.get_by_label("Label (time)").select_option("")
    page.get_by_role("button", name="Add", exact=True).click()
    page.wait_for_url("**/outcomes%5B**")
    assert typed(review)["outcomes"][-1]["outcome"] == "crps"
    page.get_by_label("Events").focus()
    page.keyboard.press("Alt+n")
    saved(page)
    assert typed(review)["outcomes"][-1]["events"] == "not_reported"


def test_the_keyboard_reaches_everything_in_the_order_of_the_page(visit, desk: Listening) -> None:
    page = visit().page
    page.goto(arm(desk))
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.locator('[data-address="arms[A].id"] input').focus()
    page.keyboard.press("Tab")
    assert (
        page.evaluate("document.activeElement.closest('[data-address]').dataset.address") == "arms[A].label"
    )
    page.keyboard.press("Control+Enter")
    page.wait_for_url("**/arms%5BB%5D")
    page.locator("h1").click()
    page.keyboard.press("?")
    assert page.locator("#keys").is_visible()
    assert violations(page) == []
    page.keyboard.press("Escape")
    assert not page.locator("#keys").is_visible()


PATHS = ["/", "/person", "/close", "/extract", "/plan", "/plan/report", "/plan/analyses", "/find", "/agree"]
PATHS += ["/agree/DEMO-02", "/trust", f"/trust/{STUDY}", "/certainty", "/report"] + [
    f"/extract/AB/{STUDY}/{part}"
    for part in ("report", "arms%5BA%5D", "arms", "outcomes", "closing", "hand-in")
]


@pytest.mark.parametrize("width", [1280, 390, 320])
def test_every_page_is_accessible_and_fits(visit, desk: Listening, width: int) -> None:
    """Source: WCAG 2.2, success criteria 1.4.10 (320 px) and those that axe-core knows."""
    one = visit(width=width)
    for path in PATHS:
        one.page.goto(desk.address + path)
        one.page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true })")
        assert violations(one.page) == [], path
        assert one.page.evaluate("document.documentElement.scrollWidth") <= width, path
    assert one.complaints == []


@pytest.mark.parametrize("width", [1280, 320])
def test_a_page_tells_what_long_work_is_doing_and_moves_on_by_itself(visit, desk, width: int) -> None:
    go_on = threading.Event()

    def work(say):
        say("complications after LRTI: pooling")
        assert go_on.wait(60)

    one = visit(width=width)
    desk.desk.tasks.begin("certainty", "a", work, writes=False)
    one.page.goto(f"{desk.address}/certainty")
    expect(one.page.locator("[data-now]")).to_have_text("complications after LRTI: pooling")
    expect(one.page.locator("[data-seconds]")).to_contain_text("so far")
    assert violations(one.page) == []
    assert one.page.evaluate("document.documentElement.scrollWidth") <= width
    go_on.set()
    expect(one.page.get_by_role("button", name="Work out the answers")).to_be_visible(timeout=10_000)
    assert one.complaints == []
