"""Somebody at the desk who only clicks and types in its pages; what it costs is counted.

With METAKIT_PICTURES=FOLDER each look at a page leaves two pictures there, at 1,280 and 390 dots.
"""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any
from urllib.parse import quote

from playwright.sync_api import expect

from tests.browser.desks import Listening, violations

PICTURES = os.environ.get("METAKIT_PICTURES", "")
WIDE, NARROW = {"width": 1280, "height": 900}, {"width": 390, "height": 844}


class Walker:
    """One person in one window. No address is typed after the first: pages are reached by their links."""

    def __init__(self, browser: Any, desk: Listening, person: str) -> None:
        self.desk, self.person = desk, person
        self.page = browser.new_context(viewport=WIDE).new_page()
        self.clicks = self.fields = self.keys = self.looks = 0
        self.started, self.looking = time.monotonic(), 0.0
        self.complaints: list[str] = []
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("dialog", self._asked)
        self.page.goto(desk.opening)
        self.sit_down(person)

    def _asked(self, dialog: Any) -> None:
        """No page asks whether it may be left: what is typed is saved first."""
        self.complaints.append(f"asked: {dialog.type} {dialog.message}")
        dialog.accept()

    @property
    def cost(self) -> str:
        seconds = time.monotonic() - self.started - self.looking
        return f"{self.fields} fields, {self.keys} keys, {self.clicks} clicks, no command; {seconds:.0f} s of this walker"

    def sit_down(self, person: str) -> None:
        self.person = person
        if not self.page.url.endswith("/person"):
            self.press(self.page.locator(".who a"))
        self.page.wait_for_url("**/person")
        self.type(self.page.get_by_label("Your initials"), person)
        self.click("Sit down")
        self.page.wait_for_url(f"{self.desk.address}/")

    def press(self, target: Any) -> None:
        """Click something."""
        target.click()
        self.clicks += 1

    def click(self, name: str, *, within: str = "body", **more: Any) -> None:
        """Click a button or a link by its words."""
        home = self.page.locator(within)
        button = home.get_by_role("button", name=name, exact=True)
        self.press(button.or_(home.get_by_role("link", name=name, exact=True)).first, **more)

    def way(self, name: str) -> None:
        """Go to a page by the navigation."""
        self.press(self.page.locator(".ways").get_by_role("link", name=name, exact=True))
        self.page.wait_for_load_state()

    def next_step(self) -> str:
        """Go where To do says that the next step is; return its words."""
        self.way("To do")
        step = self.page.locator(".next .step").inner_text()
        self.press(self.page.locator(".next .main-action"))
        self.page.wait_for_load_state()
        return step

    def type(self, control: Any, text: str) -> None:
        control.fill(text)
        self.fields += 1
        self.keys += len(text) + 1

    def choose(self, control: Any, value: str) -> None:
        """Choose from a list, as by keyboard: one field, two keys."""
        control.select_option(value)
        self.fields += 1
        self.keys += 2

    def unfold(self, target: Any) -> None:
        """Click every fold open that hides something."""
        folds = target.locator("xpath=ancestor::details[not(@open)]")
        while folds.count():
            self.press(folds.first.locator("> summary"))

    def part(self, name: str) -> None:
        """Go to a part of the record by the list of parts."""
        link = self.page.locator(f'nav.parts a[href$="/{quote(name, safe="/")}"]')
        self.unfold(link)
        self.press(link)
        self.page.wait_for_url(f"**/{quote(name, safe='/')}")
        self.page.wait_for_load_state()

    def put(self, address: str, value: str) -> None:
        """Type or choose a value in a field, leave it, and see it saved."""
        field = self.page.locator(f'[data-address="{address}"]')
        self.unfold(field)
        control = field.locator("select, input, textarea").first
        if control.evaluate("one => one.tagName") == "SELECT":
            self.choose(control, value)
        else:
            self.type(control, value)
            control.press("Tab")
        self.saved()

    def saved(self) -> None:
        expect(self.page.locator("[data-record]")).to_have_attribute("data-waiting", "0", timeout=20_000)
        self.page.wait_for_load_state()
        expect(self.page.locator("#saving")).not_to_contain_text("Not saved")

    def start(self, values: dict[str, str]) -> None:
        """Begin an entry of a list by what tells it apart; its page opens."""
        form = self.page.locator("form.starting").first
        for name, value in values.items():
            control = form.locator(f'[name="key.{name}"]').first
            if control.evaluate("one => one.tagName") == "SELECT":
                self.choose(control, value)
            elif control.input_value() != value:  # time and arm are offered as they were last
                self.type(control, value)
                control.press("Tab")
        before = self.page.url
        self.press(form.get_by_role("button", name="Add", exact=True))
        expect(self.page).not_to_have_url(before, timeout=20_000)
        self.page.wait_for_load_state()

    def look(self, name: str) -> None:
        """Look at the page as it is, wide and narrow: nothing sideways, no violation, and a picture on wish."""
        began = time.monotonic()
        self.looks += 1
        for size in (NARROW, WIDE):
            self.page.set_viewport_size(size)
            wide = self.page.evaluate("document.documentElement.scrollWidth")
            assert wide <= size["width"], f"{name} is {wide} wide in a window of {size['width']}"
            assert violations(self.page) == [], f"{name} at {size['width']}"
            if PICTURES:
                Path(PICTURES).mkdir(parents=True, exist_ok=True)
                self.page.screenshot(path=Path(PICTURES) / f"{name}_{size['width']}.png", full_page=True)
        self.looking += time.monotonic() - began
