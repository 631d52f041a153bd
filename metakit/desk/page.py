"""What a page of the desk is, and what it is given when somebody asks for it."""

from __future__ import annotations

import functools
import json
import mimetypes
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from metakit.core.nouns import nouns
from metakit.core.places import name_fault
from metakit.desk.shell import whole_page

if TYPE_CHECKING:
    from metakit.desk.state import Desk

SMALL = 1_000_000
"""Bytes that may be posted where a page says nothing else."""

_OPENED = "; ".join(
    (
        "default-src 'none'",
        "style-src 'unsafe-inline'",
        "img-src 'self' data:",
        "font-src data:",
        "base-uri 'none'",
        "form-action 'none'",
    )
)
"""A page carries its styles, figures and fonts in itself; its own policy names its script by hash."""
_ALONE = "frame-ancestors 'none'"


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One page of the desk, or what other pages show at its wish.

    Parameters
    ----------
    name : str
        Its module's name.
    routes : tuple of Route
        Made by `shown` and `posted`.
    label, href : str
        What the navigation says and where it leads; a page without label stands in no navigation.
    scripts, styles : tuple of str
        Files under `static/` that every page loads for it.
    beside : callable, optional
        Given what was asked, the file of a record and the part of it that is filled in, returns what
        stands beside the form (the paper).
    picture : callable, optional
        Given what was asked, the file of a record and the address of a field, returns a picture of the
        place in the paper, or nothing.
    """

    name: str
    routes: tuple[Route, ...]
    label: str = ""
    href: str = ""
    scripts: tuple[str, ...] = ()
    styles: tuple[str, ...] = ()
    beside: Callable[[Asked, str, str], Markup] | None = None
    picture: Callable[[Asked, str, str], Markup] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A request, as a page sees it.

    `path` are the named parts of the address, `query` what follows its question mark, `fields` what a form
    posted, `body` what was posted otherwise.
    """

    desk: Desk
    pages: tuple[Page, ...]
    url: str
    path: Mapping[str, str] = field(default_factory=dict)
    query: Mapping[str, str] = field(default_factory=dict)
    fields: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""

    def page(self, template: str, title: str, **content: Any) -> Response:
        """Return a whole page: a template of the desk within the frame that all pages share."""
        frame = {"desk": self.desk, "url": self.url, "pages": self.pages}
        return whole_page(template, title, frame, content)

    def beside(self, file: str, part: str) -> Markup:
        """Return what other pages put beside the form of a record's part."""
        return Markup().join(page.beside(self, file, part) for page in self.pages if page.beside)

    def picture(self, file: str, address: str) -> Markup:
        """Return pictures of the place in the paper that a field's value was taken from."""
        return Markup().join(page.picture(self, file, address) for page in self.pages if page.picture)


Handler = Callable[[Asked], Response]


def shown(path: str, handler: Handler) -> Route:
    """Return a route that shows something and changes nothing."""
    return Route(path, _endpoint(handler), methods=["GET"])


def posted(path: str, handler: Handler) -> Route:
    """Return a route that changes something; what was posted stands in `fields` or `body`."""
    return Route(path, _endpoint(handler), methods=["POST"])


def go(path: str) -> Response:
    """Answer a post: the script leads to this page of the desk."""
    return JSONResponse({"go": path})


def told(what: str, **more: Any) -> Response:
    """Answer a post whose page stays: the script shows what was done."""
    return JSONResponse({"told": nouns().said(what), **more})


def refused(what: str, status: int = 422, **more: Any) -> Response:
    """Answer a post that was not carried out: the script shows why, where the person is."""
    return JSONResponse({"refused": nouns().said(what), **more}, status_code=status)


def elsewhere(path: str) -> Response:
    """Lead to another page of the desk."""
    return RedirectResponse(path, status_code=303)


def not_here(what: str) -> HTTPException:
    """Return the exception for something that the review does not hold."""
    return HTTPException(404, what)


def written_file(desk: Desk, home: Path, name: str, policy: Callable[[bytes], str]) -> Response:
    """Return a file that metakit wrote, found among those that are there.

    Parameters
    ----------
    desk : Desk
    home : Path
        The folder that it was written to, within the review.
    name : str
        The file within it.
    policy : callable
        Given the content of a page, returns the policy that it names for itself.
    """
    path = home / name
    hidden = any(part.startswith(".") for part in Path(name).parts)
    if name_fault(name) or hidden or not desk.is_plain(path):
        raise not_here("there is no such file")
    kind = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    content = path.read_bytes()
    chosen = policy(content) if path.suffix == ".html" else _OPENED
    return Response(content, media_type=kind, headers={"content-security-policy": f"{chosen}; {_ALONE}"})


def _endpoint(handler: Handler) -> Callable[[Request], Any]:
    @functools.wraps(handler)
    async def answer(request: Request) -> Response:
        body = await request.body() if request.method == "POST" else b""
        kind = request.headers.get("content-type", "").partition(";")[0].strip()
        fields: dict[str, str] = {}
        if kind == "application/x-www-form-urlencoded":
            fields = _form(body)
        elif kind == "application/json":
            fields = _json(body)
        asked = Asked(
            desk=request.app.state.desk,
            pages=request.app.state.pages,
            url=request.url.path,
            path={name: str(value) for name, value in request.path_params.items()},
            query=dict(request.query_params),
            fields=fields,
            body=body,
        )
        return await run_in_threadpool(handler, asked)

    return answer


def _form(body: bytes) -> dict[str, str]:
    try:
        pairs = parse_qsl(body.decode(), keep_blank_values=True, strict_parsing=False, max_num_fields=2000)
    except ValueError:
        raise HTTPException(400, "this form cannot be read") from None
    found: dict[str, str] = {}
    for name, value in pairs:
        # Several ticked boxes of one name are one text, as in a list typed by hand.
        found[name] = f"{found[name]}\n{value}" if name in found else value
    return found


def _json(body: bytes) -> dict[str, str]:
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        raise HTTPException(400, "this is no JSON") from None
    if not isinstance(found, dict) or not all(isinstance(value, str) for value in found.values()):
        raise HTTPException(400, "a flat group of texts is expected")
    return found
