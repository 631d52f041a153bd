"""The desk as a process: it prints an address, answers there alone, is found again, and ends when asked."""

from __future__ import annotations

import http.client
import os
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path, PureWindowsPath
from types import SimpleNamespace
from typing import ClassVar
from urllib.parse import urlsplit

import pytest

from metakit.desk.serving import (
    Memory,
    listening_socket,
    memory_file,
    recall,
    remember,
    shared_folder,
    state_folder,
)


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state"


class Served:
    def __init__(self, folder: Path, *more: str) -> None:
        command = [sys.executable, "-m", "metakit", "desk", str(folder), "--no-browser", *more]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        self.address = self.process.stdout.readline().strip()
        self.port = urlsplit(self.address).port
        self.cookie = ""

    def ask(self, path: str, method: str = "GET", body: str = "", **headers: str) -> tuple[int, str]:
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        sent = {"cookie": self.cookie, "origin": f"http://127.0.0.1:{self.port}", **headers}
        if body:
            sent["content-type"] = "application/x-www-form-urlencoded"
        line.request(method, path, body or None, sent)
        answer = line.getresponse()
        text = answer.read().decode()
        if found := answer.getheader("set-cookie"):
            self.cookie = found.partition(";")[0]
        line.close()
        return answer.status, text

    def open(self) -> None:
        parts = urlsplit(self.address)
        assert self.ask(f"{parts.path}?{parts.query}")[0] == 200

    def end(self, sign: int = signal.SIGINT) -> int:
        self.process.send_signal(sign)
        status = self.process.wait(20)
        self.process.communicate()
        return status


@pytest.fixture
def serve(state: Path) -> Iterator[object]:
    started: list[Served] = []

    def start(folder: Path, *more: str) -> Served:
        started.append(Served(folder, *more))
        return started[-1]

    yield start
    for one in started:
        if one.process.poll() is None:
            one.process.kill()
        one.process.communicate()


@pytest.mark.lengthy
def test_a_new_folder_becomes_a_review_that_is_served_and_found_again(serve, tmp_path: Path) -> None:
    served = serve(tmp_path / "review")
    assert served.ask("/")[0] == 403
    served.open()
    assert served.ask("/")[0] == 303  # who is at the desk?
    assert served.ask("/person", "POST", "initials=KL")[0] == 200
    assert served.ask("/")[0] == 200
    assert served.end() == 130
    again = serve(tmp_path / "review")
    assert again.port == served.port
    again.cookie = served.cookie
    assert again.ask("/")[0] == 200  # an open page goes on, and KL still sits there
    assert again.ask("/close", "POST", "sure=yes")[0] == 200
    assert again.process.wait(20) == 0


@pytest.mark.lengthy
def test_it_listens_on_the_loopback_address_alone(serve, tmp_path: Path) -> None:
    served = serve(tmp_path / "review")
    table = Path("/proc/net/tcp")
    if not table.exists():
        pytest.skip("no table of sockets on this system")
    listening = [line.split() for line in table.read_text().splitlines()[1:]]
    mine = [row[1] for row in listening if row[3] == "0A" and int(row[1].split(":")[1], 16) == served.port]
    assert mine == [f"0100007F:{served.port:04X}"]


def test_memory_is_private_and_ends_after_twelve_hours(state: Path, tmp_path: Path, monkeypatch) -> None:
    remember(tmp_path, Memory(port=50321, secret="s", person="AB"))  # noqa: S106
    path = memory_file(tmp_path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert recall(tmp_path) == Memory(port=50321, secret="s", person="AB")  # noqa: S106
    later = time.time() + 12 * 3600 + 1
    monkeypatch.setattr(time, "time", lambda: later)
    assert recall(tmp_path) == Memory(person="AB")
    path.write_text("{")
    assert recall(tmp_path) == Memory()


def test_a_port_in_use_gives_another_one() -> None:
    first, _ = listening_socket(0)
    port = first.getsockname()[1]
    second, same = listening_socket(port)
    assert not same
    assert second.getsockname()[1] != port
    assert second.getsockname()[0] == "127.0.0.1"
    first.close()
    second.close()
    again, same = listening_socket(port)
    assert same
    again.close()
    with pytest.raises(OSError, match=r"refused|timed out"), socket.create_connection(("127.0.0.1", port), 2):
        pass


class Recorded(socket.socket):
    """A socket of this system that takes note of its options and knows one of Windows."""

    options: ClassVar[list[int]] = []

    def setsockopt(self, level: int, option: int, value: int) -> None:  # type: ignore[override]
        Recorded.options.append(option)
        if option != WINDOWS_ALONE:
            super().setsockopt(level, option, value)


WINDOWS_ALONE = -5
"""SO_EXCLUSIVEADDRUSE, the complement of SO_REUSEADDR. Source: winsock2.h of the Windows SDK, from memory."""


@pytest.mark.parametrize("windows", [True, False])
def test_no_other_program_takes_the_address_over(monkeypatch: pytest.MonkeyPatch, windows: bool) -> None:
    """On Windows SO_REUSEADDR would let it; there the address is asked for alone. Patched, not run there."""
    Recorded.options.clear()
    if windows:
        monkeypatch.setattr(socket, "SO_EXCLUSIVEADDRUSE", WINDOWS_ALONE, raising=False)
    monkeypatch.setattr(socket, "socket", Recorded)
    found, _ = listening_socket(0)
    found.close()
    assert Recorded.options == [WINDOWS_ALONE if windows else socket.SO_REUSEADDR]


@pytest.mark.parametrize(
    ("system", "told", "where"),
    [
        ("win32", {"LOCALAPPDATA": "local"}, "local/metakit"),
        ("win32", {}, "home/AppData/Local/metakit"),
        ("darwin", {}, "home/Library/Application Support/metakit"),
        ("linux", {"XDG_STATE_HOME": "state"}, "state/metakit"),
        ("linux", {}, "home/.local/state/metakit"),
    ],
)
def test_each_system_has_its_place_for_what_is_remembered(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, system: str, told: dict[str, str], where: str
) -> None:
    """The platform is patched; nothing was run on Windows or macOS."""
    monkeypatch.setattr(sys, "platform", system)
    monkeypatch.setattr(Path, "home", lambda: tmp_path / "home")
    for name in ("LOCALAPPDATA", "XDG_STATE_HOME"):
        monkeypatch.delenv(name, raising=False)
    for name, folder in told.items():
        monkeypatch.setenv(name, str(tmp_path / folder))
    assert state_folder() == tmp_path / where
    remember(tmp_path, Memory(port=50321, secret="s", person="AB"))  # noqa: S106
    assert recall(tmp_path).port == 50321
    assert [path.parent for path in (tmp_path / where).iterdir()] == [tmp_path / where]


def test_folders_on_the_network_of_other_systems_are_pointed_out(tmp_path: Path) -> None:
    share = SimpleNamespace(resolve=lambda: PureWindowsPath(r"\\ward\reviews\thumbs"))
    assert shared_folder(share) == "this is a folder on the network"  # type: ignore[arg-type]
    mac = tmp_path / "Library" / "Mobile Documents" / "com~apple~CloudDocs" / "review"
    assert "synchronised" in shared_folder(mac)


def test_synchronised_folders_are_pointed_out(tmp_path: Path) -> None:
    assert "synchronised" in shared_folder(tmp_path / "OneDrive - Ward" / "review")
    assert shared_folder(tmp_path) == "" or os.environ.get("CI")
