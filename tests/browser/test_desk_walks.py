"""Whole ways at the desk in a real browser: from an empty folder to a brief, two extractors, two screeners, a signer."""

from __future__ import annotations

import datetime
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from metakit.forms.splice import plain_of
from metakit.review.check import check_paths
from metakit.review.new import new_review
from tests.browser.desks import Listening, violations
from tests.short_plan import with_only

pytestmark = pytest.mark.walk
ROOT = Path(__file__).parents[2]

PLAN = {
    "review.title": "Tendon in or trapezium out alone? (invented)",
    "review.question": "Does ligament reconstruction lead to fewer complications than trapeziectomy alone?",
    "review.date": datetime.date.today().isoformat(),
    "population": "Adults with painful thumb-base arthritis (invented)",
    "unit_of_analysis": "thumbs",
    "icc": "0.3",
}
STUDIES = {
    "Invented_A": ((40, 4), (41, 9)),
    "Invented_B": ((55, 6), (52, 10)),
    "Invented_C": ((30, 2), (33, 6)),
}
"""Thumbs and complications of two arms; invented."""


class Walker:
    """Somebody at the desk, who only clicks and types; counts both."""

    def __init__(self, browser: Any, desk: Listening, person: str) -> None:
        self.desk = desk
        self.page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
        self.clicks = self.fields = 0
        self.complaints: list[str] = []
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.goto(desk.opening)
        self.page.wait_for_url(f"{desk.address}/person")
        self.page.get_by_label("Your initials").fill(person)
        self.click("Sit down")
        self.page.wait_for_url(f"{desk.address}/")

    def click(self, name: str) -> None:
        found = self.page.get_by_role("button", name=name, exact=True).or_(
            self.page.get_by_role("link", name=name, exact=True)
        )
        found.first.click()
        self.clicks += 1

    def go(self, path: str) -> None:
        self.page.goto(self.desk.address + path)

    def put(self, address: str, value: str) -> None:
        """Type a value where a person would, open the fold that hides it, and leave the field."""
        field = self.page.locator(f'[data-address="{address}"]')
        field.evaluate(
            "one => { for (let at = one; at; at = at.parentElement) if (at.tagName === 'DETAILS') at.open = true }"
        )
        control = field.locator("select, input, textarea").first
        if control.evaluate("one => one.tagName") == "SELECT":
            control.select_option(value)
        else:
            control.fill(value)
            control.press("Tab")
        expect(self.page.locator("[data-record]")).to_have_attribute("data-waiting", "0")
        self.page.wait_for_load_state()
        expect(self.page.locator("#saving")).not_to_contain_text("Not saved")
        self.fields += 1

    def start(self, values: dict[str, str]) -> None:
        """Begin an entry by what tells it apart."""
        for name, value in values.items():
            control = self.page.locator(f'form.starting [name="key.{name}"]').first
            if control.evaluate("one => one.tagName") == "SELECT":
                control.select_option(value)
            else:
                control.fill(value)
            self.fields += 1
        before = self.page.url
        self.page.locator("form.starting").first.get_by_role("button", name="Add", exact=True).click()
        expect(self.page).not_to_have_url(before)
        self.page.wait_for_load_state()
        self.clicks += 1


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Listening]:
    listening = Listening(new_review(tmp_path / "review", record=False))
    yield listening
    listening.stop()


def write_plan(one: Walker) -> None:
    one.go("/plan/report")
    for address, value in PLAN.items():
        one.put(address, value)
    one.go("/plan/outcomes")
    one.start({"outcome": "any_complication", "importance": "critical", "window": "12_months"})
    one.go("/plan/comparisons")
    one.start({"id": "tendon", "label": "Tendon against trapeziectomy alone", "technique": "lrti"})
    for name, value in (
        ("technique_label", "tendon"),
        ("comparator", "trapeziectomy"),
        ("comparator_label", "alone"),
    ):
        one.put(f"comparisons[1].{name}", value)
    one.go("/plan/analyses")
    one.start({"id": "complications", "outcome": "any_complication", "measure": "risk_ratio"})
    one.put("analyses[1].comparison", "tendon")
    one.go("/plan")
    assert one.page.locator(".to-mend").count() == 0, one.page.locator(".to-mend").text_content()
    one.click("Record this plan")
    expect(one.page.get_by_text("recorded in the history")).to_be_visible()


