"""`metakit report --places`: pictures of the invented papers at the paths of numbers, in a real browser."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from playwright.sync_api import expect

from metakit.cli.app import app
from metakit.cli.support.running import run
from metakit.desk.demo_papers import put_papers
from metakit.forms.bundled import demo_studies
from metakit.report.folders.place_files import NOT_BUNDLED
from metakit.review.reports import NOT_HERE, PICTURES_CAUTION
from tests.short_plan import with_only

pytestmark = pytest.mark.walk  # papers are typeset, and a review is carried out three times


def test_a_number_shows_its_place_and_the_report_without_is_as_before(capsys, watch, tmp_path: Path) -> None:
    review, out, plain = tmp_path / "review", tmp_path / "out", tmp_path / "plain"
    shutil.copytree(demo_studies(), review)
    reports = put_papers(review)
    protocol = review / "protocol.yaml"
    protocol.write_text(with_only(protocol.read_text(encoding="utf-8"), ["complications_lrti"]))
    (review / "certainty.yaml").unlink()  # judges analyses that this short plan has not
    away = next(report for report in reports if report.study.startswith("DEMO-01"))
    (review / "reports" / away.file).unlink()

    assert run(app, ["report", str(review), "--out", str(plain)]) == 0
    capsys.readouterr()
    assert run(app, ["report", str(review), "--out", str(out), "--places"]) == 0
    assert PICTURES_CAUTION in capsys.readouterr().err
    text = (out / "report.html").read_text(encoding="utf-8")
    pictures = {f"places/{path.name}" for path in (out / "places").glob("*.png")}
    assert pictures and all(name in text for name in pictures)
    assert "*\n" in (out / "places" / ".gitignore").read_text(encoding="utf-8")
    assert pictures <= set(json.loads((out / "written_files.json").read_text(encoding="utf-8"))["files"])

    watched = watch(out / "report.html")
    page = watched.page
    page.locator("#results article summary").first.click()
    page.locator("summary", has_text="Numbers of each study").first.click()
    seen = set()
    for button in page.locator("button.trace-open").all():
        path = page.locator(f'[id="{button.get_attribute("popovertarget")}"]')
        button.click()
        for image in path.locator("img").all():
            image.scroll_into_view_if_needed()
            seen.add(image.get_attribute("src"))
            page.wait_for_function(
                "image => image.complete && image.naturalWidth > 50", arg=image.element_handle()
            )
            assert "page " in (image.get_attribute("alt") or "")
            line = image.locator("xpath=ancestor::li").inner_text()
            assert (image.get_attribute("alt") or "").removeprefix("Picture of the paper: ") in line
        if path.locator("img").count():
            expect(path).to_contain_text(PICTURES_CAUTION)
        path.get_by_role("button", name="Close").click()
    assert seen == pictures and watched.complaints == []
    first = page.locator('[id^="trace-"]', has_text="DEMO-01").filter(has_text="The paper").first
    assert f"; {NOT_HERE}" in (first.text_content() or "") and first.locator("img").count() == 0

    edited = out / sorted(pictures)[0]
    edited.write_bytes(edited.read_bytes() + b"a note of somebody")
    assert run(app, ["report", str(review), "--out", str(out)]) == 0
    assert edited.name in capsys.readouterr().err
    left = {path.name for path in (out / "places").glob("*.png")}
    assert left == {edited.name}, "stale pictures go, an edited one stays"
    names = {path.relative_to(plain) for path in plain.rglob("*") if path.is_file()}
    assert {name for name in names if (plain / name).read_bytes() != (out / name).read_bytes()} == set()


def test_no_bundle_is_made_with_pictures(capsys, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert run(app, ["report", str(demo_studies()), "--out", str(out), "--places", "--bundle"]) == 2
    assert NOT_BUNDLED in capsys.readouterr().err
    assert not out.exists()
