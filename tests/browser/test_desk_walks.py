"""Whole ways at the desk in a real browser, by mouse and keyboard alone: a guideline writer from an empty folder to
the brief, two extractors, two screeners, a signer, a department. What each costs is printed beside the same way by
workbook.
"""

from __future__ import annotations

import csv
import datetime
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook
from playwright.sync_api import expect

from metakit.forms.splice import plain_of
from metakit.review.check import check_paths
from metakit.review.new import new_review
from tests.browser.by_workbook import Workbooks, values
from tests.browser.desks import Listening, violations
from tests.browser.walkers import Walker
from tests.short_plan import with_only

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
    "Invented_A": ((40, 4), (41, 9)), "Invented_B": ((55, 6), (52, 10)), "Invented_C": ((30, 2), (33, 6)),
    "Invented_D": ((61, 9), (58, 8)), "Invented_E": ((28, 0), (30, 3)), "Invented_F": ((47, 5), (49, 7)),
    "Invented_G": ((36, 3), (35, 9)), "Invented_H": ((80, 7), (78, 12)),
}  # fmt: skip
"""Thumbs and complications of two arms; invented."""


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Listening]:
    listening = Listening(new_review(tmp_path / "review", record=False))
    yield listening
    listening.stop()


def write_plan(one: Walker, *, look: bool = False) -> None:
    one.way("Plan")
    one.click("Go on with the plan")
    for address, value in PLAN.items():
        one.put(address, value)
    if look:
        one.look("plan_part")
    one.part("outcomes")
    one.start({"outcome": "any_complication", "importance": "critical", "window": "12_months"})
    one.part("comparisons")
    one.start({"id": "tendon", "label": "Tendon against trapeziectomy alone", "technique": "lrti"})
    for name, value in (
        ("technique_label", "tendon"), ("comparator", "trapeziectomy"), ("comparator_label", "alone"),
    ):  # fmt: skip
        one.put(f"comparisons[1].{name}", value)
    one.part("analyses")
    one.start({"id": "complications", "outcome": "any_complication", "measure": "risk_ratio"})
    one.put("analyses[1].comparison", "tendon")
    one.way("Plan")
    assert one.page.locator(".to-mend").count() == 0, one.page.locator(".to-mend").text_content()
    one.click("Record this plan")
    expect(one.page.get_by_text("recorded in the history")).to_be_visible()
    if look:
        one.look("plan")


def extract(one: Walker, study: str, *, events: dict[str, str] | None = None, look: bool = False) -> None:
    """Type one study from nothing, arm by arm and outcome by outcome."""
    one.way("Extract")
    waiting = one.page.get_by_role("button", name=f"Begin {study}", exact=True)
    if waiting.count():
        one.press(waiting)
    else:
        one.type(one.page.get_by_label("Id of the study"), study)
        one.type(one.page.get_by_label("Name shown in tables and figures"), study.replace("_", " "))
        one.click("Begin")
    one.page.wait_for_url(f"**/extract/{one.person}/{study}/report")
    for address, value in (
        ("study.citation", "Invented authors, invented title"), ("study.year", "2016"),
        ("study.report_type", "full_report"), ("study.cohort", study.lower()), ("design.type", "randomised"),
    ):  # fmt: skip
        one.put(address, value)
    if look:
        one.look("extract_report")
    for arm, technique, (thumbs, _) in zip("AB", ("lrti", "trapeziectomy"), STUDIES[study], strict=True):
        one.part("arms")
        one.start({"id": arm})
        more = [("components", "lr_fcr_slip, ti_fcr")] if technique == "lrti" else []
        for name, value in (
            ("label", f"Arm {arm}"), ("technique", technique), *more, ("mp_option", "mp_not_reported"),
            ("st_option", "st_not_reported"), ("patients.analysed", str(thumbs)), ("thumbs.analysed", str(thumbs)),
            ("follow_up.mean", "12"), ("follow_up.unit", "months"),
        ):  # fmt: skip
            one.put(f"arms[{arm}].{name}", value)
    for arm, (thumbs, count) in zip("AB", STUDIES[study], strict=True):
        one.part("outcomes")
        one.start({"arm": arm, "outcome": "any_complication", "time.value": "12", "time.unit": "months"})
        entry = f"outcomes[{arm}/any_complication/12/months]"
        number = (events or {}).get(arm, str(count))
        for name, value in (
            ("unit_of_analysis", "thumbs"), ("reporting", "reported"), ("events", number), ("total", str(thumbs)),
            ("counted", "per_thumb"), ("definition", "any_complication"),
        ):  # fmt: skip
            one.put(f"{entry}.{name}", value)
    if look:
        one.look("extract_outcome")
    one.part("closing")
    one.put("funding.funder", "none_declared")
    one.put("funding.implant_company_tie", "no")