def extract(one: Walker, person: str, study: str, *, events: dict[str, str] | None = None) -> None:
    """Type one study from nothing, arm by arm and outcome by outcome."""
    one.go("/extract")
    one.page.get_by_label("Id of the study").fill(study)
    one.page.get_by_label("Name shown in tables and figures").fill(study.replace("_", " "))
    one.click("Begin")
    one.page.wait_for_url(f"**/extract/{person}/{study}/report")
    base = f"/extract/{person}/{study}"
    for address, value in (
        ("study.citation", "Invented authors, invented title"), ("study.year", "2016"),
        ("study.report_type", "full_report"), ("study.cohort", study.lower()), ("design.type", "randomised"),
    ):  # fmt: skip
        one.put(address, value)
    for arm, technique, (thumbs, _) in zip("AB", ("lrti", "trapeziectomy"), STUDIES[study], strict=True):
        one.go(f"{base}/arms")
        one.start({"id": arm})
        more = [("components", "lr_fcr_slip, ti_fcr")] if technique == "lrti" else []
        for name, value in (
            ("label", f"Arm {arm}"), ("technique", technique), ("mp_option", "mp_not_reported"),
            ("st_option", "st_not_reported"), ("patients.analysed", str(thumbs)), ("thumbs.analysed", str(thumbs)),
            ("follow_up.mean", "12"), ("follow_up.unit", "months"),
        ):  # fmt: skip
            one.put(f"arms[{arm}].{name}", value)
        for name, value in more:
            field = one.page.locator(f'[data-address="arms[{arm}].{name}"] input')
            field.fill(value)
            field.press("Tab")
            expect(one.page.locator("[data-record]")).to_have_attribute("data-waiting", "0")
    for arm, (thumbs, count) in zip("AB", STUDIES[study], strict=True):
        one.go(f"{base}/outcomes")
        one.start({"arm": arm, "outcome": "any_complication", "time.value": "12", "time.unit": "months"})
        entry = f"outcomes[{arm}/any_complication/12/months]"
        number = (events or {}).get(arm, str(count))
        for name, value in (
            ("unit_of_analysis", "thumbs"), ("reporting", "reported"), ("events", number), ("total", str(thumbs)),
            ("counted", "per_thumb"), ("definition", "any_complication"),
        ):  # fmt: skip
            one.put(f"{entry}.{name}", value)
    one.go(f"{base}/closing")
    one.put("funding.funder", "none_declared")
    one.put("funding.implant_company_tie", "no")
    one.go(f"{base}/hand-in")


def test_a_guideline_writer_from_an_empty_folder_to_the_brief(browser: Any, desk: Listening) -> None:
    one = Walker(browser, desk, "AB")
    write_plan(one)
    for study in STUDIES:
        extract(one, "AB", study)
        assert one.page.get_by_text("nothing is missing").count() == 1, one.page.locator("main").inner_text()
        one.click("No: put it into the review as one person’s")
        one.page.wait_for_url(f"{desk.address}/")
    assert check_paths([desk.folder]).exit_status == 0
    one.go("/report")
    one.click("Make the report")
    expect(one.page.get_by_text("made on")).to_be_visible(timeout=120_000)
    with one.page.context.expect_page() as opened:
        one.click("The brief, for who has two minutes")
    brief = opened.value
    brief.wait_for_load_state()
    assert "tendon" in brief.inner_text("main").lower()
    assert one.complaints == []
    print(f"guideline writer, three studies: {one.fields} fields, {one.clicks} clicks")


