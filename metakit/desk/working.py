"""Work that takes longer than a page may: done beside the requests, and told while it is done."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from metakit.errors import MetakitError

AT_ONCE = 0.3
"""Seconds that a post waits for its work: what is done by then needs no page that tells of it."""


@dataclass(slots=True, kw_only=True)
class Task:
    """One piece of work.

    `now` says what is being done, `refused` why it could not be carried out; `digest` is the hash of the
    files that it was begun with.
    """

    digest: str
    now: str = ""
    refused: str = ""
    started: float = field(default_factory=time.monotonic)
    done: threading.Event = field(default_factory=threading.Event)

    @property
    def seconds(self) -> int:
        """Return for how long it has been at work."""
        return int(time.monotonic() - self.started)

    def say(self, what: str) -> None:
        """Take note of what is being done now."""
        self.now = what


@dataclass(slots=True)
class Tasks:
    """The long work of one desk, at most one piece of each name at a time."""

    _found: dict[str, Task] = field(default_factory=dict)
    _guard: threading.Lock = field(default_factory=threading.Lock)

    def begin(
        self, name: str, digest: str, work: Callable[[Callable[[str], None]], object], *, writes: bool
    ) -> Task:
        """Begin a piece of work, or return the one of this name that is not done yet.

        Parameters
        ----------
        name : str
        digest : str
            Hash of the files that it rests on.
        work : callable
            Is given a function to tell what it does; a `MetakitError` of it is told where the work is shown.
        writes : bool
            Whether it writes files: the desk does not end before such work is done.
        """
        with self._guard:
            old = self._found.get(name)
            if old is not None and not old.done.is_set():
                return old
            task = self._found[name] = Task(digest=digest)
        thread = threading.Thread(
            target=_carry_out, args=(task, work), name=f"desk {name}", daemon=not writes
        )
        thread.start()
        task.done.wait(AT_ONCE)
        return task

    def running(self, name: str) -> Task | None:
        """Return the work of this name that is not done yet."""
        with self._guard:
            task = self._found.get(name)
        return task if task is not None and not task.done.is_set() else None

    def why_not(self, name: str, digest: str) -> str:
        """Say why the last work of this name could not be carried out, while its files are the same."""
        with self._guard:
            task = self._found.get(name)
        return task.refused if task is not None and task.done.is_set() and task.digest == digest else ""


def _carry_out(task: Task, work: Callable[[Callable[[str], None]], object]) -> None:
    try:
        work(task.say)
    except MetakitError as error:
        task.refused = why_no_answers(error)
    except OSError as error:
        task.refused = f"{error.strerror or error}: nothing was changed"
    except Exception as error:
        task.refused = f"a fault of the desk ({type(error).__name__})"
    finally:
        task.done.set()


def why_no_answers(error: MetakitError) -> str:
    """Say in one sentence why a review gives no answers yet."""
    problems = getattr(error, "problems", ())
    wrong = [problem for problem in problems if problem.severity == "error"]
    if not wrong:
        return str(error)
    first = wrong[0]
    more = f"; {len(wrong) - 1} more" if len(wrong) > 1 else ""
    return f"{first.file}: {first.field + ': ' if first.field else ''}{first.what}{more}"
