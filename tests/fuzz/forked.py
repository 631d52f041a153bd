"""Commands run in forks of one process that has loaded everything: killed, interrupted, or on a full disk.

A fork takes milliseconds, so hundreds of ends can be tried. What is hit is the command's own work, from its
first line on; `tests/cli/test_streams.py` holds the time in which modules are loaded.
"""

from __future__ import annotations

import errno
import gc
import importlib
import json
import os
import pkgutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

ROOT = Path(__file__).resolve().parents[2]
TOUCHING = {
    "os.rename",
    "os.remove",
    "os.mkdir",
    "os.rmdir",
    "os.chmod",
    "os.truncate",
    "os.link",
    "os.symlink",
}
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
How = Literal["count", "kill", "interrupt", "full"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One run: `at` counts events of writing from 0, or is a time in seconds where it is a float."""

    arguments: list[str]
    cwd: str
    how: How = "count"
    at: int | float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    status: int  # negative: the signal
    out: str
    err: str
    events: int
    seconds: float


class Forks:
    """A process with everything loaded; each order runs in a fork of it."""

    def __init__(self) -> None:
        environment = {**os.environ, "SOURCE_DATE_EPOCH": "1768435200", "OPENBLAS_NUM_THREADS": "1"}
        environment["PYTHONPATH"] = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.fuzz.forked"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT, env=environment,
        )  # fmt: skip

    def start(self, order: Order) -> None:
        assert self._process.stdin is not None
        fields = {name: getattr(order, name) for name in Order.__slots__}
        self._process.stdin.write(json.dumps(fields) + "\n")
        self._process.stdin.flush()

    def ended(self) -> Ended:
        assert self._process.stdout is not None
        return Ended(**json.loads(self._process.stdout.readline()))

    def run(
        self, arguments: list[str], cwd: Path, how: How = "count", at: int | float | None = None
    ) -> Ended:
        self.start(Order(arguments=arguments, cwd=str(cwd), how=how, at=at))
        return self.ended()

    def close(self) -> None:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(60)
        self._process.stdout.close()


def load_everything() -> None:
    """Import every module of metakit and what it loads inside functions, so that forks need not."""
    import metakit

    for module in pkgutil.walk_packages(metakit.__path__, "metakit."):
        if not module.name.endswith(("__main__", ".child")):
            importlib.import_module(module.name)
    for name in (
        "docx",
        "openpyxl",
        "xlsxwriter",
        "matplotlib.pyplot",
        "statsmodels.api",
        "filelock",
        "rich.console",
    ):
        importlib.import_module(name)
    importlib.import_module("typer._adapters")
    from typer.main import get_command

    from metakit.cli.app import app_for
    from metakit.forms.library import shipped

    get_command(app_for())
    for path in sorted(
        (ROOT / "extraction_forms").glob("*.yaml")
    ):  # what comes with metakit, and nobody's files
        shipped().form(path.stem)


class _Watch:
    """Counts what touches files below a folder, and does at one of these events what was ordered."""

    def __init__(self, order: Order, tally: int) -> None:
        self.order, self.tally, self.seen = order, tally, 0
        self.below = os.path.realpath(order.cwd) + os.sep
        self.going = True

    def __call__(self, event: str, arguments: tuple[Any, ...]) -> None:
        if not self.going or not (event in TOUCHING or (event == "open" and self._writes(arguments))):
            return
        if not isinstance(arguments[0], (str, bytes, os.PathLike)):
            return
        path = str(Path.cwd() / os.fsdecode(arguments[0]))
        if not path.startswith(self.below):
            return
        number, self.seen = self.seen, self.seen + 1
        os.pwrite(self.tally, str(self.seen).encode(), 0)
        at = self.order.at
        if not isinstance(at, int) or (number != at if self.order.how != "full" else number < at):
            return
        if self.order.how == "full" and event not in ("os.remove", "os.rmdir", "os.rename", "os.chmod"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), os.fsdecode(arguments[0]))
        if self.order.how in ("kill", "interrupt"):
            os.kill(os.getpid(), signal.SIGKILL if self.order.how == "kill" else signal.SIGINT)

    @staticmethod
    def _writes(arguments: tuple[Any, ...]) -> bool:
        mode, flags = arguments[1], arguments[2]
        return bool(set(mode) & set("wax+")) if isinstance(mode, str) else bool((flags or 0) & WRITING)


def _child(order: Order, out: Path, err: Path, tally: int) -> None:
    """Be the command."""
    for path, number in ((out, 1), (err, 2)):
        os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), number)
    os.chdir(order.cwd)
    sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 - until the end
    sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    sys.__stdout__, sys.__stderr__ = sys.stdout, sys.stderr  # type: ignore[misc]
    sys.argv = ["metakit", *order.arguments]
    signal.signal(signal.SIGINT, signal.default_int_handler)
    watch = _Watch(order, tally)
    sys.addaudithook(watch)
    status = 70
    try:
        from metakit.__main__ import main

        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
        main()
    except SystemExit as stop:
        status = int(stop.code or 0)
    except KeyboardInterrupt:  # before the first line of the command: Python itself was starting
        status = 130
        sys.stderr.write("metakit: stopped; nothing half-written was left behind\n")
    except BaseException:
        traceback.print_exc()
    watch.going = False
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(status)


def _serve() -> None:
    load_everything()
    gc.collect()
    gc.freeze()  # forks share what is loaded
    with tempfile.TemporaryDirectory() as scratch:
        for number, line in enumerate(sys.stdin):
            order = Order(**json.loads(line))
            out, err = Path(scratch) / f"{number}.out", Path(scratch) / f"{number}.err"
            out.touch()  # a child may be killed before its first line
            err.touch()
            tally = os.open(Path(scratch) / f"{number}.n", os.O_RDWR | os.O_CREAT | os.O_TRUNC)
            begun = time.monotonic()
            signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})  # until the child is the command
            child = os.fork()
            if child == 0:
                try:
                    _child(order, out, err, tally)
                finally:
                    os._exit(71)
            signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
            if isinstance(order.at, float):
                time.sleep(order.at)
                os.kill(child, signal.SIGKILL if order.how == "kill" else signal.SIGINT)
            _, status = os.waitpid(child, 0)
            events = int(os.pread(tally, 20, 0) or b"0")
            os.close(tally)
            answer = Ended(
                status=os.waitstatus_to_exitcode(status),
                out=out.read_text(encoding="utf-8", errors="replace"),
                err=err.read_text(encoding="utf-8", errors="replace"),
                events=events, seconds=time.monotonic() - begun,
            )  # fmt: skip
            print(json.dumps({name: getattr(answer, name) for name in Ended.__slots__}), flush=True)
            for path in (out, err):
                path.unlink()


if __name__ == "__main__":
    _serve()