def test_two_extractors_who_disagree(browser: Any, desk: Listening) -> None:
    one = Walker(browser, desk, "AB")
    write_plan(one)
    extract(one, "AB", "Invented_A")
    one.click("Yes: keep it for the comparison")
    one.page.wait_for_url(f"{desk.address}/")
    assert "Nothing is open for you" in one.page.inner_text("main")
    one.go("/person")
    one.page.get_by_label("Your initials").fill("CD")
    one.click("Sit down")
    one.page.wait_for_url(f"{desk.address}/")
    assert "AB extracts it too" in one.page.inner_text("main")
    one.go("/extract/AB/Invented_A/report")
    assert "shown when both of you have handed in" in one.page.inner_text("main")
    extract(one, "CD", "Invented_A", events={"A": "5"})
    one.click("Yes: keep it for the comparison")
    one.page.wait_for_url(f"{desk.address}/")
    one.click("Agree on Invented A")
    one.page.wait_for_url("**/agree/Invented_A")
    assert violations(one.page) == []
    decided = 0
    while one.page.get_by_role("button", name="Decide", exact=True).count():
        one.page.get_by_role("radio").first.check()
        one.page.get_by_label("Why").fill("the table on page 4 says so")
        before = one.page.url, one.page.inner_text(".where")
        one.click("Decide")
        decided += 1
        one.page.wait_for_timeout(100)
        one.page.wait_for_load_state()
        assert before != (one.page.url, one.page.inner_text(".where")) or decided < 10
    assert decided >= 1
    one.click("Write the agreed record")
    expect(one.page.get_by_text("the agreed record stands in the review")).to_be_visible()
    assert violations(one.page) == []
    record = plain_of((desk.folder / "records" / "Invented_A.yaml").read_text())
    assert record["extraction"]["status"] == "agreed"
    assert [entry["events"] for entry in record["outcomes"]] == ["4", "9"]


def test_two_screeners_of_forty_records(browser: Any, desk: Listening, tmp_path: Path) -> None:
    export = tmp_path / "database.csv"
    words = ("alpha", "birch", "cedar", "delta", "ember", "fjord", "grove", "haven")
    export.write_text(
        "title,authors,year,journal,abstract\n"
        + "".join(
            f'"{words[n % 8]} {words[n // 8]} thumb report","{words[n // 8].title()} {n}",{1980 + n},Invented Journal {n},"Abstract {n}"\n'
            for n in range(40)
        )
    )
    one = Walker(browser, desk, "AB")
    one.go("/find")
    one.page.locator("#export").set_input_files(export)
    one.click("Bring it in")
    one.page.wait_for_url("**/find?search=database")
    assert violations(one.page) == []
    for person in ("AB", "CD"):
        one.go("/person")
        one.page.get_by_label("Your initials").fill(person)
        one.click("Sit down")
        one.page.wait_for_url(f"{desk.address}/")
        one.go("/find/screen")
        for number in range(40):
            include = number < 3 or (number == 3 and person == "CD")
            one.page.wait_for_load_state()  # keys work from then on
            where = one.page.inner_text(".where")
            one.page.get_by_role("radio", name="include" if include else "exclude", exact=True).check()
            one.page.keyboard.press("Control+Enter")
            if number < 39:
                expect(one.page.locator(".where")).not_to_have_text(where)
        one.page.wait_for_url(re.compile(r".*/find(\?.*)?$"))
    one.click("Settle 1 that two people see differently")
    one.page.wait_for_url("**/find/agree")
    assert violations(one.page) == []
    one.page.get_by_role("radio", name="exclude", exact=True).check()
    one.page.get_by_role("button", name="Agree", exact=True).click()
    one.page.wait_for_url(re.compile(r".*/find$"))
    assert "3 without your decision" in one.page.inner_text("main")


def test_a_methodologist_judges_and_signs(browser: Any, tmp_path: Path) -> None:
    folder = tmp_path / "review"
    shutil.copytree(ROOT / "demo_studies", folder)
    protocol = folder / "protocol.yaml"
    protocol.write_text(with_only(protocol.read_text(), ["complications_lrti"]))
    (folder / "certainty.yaml").unlink()
    desk = Listening(folder)
    one = Walker(browser, desk, "EF")
    page = one.page
    one.go("/certainty")
    one.click("Work out the answers")
    page.get_by_role("link", name="complications lrti").click(timeout=120_000)
    page.wait_for_url("**/certainty/complications_lrti")
    assert violations(page) == []
    one.click("Sign as EF")
    expect(page.locator("#saving")).to_contain_text("is not judged")  # nothing is signed unread
    levels = page.locator('select[name^="level."]')
    for number in range(levels.count()):
        proposed = levels.nth(number).evaluate(
            "one => one.closest('fieldset').querySelector('strong').textContent"
        )
        levels.nth(number).select_option(label=proposed.removeprefix("Proposed: ").rstrip("."))
        page.locator('textarea[name^="because."]').nth(number).fill("looked at every report")
    one.click("Sign as EF")
    expect(page.get_by_text("signed by EF")).to_be_visible()
    assert violations(page) == []
    entry = plain_of((folder / "certainty.yaml").read_text())["judgements"][0]
    assert entry["signed_by"] == "EF"
    desk.stop()
