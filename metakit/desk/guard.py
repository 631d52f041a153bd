"""What is checked before any page sees a request, and what every answer carries.

The desk listens on the loopback address alone. Another program or a page of the web may still send requests
there; none of them knows the key, has the cookie, and names the desk as where it comes from.
"""

from __future__ import annotations

import hmac
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from secrets import token_urlsafe
from typing import Any
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from metakit.desk.page import SMALL

CONTENT_SECURITY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
    )
)
HEADERS = {
    "content-security-policy": CONTENT_SECURITY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
LARGE = {"/reports": 52_428_800, "/find/import": 52_428_800}
"""Bytes that may be posted to these addresses; elsewhere it is `SMALL`."""
_OPENED = (
    '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>The desk opens</title>'
    '<link rel="icon" href="/static/desk.svg">'
    '<meta http-equiv="refresh" content="0;url=/"></head><body><main><h1>The desk opens</h1>'
    '<p><a href="/">Go to the desk</a></p></main></body></html>'
)


@dataclass(slots=True, kw_only=True)
class Keys:
    """The key that opens the desk once, and the secret that a browser which opened it carries."""

    port: int
    key: str = field(default_factory=lambda: token_urlsafe(32))
    secret: str = field(default_factory=lambda: token_urlsafe(32))

    @property
    def cookie(self) -> str:
        """Return the cookie's name: cookies know no ports, so it carries the port."""
        return f"metakit_desk_{self.port}"

    @property
    def origin(self) -> str:
        """Return how the desk's own pages name where they come from."""
        return f"http://127.0.0.1:{self.port}"

    def use(self, key: str) -> bool:
        """Say whether this is the key, which holds no second time."""
        if self.key and hmac.compare_digest(key.encode(), self.key.encode()):
            self.key = ""
            return True
        return False


class Guard:
    """Refuses what does not come from the desk's own pages, and puts the headers on every answer."""

    def __init__(self, inner: ASGIApp, keys: Keys) -> None:
        self.inner, self.keys = inner, keys

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through or answer it here."""
        if scope["type"] == "lifespan":
            await self.inner(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no other protocol is spoken: the server closes the connection
        headers = Headers(scope=scope)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                found = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    if name not in found:
                        found[name] = value
                if "server" in found:
                    del found["server"]
            await send(message)

        answer = self._refused(scope, headers)
        if answer is None and scope["path"] == "/open":
            answer = self._open(scope)
        if answer is not None:
            await answer(scope, receive, send_with_headers)
            return
        limit = LARGE.get(scope["path"], SMALL)
        try:
            body = await _body(receive, limit) if scope["method"] == "POST" else b""
        except _GoneError:
            return  # half a request is none: a number cut short would be another number
        if body is None:
            await _too_much(limit)(scope, receive, send_with_headers)
            return
        await self.inner(scope, _given(body, receive), send_with_headers)

    def _refused(self, scope: Scope, headers: Headers) -> Response | None:
        """Return the refusal of a request, or None."""
        method, path = scope["method"], scope["path"]
        if headers.getlist("host") != [f"127.0.0.1:{self.keys.port}"]:
            return PlainTextResponse("this desk answers only at its own address", 421)
        if method not in ("GET", "HEAD", "POST"):
            return PlainTextResponse("only GET and POST are known here", 405, {"allow": "GET, POST"})
        if len(path) > 2000 or len(scope.get("query_string", b"")) > 8000:
            return PlainTextResponse("this address is too long", 414)
        site = headers.get("sec-fetch-site", "none")
        if path != "/open" and site not in ("none", "same-origin"):
            return PlainTextResponse("asked for by another page", 403)
        if path != "/open" and not self._known(headers):
            return HTMLResponse(_CLOSED, 403)
        if method == "POST":
            if headers.getlist("origin") != [self.keys.origin] or site not in ("none", "same-origin"):
                return PlainTextResponse("sent by another page", 403)
            limit = LARGE.get(path, SMALL)
            length = headers.get("content-length", "0")
            if not length.isdecimal() or int(length) > limit:
                return _too_much(limit)
        return None

    def _known(self, headers: Headers) -> bool:
        try:
            jar: SimpleCookie = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return False
        found = jar.get(self.keys.cookie)
        return found is not None and hmac.compare_digest(found.value.encode(), self.keys.secret.encode())

    def _open(self, scope: Scope) -> Response:
        query = parse_qs(scope.get("query_string", b"").decode("ascii", "replace"))
        if scope["method"] != "GET" or not self.keys.use(query.get("key", [""])[0]):
            return HTMLResponse(_CLOSED, 403)
        # The browser goes on from a page of the desk: a strict cookie is not sent along another page's way.
        answer = HTMLResponse(_OPENED)
        answer.set_cookie(self.keys.cookie, self.keys.secret, httponly=True, samesite="strict", path="/")
        return answer


_CLOSED = (
    '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>The desk is closed here</title></head>'
    "<body><main><h1>The desk is closed here</h1><p>This browser has not been let in, or the key was used "
    "before. Start <code>metakit desk</code> again and open the address that it prints.</p>"
    "</main></body></html>"
)


def _too_much(limit: int) -> Response:
    return PlainTextResponse(f"more than {limit // 1_000_000} MB are not taken here", 413)


class _GoneError(Exception):
    """The other side went before all of its request had come."""


async def _body(receive: Receive, limit: int) -> bytes | None:
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise _GoneError
        part = message.get("body", b"")
        size += len(part)
        if size > limit:
            return None
        parts.append(part)
        if not message.get("more_body"):
            return b"".join(parts)


def _given(body: bytes, receive: Receive) -> Receive:
    given = False

    async def give() -> Any:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return give
