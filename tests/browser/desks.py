"""A desk that really listens, for the tests in a browser."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import uvicorn

from metakit.desk.application import application
from metakit.desk.guard import Keys
from metakit.desk.serving import listening_socket
from metakit.desk.state import Desk


class Listening:
    """A desk in a thread of this process; `stop` and `start` again keep port, cookie and person."""

    def __init__(self, folder: Path, person: str = "") -> None:
        self.folder, self.person = folder, person
        self.port = 0
        self.keys: Keys | None = None
        self.start()

    def start(self) -> None:
        listening, _ = listening_socket(self.port)
        self.port = listening.getsockname()[1]
        self.keys = Keys(port=self.port, **({"secret": self.keys.secret} if self.keys else {}))
        self.desk = Desk(folder=self.folder, person=self.person, port=self.port)
        config = uvicorn.Config(
            application(self.desk, self.keys), log_level="critical", lifespan="off", ws="none",
            timeout_graceful_shutdown=2,
        )  # fmt: skip
        self.server = uvicorn.Server(config)
        self.socket = listening
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [listening]}, daemon=True)
        self.thread.start()
        while not self.server.started:
            time.sleep(0.01)

    def stop(self) -> None:
        self.person = self.desk.person
        self.server.should_exit = True
        self.thread.join(20)
        self.socket.close()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def opening(self) -> str:
        assert self.keys is not None
        return f"{self.address}/open?key={self.keys.key}"


def violations(page: Any) -> list[str]:
    """Return what axe finds wrong. Source: the axe-core rules for WCAG 2.2 level AA."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html'][:160]}" for one in found]


Walk = Callable[[Any], None]
