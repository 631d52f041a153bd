"""Nobody but the desk's own pages is answered, and every answer carries the headers."""

from __future__ import annotations

from pathlib import Path

import anyio
import pytest
from starlette.types import Message, Receive, Scope, Send

from metakit.desk.guard import CONTENT_SECURITY, HEADERS, Guard, Keys
from metakit.desk.registry import PAGES
from metakit.review.new import new_review
from tests.unit.desk.desks import PORT, Visitor, visitor

ROUTES = sorted({(method, route.path) for page in PAGES for route in page.routes for method in route.methods})


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return new_review(tmp_path_factory.mktemp("desk") / "review", record=False)


@pytest.fixture
def one(review: Path) -> Visitor:
    return visitor(review)


def filled(path: str) -> str:
    return "/".join("x" if part.startswith("{") else part for part in path.split("/"))


@pytest.mark.parametrize(("method", "path"), ROUTES, ids=str)
def test_every_route_carries_the_headers_and_asks_for_cookie_and_origin(
    one: Visitor, method: str, path: str
) -> None:
    """Source: W3C CSP level 3 and Fetch Metadata; OWASP's cheat sheet on forged requests."""
    url = filled(path)
    answer = one.client.request(method, url, follow_redirects=False, headers={"origin": one.keys.origin})
    for name, value in HEADERS.items():
        if name != "content-security-policy":
            assert answer.headers[name] == value
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")
    assert "server" not in answer.headers
    if method == "POST":
        for headers in (
            {},
            {"origin": "null"},
            {"origin": "http://127.0.0.1:1"},
            {"origin": "https://example.org"},
        ):
            assert one.client.post(url, headers=headers).status_code == 403, headers
    one.client.cookies.clear()
    assert one.client.request(method, url, headers={"origin": one.keys.origin}).status_code == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site", "nonsense"])
def test_what_another_page_asks_for_is_refused(one: Visitor, site: str) -> None:
    assert one.get("/", headers={"sec-fetch-site": site}).status_code == 403
    assert one.post("/person", {"initials": "XY"}, **{"sec-fetch-site": site}).status_code == 403
    assert one.desk.person == "AB"


@pytest.mark.parametrize(
    "host", ["localhost:50123", "127.0.0.1", "127.0.0.1:50124", "example.org", "[::1]:50123"]
)
def test_another_host_is_misdirected(one: Visitor, host: str) -> None:
    """Source: RFC 9110, section 15.5.20; a name that was rebound to this address does not reach the desk."""
    assert one.get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("method", ["DELETE", "PUT", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_not_known(one: Visitor, method: str) -> None:
    assert one.client.request(method, "/").status_code == 405


def test_too_much_is_refused_before_it_is_read(one: Visitor) -> None:
    assert one.post("/person", **{"content-length": "900000000"}).status_code == 413
    assert one.post("/person", {"initials": "A" * 1_100_000}).status_code == 413

    def pieces():
        for _ in range(3):
            yield b"x" * 500_000

    sent = one.client.post("/person", content=pieces(), headers={"origin": one.keys.origin})
    assert sent.status_code == 413


def test_key_opens_once(one: Visitor) -> None:
    one.client.cookies.clear()
    key = one.keys.key
    assert one.get("/open?key=wrong").status_code == 403
    opened = one.get(f"/open?key={key}", headers={"sec-fetch-site": "cross-site"})
    assert opened.status_code == 200
    cookie = opened.headers["set-cookie"]
    assert cookie.startswith(f"metakit_desk_{PORT}=")
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert opened.headers["content-security-policy"] == CONTENT_SECURITY
    assert one.get("/").status_code == 200
    one.client.cookies.clear()
    assert one.get(f"/open?key={key}").status_code == 403
    assert one.get("/open?key=").status_code == 403


def test_every_key_is_another() -> None:
    assert len({Keys(port=1).key for _ in range(50)} | {Keys(port=1).secret for _ in range(50)}) == 100


@pytest.mark.parametrize(
    "path",
    [
        "/static/../guard.py",
        "/static/..%2fguard.py",
        "/static/%2e%2e/guard.py",
        "/static//etc/passwd",
        "/static/",
        "/etc/passwd",
    ],
)
def test_no_path_leads_out(one: Visitor, path: str) -> None:
    assert one.get(path).status_code == 404


def test_half_a_request_does_nothing(one: Visitor) -> None:
    """A browser that goes in mid-send must not save "1" where "12" was typed."""
    keys, reached, answered = Keys(port=PORT), [], []

    async def inner(scope: Scope, receive: Receive, send: Send) -> None:
        reached.append(await receive())

    async def send(message: Message) -> None:
        answered.append(message)

    def sending(*messages: Message) -> Receive:
        waiting = list(messages)

        async def receive() -> Message:
            return waiting.pop(0)

        return receive

    headers = {
        "host": f"127.0.0.1:{PORT}", "origin": keys.origin, "cookie": f"{keys.cookie}={keys.secret}",
        "content-length": "9",
    }  # fmt: skip
    scope = {
        "type": "http", "method": "POST", "path": "/person", "query_string": b"",
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
    }  # fmt: skip
    part = {"type": "http.request", "body": b"events=1", "more_body": True}
    anyio.run(Guard(inner, keys), scope, sending(part, {"type": "http.disconnect"}), send)
    assert reached == [] and answered == []
    last = {"type": "http.request", "body": b"2", "more_body": False}
    anyio.run(Guard(inner, keys), scope, sending(part, last), send)
    assert reached[0]["body"] == b"events=12"