def judge(one: Walker, *, look: bool = False) -> None:
    """Judge how far the study can be trusted, as the next step says."""
    step = one.next_step()
    assert step.startswith("Judge"), step
    one.press(one.page.get_by_role("radio").first)
    one.click("Begin", within="main")
    levels = one.page.locator('[data-address$=".judgement"]')
    expect(levels.first).to_be_visible()
    for address in levels.evaluate_all("all => all.map(one => one.dataset.address)"):
        entry = address.removesuffix(".judgement")
        level = one.page.locator(f'[data-address="{address}"] option').nth(1).get_attribute("value")
        one.put(address, level)
        one.put(f"{entry}.reason", "as the report says (invented)")
        one.put(f"{entry}.page", "2")
    expect(one.page.locator('[data-part="appraisal"]')).to_contain_text("judged")
    if look:
        one.look("trust")


def hand_in(one: Walker, words: str, *, look: bool = False) -> None:
    step = one.next_step()
    assert "hand in" in step, step
    assert one.page.get_by_text("nothing is missing").count() == 1, one.page.locator("main").inner_text()
    if look:
        one.look("hand_in")
    one.click(words)
    one.page.wait_for_url(f"{one.desk.address}/")


def sign(one: Walker) -> int:
    """Judge every domain of the open answer as proposed, and sign; return how many domains there were."""
    levels = one.page.locator('select[name^="level."]')
    for number in range(levels.count()):
        proposed = levels.nth(number).evaluate(
            "one => one.closest('fieldset').querySelector('strong').textContent"
        )
        words = proposed.removeprefix("Proposed: ").rstrip(".")
        option = levels.nth(number).locator("option", has_text=re.compile(f"^{re.escape(words)}$"))
        one.choose(levels.nth(number), option.get_attribute("value"))
        one.type(one.page.locator('textarea[name^="because."]').nth(number), "looked at every report")
    one.click(f"Sign as {one.person}")
    expect(one.page.get_by_text(f"signed by {one.person}")).to_be_visible()
    return levels.count()


def work_out(one: Walker, answer: str) -> None:
    one.click("Work out the answers", within="main")
    link = one.page.locator("table").get_by_role("link", name=answer)  # in any case of its letters
    link.wait_for(timeout=180_000)
    one.press(link)
    one.page.wait_for_load_state()


@pytest.mark.parametrize(
    "studies", [pytest.param(2, marks=pytest.mark.walk), pytest.param(8, marks=pytest.mark.slow)]
)
def test_a_guideline_writer_from_an_empty_folder_to_the_brief(
    browser: Any, desk: Listening, tmp_path: Path, studies: int
) -> None:
    """The longer way is held against the same review by workbook: same records, same answer, same certainty."""
    one = Walker(browser, desk, "AB")
    one.look("todo_empty")
    assert one.next_step().startswith("Write the plan")
    write_plan(one, look=True)
    for number, study in enumerate(list(STUDIES)[:studies]):
        extract(one, study, look=number == 0)
        judge(one, look=number == 0)
        hand_in(one, "No: put it into the review as one person’s", look=number == 0)
    assert check_paths([desk.folder]).exit_status == 0
    assert one.next_step().startswith("Work out the answers: 1 planned question")
    work_out(one, "complications")
    domains = sign(one)
    one.look("certainty_signed")
    assert one.next_step().startswith("Make the report")
    one.click("Make the report", within="main")
    expect(one.page.get_by_text("made on")).to_be_visible(timeout=180_000)
    one.look("report")
    with one.page.context.expect_page() as opened:
        one.click("The brief, for who has two minutes")
    brief = opened.value
    brief.wait_for_load_state()
    assert "tendon" in brief.inner_text("main").lower()
    one.way("To do")
    assert "Nothing is open for you" in one.page.inner_text("main")
    one.look("todo_done")
    assert one.complaints == []
    print(f"\nguideline writer, {studies} studies, at the desk: {one.cost}")
    if studies == 8:
        by_workbook(desk.folder, Workbooks(tmp_path / "workbooks"), domains)


