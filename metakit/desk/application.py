"""The application: the routes of all pages, static files, what is said when something is not there."""

from __future__ import annotations

from importlib.resources import files

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from metakit.core.nouns import nouns
from metakit.desk.guard import Guard, Keys
from metakit.desk.page import Page
from metakit.desk.registry import PAGES
from metakit.desk.shell import whole_page
from metakit.desk.state import Desk
from metakit.errors import MetakitError

KINDS = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}


def application(desk: Desk, keys: Keys, pages: tuple[Page, ...] = PAGES) -> ASGIApp:
    """Return the whole desk, guarded."""
    for name in ("study", "protocol"):  # read before the first request, not by two of them at once
        desk.library.form(name)
    routes = [route for page in pages for route in page.routes]
    app = Starlette(
        routes=[*routes, Route("/static/{name}", _static, methods=["GET"])],
        exception_handlers={HTTPException: _told, MetakitError: _told, Exception: _broken, OSError: _told},
    )
    app.router.redirect_slashes = False
    app.state.desk, app.state.pages = desk, pages
    return Guard(app, keys)


def _static(request: Request) -> Response:
    name = request.path_params["name"]
    found = {item.name: item for item in files("metakit.desk").joinpath("static").iterdir() if item.is_file()}
    if name not in found or name.rpartition(".")[2] not in KINDS:
        raise HTTPException(404, "there is no such file")
    return Response(found[name].read_bytes(), media_type=KINDS[name.rpartition(".")[2]])


def _told(request: Request, error: Exception) -> Response:
    """Tell what is wrong: on a page of the desk, or to the script as JSON."""
    status, what = 422, str(error)
    if isinstance(error, HTTPException):
        status, what = error.status_code, error.detail
    elif isinstance(error, OSError):
        status, what = 507, f"{error.strerror or error}: nothing was changed"
    return _answer(request, status, what)


def _broken(request: Request, error: Exception) -> Response:
    """Tell of a fault of the desk itself; its kind is named, never a value."""
    return _answer(request, 500, f"a fault of the desk ({type(error).__name__}); nothing was changed by it")


def _answer(request: Request, status: int, what: str) -> Response:
    what = nouns().said(what)
    if request.method == "POST":
        return JSONResponse({"refused": what}, status_code=status)
    if "text/html" not in request.headers.get("accept", "text/html"):
        return PlainTextResponse(what, status)
    app = request.app
    frame = {"desk": app.state.desk, "url": request.url.path, "pages": app.state.pages}
    heading = "Not here" if status == 404 else "This did not work"
    return whole_page("told.html.j2", heading, frame, {"heading": heading, "what": what}, status)
