"""What long work is doing now, asked for by the page that waits for it."""

from __future__ import annotations

from starlette.responses import JSONResponse, Response

from metakit.desk.page import Asked, Page, not_here, shown

HOMES = {"certainty": "/certainty", "report": "/report", "department": "/department"}
"""Where each long work is begun, waited for and shown."""


def waiting(asked: Asked, name: str, title: str, what: str) -> Response | None:
    """Return the page that tells what is being done, and moves on by itself; None when nothing is."""
    task = asked.desk.tasks.running(name)
    if task is None:
        return None
    return asked.page(
        "working.html.j2",
        title,
        heading=title,
        what=what,
        now=task.now,
        look=f"/work/{name}",
        home=HOMES[name],
    )


def _look(asked: Asked) -> Response:
    name = asked.path["name"]
    if name not in HOMES:
        raise not_here("the desk has no such work")
    task = asked.desk.tasks.running(name)
    if task is None:
        return JSONResponse({"go": HOMES[name]})
    return JSONResponse({"now": task.now, "seconds": task.seconds})


PAGE = Page(name="working", routes=(shown("/work/{name}", _look),), scripts=("working.js",))