def by_workbook(made: Path, other: Workbooks, domains: int) -> None:
    """Make the same review by workbook, and hold the two against each other."""
    review = other.new_review(made)
    other.run("plan", "review", "--record")
    for record in sorted((made / "records").glob("*.yaml")):
        other.study(record)
        same = plain_of((review / "records" / record.name).read_text(encoding="utf-8"))
        assert values(same, ("extraction",)) == values(
            plain_of(record.read_text(encoding="utf-8")), ("extraction",)
        )
    other.run("check", "review")
    other.run("certainty", "review")
    other.cells += 2 * domains + 2  # a level and a reason each, initials and day
    shutil.copyfile(made / "certainty.yaml", review / "certainty.yaml")
    other.run("report", "review")
    print(f"the same by workbook: {other.cost}")
    found = [json.loads((folder / "report" / "findings.json").read_text()) for folder in (made, review)]
    assert found[0]["certainty"] == found[1]["certainty"]
    assert found[0]["certainty"][0]["status"] == "signed"


@pytest.mark.walk
def test_two_extractors_who_disagree(browser: Any, desk: Listening) -> None:
    one = Walker(browser, desk, "AB")
    write_plan(one)
    extract(one, "Invented_A")
    judge(one)
    hand_in(one, "Yes: keep it for the comparison")
    assert "Nothing is open for you" in one.page.inner_text("main")
    one.sit_down("CD")
    assert "AB extracts it too" in one.page.inner_text("main")
    one.page.goto(f"{desk.address}/extract/AB/Invented_A/report")  # no link leads there
    assert "shown when both of you have handed in" in one.page.inner_text("main")
    extract(one, "Invented_A", events={"A": "5"})
    judge(one)
    hand_in(one, "Yes: keep it for the comparison")
    assert one.next_step().startswith("Agree on Invented A")
    one.page.wait_for_url("**/agree/Invented_A")
    decided = 0
    while one.page.get_by_role("button", name="Decide", exact=True).count():
        if decided == 0:
            one.look("agree")
        one.press(one.page.get_by_role("radio").first)
        one.type(one.page.get_by_label("Why"), "the table on page 4 says so")
        before = one.page.url, one.page.inner_text(".where")
        one.click("Decide")
        decided += 1
        one.page.wait_for_function(
            "before => location.href !== before[0] || document.querySelector('.where')?.innerText !== before[1]",
            arg=list(before),
        )
        one.page.wait_for_load_state()
    assert decided >= 1
    one.click("Write the agreed record")
    expect(one.page.get_by_text("the agreed record stands in the review")).to_be_visible()
    one.look("agreed")
    record = plain_of((desk.folder / "records" / "Invented_A.yaml").read_text())
    assert record["extraction"]["status"] == "agreed"
    assert [entry["events"] for entry in record["outcomes"]] == ["4", "9"]
    assert all("404" in text for text in one.complaints), (
        one.complaints
    )  # the page that is hidden, asked for above
    print(f"\ntwo extractors of one study, {decided} decided, at the desk: {one.cost}")


def export_of(records: int) -> str:
    words = ("alpha", "birch", "cedar", "delta", "ember", "fjord", "grove", "haven")
    return "title,authors,year,journal,abstract\n" + "".join(
        f'"{words[n % 8]} {words[n // 8 % 8]} {words[n // 64]} thumb report","{words[n // 8 % 8].title()} {n}",'
        f'{1900 + n % 120},Invented Journal {n},"Invented abstract {n}"\n'
        for n in range(records)
    )


def seen(person: str, number: int) -> str:
    """Return what a person decides about a record: both the same, but for one."""
    return "include" if number < 3 or (number == 3 and person == "CD") else "exclude"


