"""Report: made from the review as it stands, opened beside the desk, packed for others."""

from __future__ import annotations

import datetime
import mimetypes
import threading
from pathlib import Path

from starlette.responses import Response

from metakit.core.places import name_fault, refuse_links
from metakit.desk.page import Asked, Page, elsewhere, go, not_here, posted, refused, shown
from metakit.desk.reviewing import why_no_answers
from metakit.errors import MetakitError

FOLDER = "report"
_ONE = threading.Lock()
_OPENED = "; ".join(
    (
        "default-src 'none'",
        "style-src 'unsafe-inline'",
        "img-src 'self' data:",
        "font-src data:",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)
"""A report carries its styles, figures and fonts in itself; its own policy names its one script by hash."""


def _show(asked: Asked) -> Response:
    if not asked.desk.person:
        return elsewhere("/person")
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
        "report.html.j2", "Report", made=made.strftime("%Y-%m-%d %H:%M") if made else "", names=names
    )


def _make(asked: Asked) -> Response:
    from metakit.report.folders.output_folder import check_folder
    from metakit.workbench import open_review

    if not _ONE.acquire(blocking=False):
        return refused("a report is being made already; wait for it")
    try:
        folder = asked.desk.folder
        out = folder / FOLDER
        refuse_links(folder, out)
        check_folder(out)
        wanted = set(asked.fields.get("also", "").split("\n"))
        open_review(folder).synthesise().write_whole_report(
            out, word="word" in wanted, bundle="bundle" in wanted
        )
    except MetakitError as error:
        return refused(why_no_answers(error))
    finally:
        _ONE.release()
    return go("/report")


def _file(asked: Asked) -> Response:
    """Return a file of the report, found among those that are there."""
    home = asked.desk.folder / FOLDER
    name = asked.path["path"]
    path = home / name
    hidden = any(part.startswith(".") for part in Path(name).parts)
    if name_fault(name) or hidden or not asked.desk.is_plain(path):
        raise not_here("the report has no such file")
    kind = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    headers = {"content-security-policy": _policy(path) if path.suffix in (".html", ".svg") else _OPENED}
    return Response(path.read_bytes(), media_type=kind, headers=headers)


def _policy(path: Path) -> str:
    """Return the policy of a page of the report: the one that it names itself, and no frame around it."""
    from metakit.report.render import page_environment, security_policy, template_source

    if path.suffix != ".html":
        return _OPENED
    script = template_source(page_environment(), "sorting.js")
    return f"{security_policy(script)}; frame-ancestors 'none'"


PAGE = Page(
    name="report",
    label="Report",
    href="/report",
    routes=(shown("/report", _show), posted("/report", _make), shown("/report/file/{path:path}", _file)),
)
