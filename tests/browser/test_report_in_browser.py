"""The demo's report page in a real browser: navigation, trace, sorting, keyboard, narrow screens, print, accessibility."""

from __future__ import annotations

import re
from pathlib import Path

import pytest


@pytest.fixture
def page_file(demo_report: Path) -> Path:
    return demo_report / "report.html"


def open_numbers(page) -> None:
    """Unfold the first answer and its table of study numbers."""
    page.locator("#results article summary").first.click()
    page.locator("summary", has_text="Numbers of each study").first.click()


def test_page_loads_without_a_complaint_and_asks_for_nothing_else(watch, page_file: Path) -> None:
    watched = watch(page_file)
    assert watched.page.title().startswith("INVENTED DATA")
    assert watched.complaints == []
    assert watched.requests == [page_file.as_uri()] or all(
        url.startswith(("data:", page_file.as_uri())) for url in watched.requests
    )


def test_every_entry_of_the_contents_leads_somewhere(watch, page_file: Path) -> None:
    page = watch(page_file).page
    targets = page.eval_on_selector_all("nav a", "links => links.map(link => link.getAttribute('href'))")
    assert len(targets) > 10
    for target in targets:
        assert page.locator(f'[id="{target[1:]}"]').count() == 1, target
    page.locator("nav a").last.click()
    assert page.evaluate("window.scrollY") > 1000
    assert page.locator(f'[id="{targets[-1][1:]}"]').is_visible(), "a link unfolds what it leads to"


def test_trace_of_a_number_opens_on_click_and_by_keyboard(watch, page_file: Path) -> None:
    watched = watch(page_file)
    page = watched.page
    open_numbers(page)
    button = page.locator("button.trace-open").first
    box = page.locator(f'[id="{button.get_attribute("popovertarget")}"]')
    assert not box.is_visible()
    button.click()
    assert box.is_visible()
    text = box.inner_text()
    for step in ("The paper", "As typed", "As analysed", "In the answer"):
        assert step in text
    assert re.search(r"records/.*\.yaml:\d+", text), "the place of the typed number"
    box.get_by_role("button", name="Close").click()
    assert not box.is_visible()
    button.focus()
    page.keyboard.press("Enter")
    assert box.is_visible()
    page.keyboard.press("Escape")
    assert not box.is_visible()
    assert watched.complaints == []


def test_tables_sort_by_each_column_and_keep_the_arms_of_a_study_together(watch, page_file: Path) -> None:
    page = watch(page_file).page
    open_numbers(page)
    table = page.locator("table.sortable:visible").first
    names = "rows => rows.map(row => row.cells[0].textContent)"
    before = table.locator("tbody tr.first").evaluate_all(names)
    head = table.locator("thead th", has_text="Study").first
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "ascending"
    up = table.locator("tbody tr.first").evaluate_all(names)
    assert sorted(before) == sorted(up) and up == sorted(up, key=str.casefold)
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "descending"
    assert table.locator("tbody tr.first").evaluate_all(names) == up[::-1]
    spans = table.locator("tbody tr").evaluate_all(
        "rows => rows.map(row => [row.className, Math.max(...[...row.cells].map(cell => cell.rowSpan))])"
    )
    position = 0
    while position < len(spans):
        assert spans[position][0] == "first", "each study starts with its own row"
        position += spans[position][1]
    weights = table.locator("thead th", has_text="Weight")
    if weights.count():
        weights.get_by_role("button").click()
        shown = table.locator("tbody tr.first").evaluate_all(
            "rows => rows.map(row => parseFloat(row.cells[row.cells.length - 1].textContent))"
        )
        assert shown == sorted(shown)


def test_the_page_can_be_walked_by_keyboard_alone(watch, page_file: Path) -> None:
    page = watch(page_file).page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    for _ in range(30):
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement !== document.body")
    summary = page.locator("main summary").first
    summary.focus()
    page.keyboard.press("Enter")
    assert summary.evaluate("element => element.parentElement.open")


@pytest.mark.parametrize("width", [360, 800, 1600])
def test_nothing_runs_out_of_the_screen(watch, page_file: Path, width: int) -> None:
    page = watch(page_file, width=width).page
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    too_wide = page.evaluate(
        """width => [...document.querySelectorAll("main *")].filter(one => !one.closest(".table-scroll, .figure-scroll, .trace, svg")
             && one.getBoundingClientRect().right > width + 1).map(one => one.outerHTML.slice(0, 120))""",
        width,
    )
    assert too_wide == []


VISIBLE_WORDS = "document.body.innerText.trim().split(/\\s+/).length"


def printed_pages(page, path: Path) -> int:
    """Print on A4 and count the pages."""
    data = page.pdf(path=path, format="A4")
    assert data.startswith(b"%PDF") and data.rstrip().endswith(b"%%EOF")
    return len(re.findall(rb"/Type\s*/Page[^s]", data))


