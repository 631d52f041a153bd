"""A button that is pressed before the page's scripts are there sends nothing that the desk would refuse."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import expect

from tests.browser.desks import Listening

pytestmark = pytest.mark.walk


def test_nothing_is_sent_before_the_page_hears(browser: Any, desk: Listening) -> None:
    page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
    page.goto(desk.opening)
    held, holding = list[Any](), ["until it was pressed"]
    page.route("**/static/desk.js", lambda route: held.append(route) if holding else route.continue_())
    posted: list[str] = []
    page.on("request", lambda request: posted.append(request.url) if request.method == "POST" else None)
    page.goto(f"{desk.address}/plan", wait_until="commit")
    button = page.get_by_role("button", name="Record this plan")
    at = page.locator("form[data-post] button", has_text="Record this plan").first
    expect(at).to_be_visible()
    at.scroll_into_view_if_needed()
    box = at.bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_timeout(300)
    assert posted == []
    assert page.url == f"{desk.address}/plan"
    assert held
    holding.clear()
    for route in held:
        route.continue_()
    expect(page.locator("main")).not_to_have_attribute("inert", "")
    button.click()
    expect(page.locator("body")).not_to_contain_text("sent by another page")
    page.wait_for_timeout(300)
    assert posted
    page.close()
