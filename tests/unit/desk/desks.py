"""Desks for tests: the application asked in this process, as a browser that was let in would ask it."""

from __future__ import annotations

import shutil
import warnings
from pathlib import Path
from typing import Any

with warnings.catch_warnings():
    # Starlette's client works with httpx and says that it would rather have another package.
    warnings.filterwarnings("ignore", message=".*httpx.*")
    from starlette.testclient import TestClient

from metakit.desk.application import application
from metakit.desk.guard import Keys
from metakit.desk.state import Desk

ROOT = Path(__file__).parents[3]
PORT = 50123


class Visitor:
    """A browser that was let in; `get` and `post` send what its pages would send."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.keys = Keys(port=PORT)
        self.client = TestClient(
            application(desk, self.keys), base_url=f"http://127.0.0.1:{PORT}", raise_server_exceptions=True
        )
        self.client.cookies.set(self.keys.cookie, self.keys.secret)

    def get(self, path: str, **more: Any) -> Any:
        return self.client.get(path, **{"follow_redirects": False, **more})

    def post(self, path: str, fields: dict[str, str] | None = None, **headers: str) -> Any:
        sent = {"origin": self.keys.origin, "sec-fetch-site": "same-origin", **headers}
        return self.client.post(path, data=fields or {}, headers=sent, follow_redirects=False)


def demo_review(folder: Path) -> Path:
    shutil.copytree(ROOT / "demo_studies", folder)
    return folder


def visitor(folder: Path, person: str = "AB") -> Visitor:
    return Visitor(Desk(folder=folder, person=person, port=PORT))