@pytest.mark.parametrize(
    "records", [pytest.param(24, marks=pytest.mark.walk), pytest.param(400, marks=pytest.mark.slow)]
)
def test_two_screeners(browser: Any, desk: Listening, tmp_path: Path, records: int) -> None:
    """Titles of a search that two people decide on alone, one conflict settled; full texts of three are due then."""
    export = tmp_path / "database.csv"
    export.write_text(export_of(records))
    one = Walker(browser, desk, "AB")
    one.way("Find")
    one.page.locator("#export").set_input_files(export)
    one.click("Bring it in")
    one.page.wait_for_url("**/find?search=database")
    one.look("find")
    decided: dict[str, int] = {}
    for person in ("AB", "CD"):
        if person != one.person:
            one.sit_down(person)
        one.way("Find")
        one.click(f"Screen: {records} without your decision")
        began = datetime.datetime.now()
        for number in range(records):
            one.page.wait_for_load_state()  # keys work from then on
            where = one.page.inner_text(".where")
            title = one.page.inner_text("h1")
            decided.setdefault(title, len(decided))
            choice = one.page.get_by_role("radio", name=seen(person, decided[title]), exact=True)
            one.press(choice)
            if number == 0:
                one.look(f"screen_{person}")
            one.page.keyboard.press("Control+Enter")
            one.keys += 1
            if number < records - 1:
                expect(one.page.locator(".where")).not_to_have_text(where)
        one.page.wait_for_url(re.compile(r".*/find(\?.*)?$"))
        each = (datetime.datetime.now() - began).total_seconds() / records
        print(
            f"\n{person}: {records} records, {each:.2f} s each with this walker's own two seconds of looking"
        )
    one.click("Settle 1 that two people see differently")
    one.page.wait_for_url("**/find/agree")
    one.look("settle")
    one.press(one.page.get_by_role("radio", name="exclude", exact=True))
    one.click("Agree", within="main")
    one.page.wait_for_url(re.compile(r".*/find$"))
    assert "3 without your decision" in one.page.inner_text("main")
    one.look("find_screened")
    assert one.complaints == []
    print(f"two screeners of {records} records at the desk: {one.cost}")
    if records == 400:
        screened_by_workbook(desk.folder, export, decided, Workbooks(tmp_path / "workbooks"))


