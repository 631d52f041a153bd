"""A real browser for the tests of this folder: Debian's Chromium, driven by Playwright.

Without Chromium the tests are skipped and say so; `.ci/run` installs it and sets METAKIT_BROWSER=required, which
makes a missing browser a failure.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
UNFINISHED = "DEMO-01_quillmere"
NAMES = ("chromium", "chromium-browser", "google-chrome")


@pytest.fixture(scope="session")
def browser() -> Iterator[object]:
    """Return a headless browser."""
    program = next((found for found in map(shutil.which, NAMES) if found), None)
    if program is None:
        missing = f"no browser on this machine: none of {', '.join(NAMES)} is on the path"
        if os.environ.get("METAKIT_BROWSER") == "required":
            pytest.fail(missing)
        pytest.skip(missing)
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=30_000)  # how long a busy machine may take says nothing about the pages
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield started
        started.close()


class Watched:
    """A page with what it asked for and complained about."""

    def __init__(self, browser, width: int, height: int) -> None:
        self.context = browser.new_context(viewport={"width": width, "height": height})
        self.page = self.context.new_page()
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.complaints.append(f"error: {error}"))
        self.page.on("request", lambda request: self.requests.append(request.url))


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[object]:
    """A desk on the invented review, with a record of AB that is not handed in."""
    from tests.browser.desks import Listening

    folder = tmp_path / "review"
    shutil.copytree(ROOT / "demo_studies", folder)
    home = folder / "extractors" / "AB"
    (home / "unfinished").mkdir()
    (home / f"{UNFINISHED}.yaml").rename(home / "unfinished" / f"{UNFINISHED}.yaml")
    listening = Listening(folder, "AB")
    yield listening
    listening.stop()


@pytest.fixture
def watch(browser) -> Iterator[object]:
    """Return a function that opens a file at a width and watches it."""
    opened: list[Watched] = []

    def open_file(path: Path, *, width: int = 1280, height: int = 900) -> Watched:
        watched = Watched(browser, width, height)
        opened.append(watched)
        watched.page.goto(path.as_uri())
        return watched

    yield open_file
    for watched in opened:
        watched.context.close()