def test_the_first_screen_is_the_answer(watch, page_file: Path) -> None:
    """Targets of ours: two minutes of reading, the answer on the first screen, everything else within reach."""
    for width, height, lowest in ((1280, 900, 900), (390, 844, 844)):
        page = watch(page_file, width=width, height=height).page
        top = page.locator("#brief tbody tr").first.evaluate(
            "row => row.getBoundingClientRect().top + scrollY"
        )
        assert top < lowest, (width, top)
        assert page.evaluate(VISIBLE_WORDS) <= 9_000


def test_every_answer_is_one_step_from_the_brief(watch, page_file: Path) -> None:
    page = watch(page_file).page
    links = page.locator("#brief tbody th a")
    assert links.count() > 8
    for place in range(links.count()):
        link = links.nth(place)
        target = page.locator(f'[id="{link.get_attribute("href")[1:]}"]')
        assert not target.is_visible() or place
        link.click()
        assert target.is_visible() and target.locator("p.answer").first.is_visible()


def test_a_word_is_found_and_its_fold_opened_by_keyboard_alone(watch, page_file: Path) -> None:
    watched = watch(page_file)
    page = watched.page
    field = page.get_by_label("Find a study, an outcome, a word")
    for word in ("quillmere", "key pinch", "forest plot"):
        field.focus()
        page.keyboard.press("Control+A")
        page.keyboard.type(word)
        page.locator("#found li:first-child button", has_text=re.compile(word, re.IGNORECASE)).wait_for()
        assert page.locator("#found-status").inner_text().split()[1].startswith("place")
        page.keyboard.press("ArrowDown")
        assert page.evaluate("document.activeElement.closest('#found') !== null")
        page.keyboard.press("Enter")
        hit = page.locator(".hit")
        assert hit.count() == 1 and hit.is_visible() and word in hit.inner_text().casefold()
        assert page.evaluate("document.activeElement.matches('.hit, summary')")
    field.fill("no such word anywhere")
    page.locator("#found-status", has_text="Nothing found.").wait_for()
    field.press("Escape")
    assert field.input_value() == ""
    assert watched.complaints == []


def test_page_prints_answers_unfolded_and_details_when_opened(watch, page_file: Path, tmp_path: Path) -> None:
    page = watch(page_file).page
    assert 15 < printed_pages(page, tmp_path / "report.pdf") <= 60
    page.emulate_media(media="print")
    assert not page.locator("nav.contents").is_visible()
    assert not page.locator(".finding").is_visible()
    assert not page.locator(".trace").first.is_visible()
    assert page.locator("#results p.answer").first.is_visible()
    assert page.locator("#methods").is_visible()
    numbers = page.locator("#results table.sortable").first
    assert not numbers.is_visible()
    page.emulate_media(media="screen")
    page.get_by_role("button", name="Open all folds").click()
    page.emulate_media(media="print")
    assert numbers.is_visible()


def test_the_brief_prints_on_two_pages_in_type_that_can_be_read(
    watch, demo_report: Path, tmp_path: Path
) -> None:
    """Targets of ours: two A4 pages, no type below 8.5 points, no text on another or cut off."""
    page = watch(demo_report / "brief.html", width=718).page  # the width of A4 between the margins
    assert printed_pages(page, tmp_path / "brief.pdf") <= 2
    page.emulate_media(media="print")
    smallest, wide, lines = page.evaluate(
        """() => {
            const seen = [...document.querySelectorAll("body *")].filter(one => one.checkVisibility()
                && [...one.childNodes].some(node => node.nodeType === 3 && node.data.trim()) && !one.closest(".unseen, .skip"));
            return [Math.min(...seen.map(one => parseFloat(getComputedStyle(one).fontSize))),
                seen.filter(one => one.getBoundingClientRect().right > innerWidth + 1).map(one => one.outerHTML.slice(0, 120)),
                document.querySelectorAll("#brief tbody tr").length];
        }"""
    )
    assert smallest >= 8.5 * 96 / 72 - 0.01
    assert wide == []
    assert lines > 12
    for words in ("Any complication", "Why thumbs come back", "licensed clinicians", "INVENTED"):
        assert page.get_by_text(words).first.is_visible()


@pytest.mark.parametrize("opened", [False, True])
def test_accessibility_engine_finds_nothing(watch, page_file: Path, opened: bool) -> None:
    """Source: the axe-core rules for WCAG 2.2 level AA, contrast and landmarks among them."""
    from axe_playwright_python.sync_playwright import Axe

    page = watch(page_file).page
    if opened:
        page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
    results = Axe().run(page, options={"resultTypes": ["violations"]})
    found = [
        f"{violation['id']}: {violation['nodes'][0]['html'][:200]} ({len(violation['nodes'])})"
        for violation in results.response["violations"]
    ]
    assert found == []