def screened_by_workbook(made: Path, export: Path, order: dict[str, int], other: Workbooks) -> None:
    """Screen the same export by lists, and hold decisions and counts against each other."""
    other.run("new", "review")
    review = other.folder / "review"
    other.run("collect", export, "--into", "review")
    other.run("sheet", "lists", "--screening", "review", "--person", "AB", "--person", "CD")
    for path in sorted((other.folder / "lists").glob("*.xlsx")):
        book = load_workbook(path)
        sheet = book.worksheets[0]
        rows = list(sheet.iter_rows())
        heads = next(row for row in rows if any(cell.value == "decision" for cell in row))
        at = {str(cell.value): cell.column - 1 for cell in heads}
        person = "AB" if "AB" in path.name else "CD"
        for row in rows[rows.index(heads) + 1 :]:
            if row[at["title"]].value:
                row[at["decision"]].value = seen(person, order[str(row[at["title"]].value)])
                other.cells += 1
        book.save(path)
    other.run("collect", "lists", "--into", "review")
    other.run("reconcile", "review", "--csv")
    path = review / "reconcile" / "screening.csv"
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        row |= {"decision": "exclude", "decided_by": "AB", "decided_on": datetime.date.today().isoformat()}
        other.cells += 3
    with path.open("w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, rows[0])
        table.writeheader()
        table.writerows(rows)
    other.run("reconcile", "review", "--decisions", path)
    print(f"the same by workbook: {other.cost}")

    def decisions(folder: Path) -> list[tuple[str, ...]]:
        found = []
        for table in sorted((folder / "selection").glob("screening_*.csv")):
            with table.open(newline="", encoding="utf-8") as stream:
                found += [
                    (table.name, row["citation_id"], row["stage"], row["decision"])
                    for row in csv.DictReader(stream)
                ]
        return sorted(found)

    assert decisions(made) == decisions(review)
    assert len(decisions(made)) > 800


@pytest.mark.walk
def test_a_methodologist_judges_and_signs(browser: Any, tmp_path: Path) -> None:
    folder = tmp_path / "review"
    shutil.copytree(ROOT / "demo_studies", folder)
    protocol = folder / "protocol.yaml"
    protocol.write_text(with_only(protocol.read_text(), ["complications_lrti"]))
    (folder / "certainty.yaml").unlink()
    desk = Listening(folder)
    one = Walker(browser, desk, "EF")
    one.way("Certainty")
    work_out(one, "complications lrti")
    one.look("certainty")
    one.click("Sign as EF")
    expect(one.page.locator("#saving")).to_contain_text("is not judged")  # nothing is signed unread
    one.look("certainty_refused")
    sign(one)
    one.look("certainty_signed")
    entry = plain_of((folder / "certainty.yaml").read_text())["judgements"][0]
    assert entry["signed_by"] == "EF"
    one.way("To do")
    assert "without a signature" not in one.page.inner_text("main")
    desk.stop()
    print(f"\nmethodologist, one answer, at the desk: {one.cost}")


UNIT = {
    "unit.name": "Ward seven (invented)", "volume.thumbs_a_year": "80", "volume.lowest": "60",
    "volume.highest": "110", "time.years_followed": "2",
}  # fmt: skip
BASELINE = {
    "weight": "2", "baseline.events": "21", "baseline.thumbs": "96", "baseline.months": "12",
    "baseline.kind": "unit_audit", "baseline.source": "our audit, 2019 to 2025",
}  # fmt: skip


@pytest.mark.walk
def test_a_department_types_its_numbers_moves_them_and_makes_its_page(browser: Any, tmp_path: Path) -> None:
    """From a review that somebody else made to the department's page to print."""
    folder = tmp_path / "review"
    shutil.copytree(ROOT / "demo_studies", folder)
    protocol = folder / "protocol.yaml"
    protocol.write_text(with_only(protocol.read_text(), ["complications_lrti"]))
    for name in ("unit.yaml", "certainty.yaml"):
        (folder / name).unlink()
    desk = Listening(folder)
    one = Walker(browser, desk, "GH")
    one.way("Our department")
    one.look("department_empty")
    one.click("Begin")
    one.page.wait_for_url("**/department/unit/numbers/report")
    for address, value in UNIT.items():
        one.put(address, value)
    one.look("department_numbers")
    for name, technique, label in (("now", "trapeziectomy", "bone out alone"), ("lrti", "lrti", "tendon in")):
        one.part("techniques")
        one.start({"id": name})
        one.put(f"techniques[{name}].technique", technique)
        one.put(f"techniques[{name}].label", label)
    one.part("closing")
    one.put("current_technique", "now")
    one.part("outcomes")
    one.start({"outcome": "any_complication"})
    entry = "outcomes[any_complication]"
    for name, value in BASELINE.items():
        one.put(f"{entry}.{name}", value)
    form = one.page.locator(f'form.starting:has(input[name="list"][value="{entry}.effects"])')
    one.unfold(form)
    one.choose(form.locator("select").first, "lrti")
    one.press(form.get_by_role("button", name="Add", exact=True))
    one.page.wait_for_load_state()
    one.put(f"{entry}.effects[lrti].analysis", "complications_lrti")
    one.way("Our department")
    expect(one.page.get_by_text("What to expect")).to_be_visible(timeout=120_000)
    typed = one.page.locator("#moved").inner_text()
    for _ in range(5):
        one.page.locator("#in-volume").press("ArrowRight")
        one.keys += 1
    expect(one.page.get_by_text("Tried", exact=False).first).to_be_visible(timeout=30_000)
    expect(one.page.locator("#moved")).to_have_attribute("aria-busy", "false", timeout=120_000)
    assert one.page.locator("#moved").inner_text() != typed
    one.look("department_moved")
    one.click("Type these into the file")
    expect(one.page.locator("#limits-volume")).to_contain_text("as typed 85")
    assert plain_of((folder / "unit.yaml").read_text())["volume"]["thumbs_a_year"] == "85"
    one.click("Make the page")
    expect(one.page.get_by_text("made on")).to_be_visible(timeout=180_000)
    one.look("department")
    with one.page.context.expect_page() as opened:
        one.click("Open the page")
    page = opened.value
    page.wait_for_load_state()
    assert "Ward seven (invented)" in page.inner_text("body")
    assert violations(page) == []
    assert one.complaints == []
    desk.stop()
    print(f"\ndepartment at the desk: {one.cost}")
    other = Workbooks(tmp_path / "workbooks")
    other.run("sheet", "unit.xlsx", "--unit")
    other.cells += len(UNIT) + 2 * 3 + 1 + 1 + len(BASELINE) + 2 + 1
    print(f"the same by workbook: {other.cells} cells, 2 commands and one folder named for 'metakit decide'")
