"""The paper beside the form, answers that move and a department's inputs, in a real browser."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from metakit.desk.demo_papers import put_papers
from metakit.desk.pages import paper
from metakit.forms.splice import plain_of
from metakit.papers.scans import ScanRead
from tests import hostile_papers
from tests.browser.desks import Listening, violations

pytestmark = pytest.mark.walk
ROOT = Path(__file__).parents[2]
FIRST, TURNED, SCANNED = "DEMO-01_quillmere", "DEMO-02_brackenhythe", "DEMO-03_velloway"
PART = "outcomes[A/any_complication/12/months]"
SMALL = {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A review with papers whose first three studies AB has not handed in, and no number typed for one entry."""
    folder = tmp_path_factory.mktemp("paper") / "review"
    shutil.copytree(ROOT / "demo_studies", folder)
    put_papers(folder)
    home = folder / "extractors" / "AB"
    (home / "unfinished").mkdir()
    for study in (FIRST, TURNED, SCANNED):
        text = (home / f"{study}.yaml").read_text(encoding="utf-8")
        (home / f"{study}.yaml").unlink()
        (home / "unfinished" / f"{study}.yaml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def review(prepared: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(prepared, tmp_path / "review"))


@pytest.fixture
def desk(review: Path) -> Iterator[Listening]:
    listening = Listening(review, "AB")
    yield listening
    listening.stop()


@pytest.fixture
def page(browser: Any, desk: Listening) -> Iterator[Any]:
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()
    page.complaints = []
    page.on("console", lambda message: page.complaints.append(message.text))
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.goto(desk.opening)
    page.wait_for_url(f"{desk.address}/")
    yield page
    assert page.complaints == []
    context.close()


def record(review: Path, study: str) -> Path:
    return review / "extractors" / "AB" / "unfinished" / f"{study}.yaml"


def emptied(review: Path, study: str, *fields: str) -> None:
    """Take values of the first entry away, and all places, as before anybody typed them."""
    text = record(review, study).read_text(encoding="utf-8")
    text = text[: text.index("\nplaces:")] + "\n"
    head, entry = text.split("outcome: any_complication\n", 1)
    lines = entry.split("\n")
    for field in fields:
        at = next(n for n, line in enumerate(lines) if line.strip().startswith(f"{field}:"))
        del lines[at]
    record(review, study).write_text(
        head + "outcome: any_complication\n" + "\n".join(lines), encoding="utf-8"
    )


def part_url(desk: Listening, study: str, part: str = PART) -> str:
    from urllib.parse import quote

    return f"{desk.address}/extract/AB/{study}/{quote(part, safe='')}"


def shown(page: Any) -> None:
    """Wait until a page of the paper and its words are there."""
    expect(page.locator("[data-sheet-page]")).to_have_attribute("aria-busy", "false")
    for _ in range(100):
        if page.locator("[data-sheet-picture]").evaluate("one => one.complete && one.naturalWidth > 0"):
            return
        page.wait_for_timeout(50)
    pytest.fail("the picture of the page does not come")


def places(review: Path, study: str) -> list[dict[str, str]]:
    found: list[dict[str, str]] = (
        plain_of(record(review, study).read_text(encoding="utf-8")).get("places") or []
    )
    return found


def click_word(page: Any, start: str, **more: Any) -> None:
    """Click a word of the page that starts so, where it is shown."""
    box = page.evaluate(
        """async (start) => {
          const shown = document.querySelector('[data-sheet-picture]').src.replace('.jpg', '/words');
          const found = await (await fetch(shown)).json();
          return found.words.find(([text]) => text.startsWith(start)).slice(1, 5);
        }""",
        start,
    )
    page.locator("[data-sheet-page]").scroll_into_view_if_needed()
    frame = page.locator("[data-sheet-page]").bounding_box()
    at = {"x": frame["width"] * (box[0] + box[2]) / 2, "y": frame["height"] * (box[1] + box[3]) / 2}
    page.locator("[data-sheet-page]").click(position=at, **more)


def test_a_cell_is_clicked_and_its_numbers_taken(page: Any, desk: Listening, review: Path) -> None:
    emptied(review, FIRST, "events", "total")
    page.goto(part_url(desk, FIRST))
    shown(page)
    page.locator('[data-address$=".events"] input').click()
    page.locator("[data-page-number]").fill("3")
    page.locator("[data-page-number]").press("Enter")
    shown(page)
    page.locator('[data-address$=".events"] input').click()
    click_word(page, "14/38")
    expect(page.locator(".quote")).to_have_text("“14/38 (36.8 %)ᵃ”")
    assert (
        page.locator('[data-address$=".events"] input').input_value() == ""
    )  # nothing is filled in by itself
    assert violations(page) == []
    page.get_by_role("button", name="Take events 14, total 38").click()
    expect(page.locator("#saving")).to_have_text("Place kept: page 3.")
    found = {place["field"]: place for place in places(review, FIRST)}
    assert found[f"{PART}.events"]["quote"] == "14/38 (36.8 %)ᵃ"
    entry = plain_of(record(review, FIRST).read_text(encoding="utf-8"))["outcomes"][0]
    assert (entry["events"], entry["total"]) == ("14", "38")
    expect(page.locator("[data-sheet-page]")).to_be_visible()  # saving leaves the paper beside the form
    expect(page.get_by_role("button", name="events: page 3")).to_be_visible()
    page.reload()
    shown(page)
    expect(page.get_by_role("button", name="events: page 3")).to_be_visible()


def test_the_same_without_a_mouse_on_a_turned_page(page: Any, desk: Listening, review: Path) -> None:
    emptied(review, TURNED, "events", "total")
    page.goto(part_url(desk, TURNED))
    shown(page)
    page.locator("[data-page-number]").focus()
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.type("3")
    page.keyboard.press("Enter")
    shown(page)
    page.locator('[data-address$=".events"] input').focus()
    page.locator("[data-sheet-page]").focus()
    page.keyboard.press("ArrowRight")
    for _ in range(60):
        if page.locator("[data-said]").inner_text().startswith("11/34"):
            break
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Shift+ArrowRight")
    expect(page.locator("[data-said]")).to_have_text("11/34 (32.4 %)ᵃ")
    page.keyboard.press("Enter")
    take = page.get_by_role("button", name="Take events 11, total 34")
    expect(take).to_be_visible()
    take.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#saving")).to_have_text("Place kept: page 3.")
    assert (
        page.evaluate("document.activeElement.closest('[data-address]').dataset.address") == f"{PART}.events"
    )
    assert {place["page"] for place in places(review, TURNED)} == {"3"}


def test_a_scan_says_so_and_its_place_is_kept_by_two_corners_or_keys(
    page: Any, desk: Listening, review: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As without the program that reads scans; then as if it had read the place."""
    monkeypatch.setattr(paper, "read_scan", lambda picture: None)
    emptied(review, SCANNED)
    page.goto(part_url(desk, SCANNED))
    page.locator("[data-page-number]").fill("3")
    page.locator("[data-page-number]").press("Enter")
    shown(page)
    expect(page.locator("[data-note]")).to_contain_text("a scan")
    page.locator('[data-address$=".events"] input').click()
    page.get_by_role("button", name="Box by two corners").click()
    sheet = page.locator("[data-sheet-page]")
    sheet.click(position={"x": 300, "y": 120})
    sheet.click(position={"x": 420, "y": 160})
    expect(page.locator(".quote")).to_contain_text("No words here")
    read = ScanRead("4/29 (13.8 %)", alone=False)
    monkeypatch.setattr(paper, "read_scan", lambda picture: read)
    sheet.click(position={"x": 300, "y": 120})
    sheet.click(position={"x": 420, "y": 160})
    expect(page.locator(".quote")).to_have_text("The picture seems to say “4/29 (13.8 %)”.")
    expect(page.locator("[data-read]")).to_contain_text("compare every digit")
    assert violations(page) == []
    page.get_by_role("button", name="Keep only the place, for events").click()
    expect(page.locator("#saving")).to_have_text("Place kept: page 3.")
    (place,) = places(review, SCANNED)
    assert "quote" not in place
    page.locator('[data-address$=".total"] input').focus()
    sheet.focus()
    for key in ("ArrowRight", "ArrowDown", "Shift+ArrowRight", "Enter"):
        page.keyboard.press(key)
    page.get_by_role("button", name="Keep only the place, for total").click()
    expect(page.locator("#saving")).to_have_text("Place kept: page 3.")
    page.wait_for_timeout(200)
    assert len(places(review, SCANNED)) == 2


def test_a_pdf_is_put_beside_the_form_and_a_hostile_one_is_refused(
    page: Any, desk: Listening, review: Path, tmp_path: Path
) -> None:
    home = review / "extractors" / "AB"
    study = "DEMO-09_emberlode"
    (home / f"{study}.yaml").rename(home / "unfinished" / f"{study}.yaml")
    page.goto(f"{desk.address}/extract/AB/{study}/arms%5BA%5D")
    bad, good = tmp_path / "bad.pdf", tmp_path / "good <b>.pdf"
    bad.write_bytes(hostile_papers.locked())
    good.write_bytes(hostile_papers.sound("It says 4/29"))
    page.get_by_label("PDF of the report").set_input_files(bad)
    expect(page.locator("#paper-file-problem")).to_contain_text("locked by a password")
    page.complaints.clear()  # the browser names the refusal, as it names each one
    assert violations(page) == []
    waiting: list[Any] = []
    page.route("**/reports?*", lambda route: waiting.append(route))
    page.get_by_label("PDF of the report").set_input_files(good)
    women = page.locator('[data-address="arms[A].women"] input')
    women.focus()
    page.keyboard.press("Control+a")
    page.keyboard.type("1")
    for _ in range(600):
        if waiting:
            break
        page.wait_for_timeout(50)
    waiting.pop().continue_()  # typed on while the PDF was read
    shown(page)
    assert (review / "reports" / "good_b.pdf").is_file()
    page.keyboard.type("2")
    assert women.input_value() == "12"
    page.keyboard.press("Tab")
    expect(page.locator("#saving")).to_have_text("Saved", timeout=20_000)
    record = plain_of((home / "unfinished" / f"{study}.yaml").read_text())
    assert record["arms"][0]["women"] == "12"
    page.locator("[data-sheet-page]").focus()  # the paper is still there after a save
    page.keyboard.press("ArrowRight")
    expect(page.locator("[data-said]")).to_have_text("It")  # the new paper hears
    assert page.complaints == []


@pytest.mark.parametrize("width", [1440, 800, 390, 320])
def test_windows_of_each_size_show_paper_and_form_without_scrolling_sideways(
    page: Any, desk: Listening, width: int
) -> None:
    page.set_viewport_size({"width": width, "height": 844})
    page.goto(part_url(desk, FIRST))
    shown(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert violations(page) == []
    page.get_by_role("button", name="Larger").click()
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_an_answer_moves_with_a_choice_and_says_that_it_was_tried(
    page: Any, desk: Listening, review: Path
) -> None:
    before = (review / "protocol.yaml").read_bytes()
    page.goto(f"{desk.address}/answers")
    page.get_by_role("link", name="Radial nerve branch disturbance: LRTI").click()
    planned = page.locator("section", has=page.locator("#planned-heading")).inner_text()
    page.locator('input[name="leave_out"]').first.check()
    expect(page.locator("#tried-heading")).to_contain_text("Tried, not kept")
    assert violations(page) == []
    page.locator('input[name="leave_out"]').first.uncheck()
    page.locator("#try-model").select_option("common_effect")
    expect(page.locator("#tried")).to_contain_text("model: Common effect")
    assert page.url.endswith("?model=common_effect")
    page.reload()
    expect(page.locator("#tried")).to_contain_text("model: Common effect")
    assert page.locator("section", has=page.locator("#planned-heading")).inner_text() == planned
    assert (review / "protocol.yaml").read_bytes() == before
    page.set_viewport_size(SMALL)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert violations(page) == []
    page.locator("summary", has_text="Make it the plan").click()
    page.get_by_role("button", name="Change the plan").click()
    page.locator("#keep-why").fill("short")
    page.get_by_role("button", name="Change the plan").click()
    expect(page.locator("#why-problem")).to_contain_text("say why")
    page.complaints.clear()
    page.locator("#keep-why").fill("few studies, no sign that centres differ")
    page.get_by_role("button", name="Change the plan").click()
    expect(page.locator("#try-model")).to_contain_text("as planned: common effect")
    assert "few studies, no sign that centres differ (AB)" in (review / "protocol.yaml").read_text()


def test_a_department_moves_an_input_and_its_ranges_follow(page: Any, desk: Listening, review: Path) -> None:
    before = (review / "unit.yaml").read_bytes()
    page.goto(f"{desk.address}/department")
    slider = page.get_by_label("Thumbs operated on in a year")
    slider.focus()
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    expect(page.locator("#out-volume")).to_have_text("125")
    expect(page.locator("#moved")).to_contain_text("125 instead of 120")
    expect(page.locator("#moved")).to_contain_text("from 400,000 draws", timeout=90_000)
    expect(page.locator("#drivers-heading")).to_be_visible()
    assert violations(page) == []
    page.set_viewport_size(SMALL)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert violations(page) == []
    assert (review / "unit.yaml").read_bytes() == before
    page.get_by_role("button", name="Type these into the file").click()
    expect(page.locator("#moved")).to_contain_text("rough", timeout=30_000)
    assert b"thumbs_a_year: 125" in (review / "unit.yaml").read_bytes()
