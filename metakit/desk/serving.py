"""Serving the desk: a socket on the loopback address, a key, and what lets open pages find the desk again."""

from __future__ import annotations

import gc
import hashlib
import json
import os
import secrets
import socket
import sys
import tempfile
import threading
import time
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp, Receive, Scope, Send

from metakit.desk.application import application
from metakit.desk.guard import Keys
from metakit.desk.state import Desk

HOURS_REMEMBERED, HOURS_IDLE = 12, 8
_SHARED = ("onedrive", "dropbox", "google drive", "icloud", "nextcloud", "sharepoint", "mobile documents")
_NETWORK = ("nfs", "cifs", "smb", "sshfs", "9p", "davfs")


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """Port, cookie and person of the last desk over a folder, in the user's own state folder (mode 0600)."""

    port: int = 0
    secret: str = ""
    person: str = ""


def state_folder() -> Path:
    """Return where this user's programs keep what they remember."""
    home = Path.home()
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_STATE_HOME") or home / ".local" / "state")
    return base / "metakit"


def memory_file(folder: Path) -> Path:
    """Return where the memory of a review's desk stands."""
    name = hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:16]
    return state_folder() / f"desk-{name}.json"


def recall(folder: Path) -> Memory:
    """Return what is remembered of a folder's last desk; its port and cookie for twelve hours."""
    path = memory_file(folder)
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        person = str(kept["person"])
        if not 0 <= time.time() - float(kept["since"]) < HOURS_REMEMBERED * 3600:
            return Memory(person=person)
        return Memory(port=int(kept["port"]), secret=str(kept["secret"]), person=person)
    except (OSError, ValueError, KeyError, TypeError):
        return Memory()


def remember(folder: Path, memory: Memory) -> None:
    """Keep what a later desk over this folder needs, readable by this user alone; no desk fails for it."""
    path = memory_file(folder)
    kept = {"port": memory.port, "secret": memory.secret, "person": memory.person, "since": time.time()}
    try:
        _write_private(path, json.dumps(kept))
    except OSError:
        return


def listening_socket(port: int) -> tuple[socket.socket, bool]:
    """Return a listening socket of the loopback address, and whether it has the port that was wished for."""
    for wished in dict.fromkeys((port, 0)):
        found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):  # Windows: another program could take the address over
            found.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            found.bind(("127.0.0.1", wished))
            found.listen(64)
        except OSError:
            found.close()
            if wished == 0:
                raise
            continue
        return found, wished == port
    raise AssertionError  # pragma: no cover - the last try returns or raises


def shared_folder(folder: Path) -> str:
    """Say why locks may not hold in this folder; nothing where there is no sign of it."""
    place = str(folder.resolve())
    name = next((part for part in Path(place).parts if part.casefold().startswith(_SHARED)), "")
    if name:
        return f"{name} seems to be a synchronised folder"
    if place.startswith("\\\\"):
        return "this is a folder on the network"
    try:
        mounts = [line.split()[1:3] for line in Path("/proc/mounts").read_text(encoding="utf-8").splitlines()]
    except OSError:  # pragma: no cover - another system
        return ""
    kind = max(((len(at), kind) for at, kind in mounts if Path(place).is_relative_to(at)), default=(0, ""))[1]
    on_network = any(word in kind.casefold() for word in _NETWORK)
    return "this is a folder on the network" if on_network else ""


class _Idle:
    """Takes note of each request, so that a forgotten desk ends by itself."""

    def __init__(self, inner: ASGIApp) -> None:
        self.inner, self.last = inner, time.monotonic()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self.last = time.monotonic()
        await self.inner(scope, receive, send)


def serve(folder: Path, *, browser: bool, say: Callable[[str], None], tell: Callable[[str], None]) -> None:
    """Serve a review's desk until it is closed.

    Parameters
    ----------
    folder : Path
        The review folder; it must exist.
    browser : bool
        Whether the browser is opened.
    say : callable
        Talks to the person.
    tell : callable
        Writes the address: the answer of the command.
    """
    known = recall(folder)
    listening, same = listening_socket(known.port)
    port = listening.getsockname()[1]
    keys = Keys(port=port, **({"secret": known.secret} if same and known.secret else {}))
    first = same or not known.port  # a second desk over the same folder leaves the memory to the first

    def keep(desk: Desk) -> None:
        if first:
            remember(folder, Memory(port=port, secret=keys.secret, person=desk.person))

    desk = Desk(folder=folder, person=known.person, port=port, remember=keep)
    keep(desk)
    idle = _Idle(application(desk, keys))
    config = uvicorn.Config(
        idle, log_level="critical", access_log=False, server_header=False, lifespan="off", ws="none",
        timeout_keep_alive=30, timeout_graceful_shutdown=5,
    )  # fmt: skip
    server = uvicorn.Server(config)
    # A record is some 100,000 small objects without circles; looked through seldom, a save is twice as fast.
    gc.set_threshold(50_000, 20, 50)

    def stop() -> None:
        server.should_exit = True

    desk.close = stop
    address = f"{keys.origin}/open?key={keys.key}"
    tell(address)
    say("The desk listens on this computer alone and sends nothing; Ctrl-C or 'Close the desk' ends it.")
    if why := shared_folder(folder):
        say(f"metakit: {why}; let one person write at a time, for locks do not reach other computers")
    _watch(idle, stop)
    redirect = _open_browser(address) if browser else None
    try:
        server.run(sockets=[listening])
    finally:
        listening.close()
        if redirect is not None:
            redirect.unlink(missing_ok=True)


def _watch(idle: _Idle, stop: Callable[[], None]) -> None:
    def look() -> None:
        while time.monotonic() - idle.last < HOURS_IDLE * 3600:
            time.sleep(60)
        stop()

    threading.Thread(target=look, daemon=True).start()


def _open_browser(address: str) -> Path | None:
    """Open the desk through a private file: a key on the browser's command line could be read by others."""
    page = (
        '<!DOCTYPE html><html lang="en"><meta charset="utf-8"><title>The desk opens</title>'
        f'<meta http-equiv="refresh" content="0;url={escape(address)}">'
        f'<p><a href="{escape(address)}">Go to the desk</a></p></html>'
    )
    path = state_folder() / f"open-{secrets.token_hex(8)}.html"
    try:
        _write_private(path, page)
        webbrowser.open(path.as_uri())
    except (OSError, webbrowser.Error):
        return None
    return path


def _write_private(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")  # readable by the user alone
    with os.fdopen(handle, "w", encoding="utf-8") as stream:
        stream.write(text)
    Path(name).replace(path)
