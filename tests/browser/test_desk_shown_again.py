"""What else is asked depends on what was chosen: the part is put in anew while the person goes on working in it.

Every test holds back what the desk answers, so that the keys fall into the very instant, however fast the machine.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import expect

from metakit.forms.splice import plain_of
from tests.browser.desks import Listening, violations

pytestmark = pytest.mark.walk
STUDY = "DEMO-01_quillmere"
ENTRY = "outcomes[A/any_complication/12/months]"
SENTENCE = "pain, swelling or stiffness that was treated within a year of the operation"


class Held:
    """A part of a record in a browser; each answer that shows it again waits until it is let go."""

    def __init__(self, browser: Any, desk: Listening, part: str) -> None:
        self.desk = desk
        self.page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
        self.complaints: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.goto(desk.opening)
        self.url = f"{desk.address}/extract/AB/{STUDY}/{part}"
        self.page.goto(self.url)
        self.waiting: list[tuple[Any, Any]] = []
        self.page.evaluate(
            "for (const fold of document.querySelectorAll('.form-side details.more')) fold.open = true"
        )
        self.mark()
        self.page.route(re.compile(".*/extract/AB/.*"), self.hold)
        self.page.route("**/static/desk.js", self.slowly)  # a page loaded anew hears no key until it has this

    def hold(self, route: Any) -> None:
        if route.request.method == "GET":
            self.waiting.append((route, route.fetch()))  # what the desk says now, shown later
        else:
            route.continue_()

    def slowly(self, route: Any) -> None:
        answer = route.fetch()
        self.page.wait_for_timeout(300)
        route.fulfill(response=answer)

    def mark(self) -> None:
        self.page.evaluate("document.querySelector('[data-record]').firstElementChild.old = true")

    @property
    def shown(self) -> bool:
        """Whether the part was put in anew since it was marked."""
        found = self.page.evaluate("document.querySelector('[data-record]')?.firstElementChild.old !== true")
        return bool(found)

    def until_asked(self, waiting: list[Any] | None = None) -> None:
        """Wait until the part (or something else) is asked for and the answer held."""
        for _ in range(600):
            if self.waiting if waiting is None else waiting:
                return
            self.page.wait_for_timeout(50)
        raise AssertionError("nothing was asked for")

    def let_go(self) -> None:
        route, answer = self.waiting.pop(0)
        route.fulfill(response=answer)

    def until_shown(self) -> None:
        """Let everything go until the part was put in."""
        for _ in range(600):
            while self.waiting:
                self.let_go()
            if self.shown:
                return
            self.page.wait_for_timeout(50)
        raise AssertionError("the part was not shown again")

    def control(self, address: str) -> Any:
        return self.page.locator(f'[data-address="{address}"]').locator("input, select, textarea").first

    def choose(self, address: str, value: str) -> None:
        self.control(address).select_option(value)

    def saved(self) -> None:
        expect(self.page.locator("[data-record]")).to_have_attribute("data-waiting", "0")
        expect(self.page.locator("#saving")).to_have_text("Saved")

    def as_loaded(self) -> None:
        """Hold what stands there against the same page asked for whole."""
        state = (
            "[...document.querySelectorAll('[data-record] [data-address]')].map(field => [field.dataset.address,"
            " field.dataset.saved, [...field.querySelectorAll('input, select, textarea')].map("
            "one => one.type === 'checkbox' ? one.checked : one.value), field.innerText])"
        )
        here = self.page.evaluate(state)
        self.page.unroute_all()
        self.page.goto(self.page.url)
        self.page.evaluate(
            "for (const fold of document.querySelectorAll('.form-side details.more')) fold.open = true"
        )
        assert here == self.page.evaluate(state)

    def written(self) -> Any:
        path = self.desk.folder / "extractors" / "AB" / "unfinished" / f"{STUDY}.yaml"
        return plain_of(path.read_text(encoding="utf-8"))


@pytest.fixture
def outcome(browser: Any, desk: Listening) -> Iterator[Held]:
    held = Held(browser, desk, "outcomes%5BA%2Fany_complication%2F12%2Fmonths%5D")
    yield held
    held.page.unroute_all(behavior="ignoreErrors")  # an answer that is still held back has nobody to go to
    held.page.context.close()


def entry(held: Held) -> Any:
    return next(
        one
        for one in held.written()["outcomes"]
        if (one["arm"], one["outcome"], one["time"]["value"]) == ("A", "any_complication", "12")
    )


@pytest.mark.parametrize("keys_before", [0, 30, len(SENTENCE)])
def test_no_key_of_that_instant_is_lost(outcome: Held, keys_before: int) -> None:
    """The part comes before, between and after the keys, and older than what was saved since."""
    page, definition = outcome.page, outcome.control(f"{ENTRY}.author_definition")
    outcome.choose(f"{ENTRY}.reporting", "not_reported")
    outcome.until_asked()
    definition.focus()
    page.keyboard.press("Control+a")
    page.keyboard.type(SENTENCE[:keys_before], delay=5)
    if keys_before == len(SENTENCE):
        page.keyboard.press("Tab")
        outcome.saved()
    outcome.let_go()
    if keys_before == 0:
        page.wait_for_timeout(10)  # between the answer and its being shown
    page.keyboard.type(SENTENCE[keys_before:], delay=15)
    if keys_before < len(SENTENCE):
        assert page.evaluate("document.activeElement.value") == SENTENCE
        page.keyboard.press("Tab")
    outcome.until_shown()
    outcome.saved()
    assert entry(outcome)["author_definition"] == SENTENCE
    assert entry(outcome)["reporting"] == "not_reported"
    assert definition.input_value() == SENTENCE
    outcome.as_loaded()
    assert outcome.complaints == []


def test_the_mark_in_the_text_stays_where_it_was(outcome: Held) -> None:
    page, note = outcome.page, outcome.control(f"{ENTRY}.note")
    note.fill("table two")
    note.press("Tab")
    outcome.saved()
    outcome.choose(f"{ENTRY}.reporting", "not_reported")
    outcome.until_asked()
    note.evaluate("one => { one.focus(); one.setSelectionRange(5, 5); }")
    top = note.bounding_box()["y"]
    outcome.until_shown()
    page.keyboard.type(" in ")
    assert note.input_value() == "table in  two"
    assert abs(note.bounding_box()["y"] - top) < 2  # what one works in does not jump
    page.keyboard.press("Tab")
    outcome.saved()
    assert entry(outcome)["note"] == "table in  two"


def test_two_choices_that_follow_fast_are_both_shown(outcome: Held) -> None:
    outcome.choose(f"{ENTRY}.reporting", "not_reported")
    outcome.until_asked()
    outcome.choose(f"{ENTRY}.reporting", "reported")
    outcome.saved()
    outcome.let_go()  # older than the second choice
    outcome.until_asked()
    assert not outcome.shown
    outcome.until_shown()
    assert outcome.control(f"{ENTRY}.reporting").input_value() == "reported"
    assert entry(outcome)["reporting"] == "reported"
    outcome.as_loaded()


def test_a_part_that_cannot_be_shown_again_stays_and_says_so(outcome: Held) -> None:
    page = outcome.page
    outcome.choose(f"{ENTRY}.reporting", "not_reported")
    outcome.until_asked()
    outcome.waiting.pop()[0].abort()
    expect(page.locator("#saving")).to_contain_text("Saved; but what is asked now cannot be shown")
    assert violations(page) == []
    outcome.control(f"{ENTRY}.note").fill("typed meanwhile")
    outcome.control(f"{ENTRY}.note").press("Tab")
    expect(page.locator("[data-record]")).to_have_attribute("data-waiting", "0")
    outcome.until_shown()
    expect(page.locator("#saving")).to_have_text("Saved")
    assert (entry(outcome)["note"], entry(outcome)["reporting"]) == ("typed meanwhile", "not_reported")
    outcome.as_loaded()


def test_a_button_held_down_is_not_taken_from_under_the_hand(outcome: Held) -> None:
    page = outcome.page
    fold = page.locator("summary", has_text="Remove this entry")
    outcome.choose(f"{ENTRY}.reporting", "not_reported")
    outcome.until_asked()
    fold.hover()
    was = fold.evaluate("one => one.parentElement.open")
    page.mouse.down()
    outcome.let_go()
    page.wait_for_timeout(300)
    assert not outcome.shown
    page.mouse.up()
    assert fold.evaluate("one => one.parentElement.open") is not was
    outcome.until_shown()
    assert fold.evaluate("one => one.parentElement.open") is not was  # and what was opened stays open


def test_an_answer_that_is_half_typed_and_a_new_entry_stay(browser: Any, desk: Listening) -> None:
    """Neither is saved before its button is pressed; the id that changes shows the part again."""
    arm = Held(browser, desk, "arms%5BA%5D")
    page = arm.page
    arm.control("arms[A].age.mean").fill("94")
    arm.control("arms[A].age.mean").press("Tab")
    arm.saved()
    question = page.locator("details.answering").first
    question.locator("summary").click()
    new = page.locator('form.starting [name^="key."]').first
    new.fill("lrti")
    question.locator("input[name=answer]").fill("so in the report, page 3")
    page.keyboard.press("Tab")
    arm.control("arms[A].id").fill("A1")
    arm.control("arms[A].id").press("Tab")
    arm.until_asked()
    arm.until_shown()
    assert page.url.endswith("arms%5BA1%5D")
    assert question.locator("input[name=answer]").input_value() == "so in the report, page 3"
    assert new.input_value() == "lrti"
    assert page.locator("nav.parts a[aria-current=page]").get_attribute("href").endswith("arms%5BA1%5D")
    arm.mark()
    question.get_by_role("button", name="Sign the answer").click()
    arm.until_shown()
    expect(page.locator(".problem.answered")).to_contain_text("so in the report, page 3")
    assert new.input_value() == "lrti"
    assert arm.complaints == []
    page.unroute_all(behavior="ignoreErrors")
    page.context.close()


def test_a_field_that_two_people_changed_waits_for_the_choice(outcome: Held) -> None:
    """What was typed stands in no file yet: the part is not put in over it."""
    page = outcome.page
    path = outcome.desk.folder / "extractors" / "AB" / "unfinished" / f"{STUDY}.yaml"
    note = outcome.control(f"{ENTRY}.note")
    note.fill("first")
    note.press("Tab")
    outcome.saved()
    path.write_text(
        path.read_text(encoding="utf-8").replace("note: first", "note: by hand"), encoding="utf-8"
    )
    note.fill("second")
    note.press("Tab")
    page.wait_for_selector(".conflict")
    outcome.choose(f"{ENTRY}.reporting", "not_reported")
    page.wait_for_timeout(800)
    assert not outcome.waiting
    assert note.input_value() == "second"
    page.get_by_role("button", name="Put mine in its place").click()
    outcome.until_shown()
    assert (entry(outcome)["note"], entry(outcome)["reporting"]) == ("second", "not_reported")


def test_from_a_question_that_is_gone_the_keyboard_goes_on_to_the_next_field(
    browser: Any, desk: Listening
) -> None:
    arm = Held(browser, desk, "arms%5BA%5D")
    page, mean = arm.page, arm.control("arms[A].age.mean")
    right = mean.input_value()
    mean.fill("94")
    mean.press("Tab")
    arm.saved()
    page.locator("details.answering > summary").first.focus()
    mean.evaluate(
        "(one, value) => { one.value = value; one.dispatchEvent(new Event('change', { bubbles: true })); }",
        right,
    )
    expect(page.locator("details.answering")).to_have_count(0)
    page.keyboard.press("Tab")
    at = page.evaluate("document.activeElement.closest('[data-address]')?.dataset.address")
    assert at == "arms[A].age.standard_deviation"
    page.keyboard.press("Shift+Tab")
    assert page.evaluate("document.activeElement.id") == mean.get_attribute("id")
    assert arm.complaints == []
    page.unroute_all(behavior="ignoreErrors")
    page.context.close()


def test_terms_that_come_late_are_not_offered_to_somebody_who_has_left(outcome: Held) -> None:
    page, waiting = outcome.page, []
    page.route("**/terms?*", lambda route: waiting.append(route))
    definition = outcome.control(f"{ENTRY}.definition")
    definition.focus()
    page.keyboard.press("Control+a")
    page.keyboard.type("any_complication")
    page.keyboard.press("Tab")
    outcome.until_asked(waiting)
    with page.expect_response("**/terms?*"):
        for route in waiting:
            route.continue_()
    page.wait_for_timeout(200)
    expect(page.locator('[role="listbox"]:not([hidden])')).to_have_count(0)


@pytest.fixture
def arm(browser: Any, desk: Listening) -> Iterator[Held]:
    held = Held(browser, desk, "arms%5BA%5D")
    held.page.unroute_all()
    held.page.on("dialog", lambda dialog: (held.complaints.append(dialog.type), dialog.accept()))
    yield held
    held.page.unroute_all(behavior="ignoreErrors")  # an answer that is still held back has nobody to go to
    held.page.context.close()


@pytest.mark.parametrize("keys", [True, False])
def test_another_page_waits_for_the_save_and_asks_nothing(arm: Held, keys: bool) -> None:
    page, waiting = arm.page, []
    page.route("**/set", lambda route: waiting.append(route))
    arm.control("arms[A].women").fill("29")
    if keys:
        page.keyboard.press("Control+Enter")  # to the next part
    else:
        page.locator(".ways").get_by_role("link", name="To do", exact=True).click()
    expect(page.locator("#saving")).to_have_text("Saving …")
    page.wait_for_timeout(300)
    arm.until_asked(waiting)
    assert page.url == arm.url
    waiting.pop().continue_()
    page.wait_for_url("**/arms%5BB%5D" if keys else f"{arm.desk.address}/")
    assert arm.written()["arms"][0]["women"] == "29"
    assert arm.complaints == []


def test_a_page_whose_save_fails_is_not_left(arm: Held) -> None:
    page, women = arm.page, arm.control("arms[A].women")
    path = arm.desk.folder / "extractors" / "AB" / "unfinished" / f"{STUDY}.yaml"
    page.route("**/set", lambda route: route.abort(), times=1)
    women.fill("29")
    page.keyboard.press("Control+Enter")
    expect(page.locator("#saving")).to_contain_text("Not saved: the desk cannot be reached")
    arm.saved()  # it was sent again
    assert page.url == arm.url
    path.write_text(path.read_text(encoding="utf-8").replace("women: 29", "women: 28"), encoding="utf-8")
    women.fill("30")
    page.keyboard.press("Control+Enter")
    expect(page.locator(".conflict")).to_contain_text("“28”")
    assert page.url == arm.url
    page.get_by_role("button", name="Put mine in its place").click()
    arm.saved()
    assert arm.written()["arms"][0]["women"] == "30"
    page.keyboard.press("Control+Enter")
    page.wait_for_url("**/arms%5BB%5D")
