"""Report: made from the review as it stands, opened beside the desk, packed for others."""

from __future__ import annotations

import datetime
from collections.abc import Callable

from starlette.responses import Response

from metakit.core.places import refuse_links
from metakit.desk.closing import REPORT as FOLDER
from metakit.desk.page import Asked, Page, elsewhere, go, posted, shown, written_file
from metakit.desk.pages.working import waiting
from metakit.desk.reviewing import inputs_digest


def _show(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
    page_meanwhile = waiting(asked, "report", "Report", "the report is being made")
    if page_meanwhile is not None:
        return page_meanwhile
    home = asked.desk.folder / FOLDER
    page = home / "report.html"
    made = datetime.datetime.fromtimestamp(page.stat().st_mtime) if page.is_file() else None
    names = [
        (name, words)
        for name, words in (
            ("report.html", "The report"),
            ("brief.html", "The brief, for who has two minutes"),
            ("report.docx", "The report as a Word document"),
            ("report_appendix.docx", "Its appendix as a Word document"),
            ("findings.json", "All numbers, for programs"),
            ("review_bundle.zip", "Review and report in one file"),
        )
        if (home / name).is_file()
    ]
    return asked.page(
        "report.html.j2", "Report", made=made.strftime("%Y-%m-%d %H:%M") if made else "", names=names,
        why_not=asked.desk.tasks.why_not("report", inputs_digest(asked.desk)),
    )  # fmt: skip


def _make(asked: Asked) -> Response:
    from metakit.report.folders.output_folder import check_folder
    from metakit.workbench import open_review

    folder = asked.desk.folder
    wanted = set(asked.fields.get("also", "").split("\n"))

    def work(say: Callable[[str], None]) -> None:
        out = folder / FOLDER
        refuse_links(folder, out)
        check_folder(out)
        found = open_review(folder).synthesise(progress=say)
        found.write_whole_report(out, word="word" in wanted, bundle="bundle" in wanted, progress=say)

    asked.desk.tasks.begin("report", inputs_digest(asked.desk), work, writes=True)
    return go("/report")


def _file(asked: Asked) -> Response:
    """Return a file of the report."""
    from metakit.report.render import IMAGES, page_environment, page_script, security_policy

    def policy(page: bytes) -> str:
        beside = any(image.encode() in page for image in IMAGES)
        return security_policy(page_script(page_environment()), beside=beside)

    return written_file(asked.desk, asked.desk.folder / FOLDER, asked.path["path"], policy)


PAGE = Page(
    name="report",
    label="Report",
    href="/report",
    routes=(shown("/report", _show), posted("/report", _make), shown("/report/file/{path:path}", _file)),
)
