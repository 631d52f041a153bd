"""Run the command line: as ``python -m metakit`` and as the command ``metakit``.

A wish to stop (Ctrl-C) is obeyed from the first import on.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
from types import FrameType

STOPPED = 130
AGAIN = 0.3  # seconds
_asked: list[int] = []
"""Signals to stop that came in."""
MODULES = 400_000
"""New objects between two searches for rubbish: a command makes many and keeps nearly all until its end."""


def main() -> None:
    """Run the command line and end the process with its exit status; a stopped one ends at once."""
    gc.set_threshold(MODULES)
    # Our matrices are small: threads that wait for work take longer than they save.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            signal.signal(signal.SIGINT, _stop)
            sys.unraisablehook = _quiet
            if hasattr(signal, "SIGALRM"):
                signal.signal(signal.SIGALRM, _stop)
        from metakit.cli.app import app_for
        from metakit.cli.support.running import run
        from metakit.cli.support.unused_parts import leave_unused_parts

        leave_unused_parts()
        status = run(app_for(sys.argv[1:]), None)
        if _asked and status != STOPPED:  # whoever was called back swallowed it
            status = _told()
    except KeyboardInterrupt:
        status = _told()
    if status == STOPPED:
        _end(status)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the work is done
    gc.freeze()  # the process ends: its last search for rubbish would look at everything that was made
    sys.exit(status)


def _stop(number: int, frame: FrameType | None) -> None:
    _asked.append(number)
    # Raised inside a callback, an exception can be swallowed by whoever called back: it is raised again.
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, AGAIN)
    raise KeyboardInterrupt


def _quiet(unraisable: sys.UnraisableHookArgs) -> None:
    """Say nothing of a wish to stop that arrived inside a callback; it is obeyed all the same."""
    if not isinstance(unraisable.exc_value, KeyboardInterrupt):
        sys.__unraisablehook__(unraisable)


def _told() -> int:
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, 0)
    sys.stderr.write("metakit: stopped; nothing half-written was left behind\n")
    return STOPPED


def _end(status: int) -> None:
    """End now, and the processes that share the work with us; their clean-up would wait for them."""
    import multiprocessing

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for child in multiprocessing.active_children():
        child.terminate()
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            continue
    os._exit(status)


if __name__ == "__main__":
    main()
