"""What all commands share: exit status, talk on stderr, answers on stdout."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import typer

from metakit.errors import MetakitError, Problem, ProblemsError


def run(app: typer.Typer, arguments: list[str] | None) -> int:
    """Run the app; a user's mistake becomes one message and its exit status, never a traceback."""
    try:
        app(args=arguments, prog_name="metakit")
    except SystemExit as stop:
        return int(stop.code or 0)
    except ProblemsError as error:
        say_problems(error.problems)
        return error.exit_status
    except MetakitError as error:
        say(f"metakit: {error}")
        return error.exit_status
    except BrokenPipeError:
        # The reader of our output went away (`| head`): not an error of ours.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        say("metakit: stopped; nothing half-written was left behind")
        return 130
    except OSError as error:
        say(f"metakit: {error.strerror or error}" + (f": {error.filename}" if error.filename else ""))
        return 2
    return 0


def say(text: str) -> None:
    """Talk to the person: stderr, so that stdout holds only the answer."""
    typer.echo(text, err=True)


def say_problems(problems: tuple[Problem, ...]) -> None:
    """Show every problem on a line of its own, then count them."""
    for problem in problems:
        say(str(problem))
    errors = sum(problem.severity == "error" for problem in problems)
    answered = sum(problem.severity == "answered" for problem in problems)
    questions = len(problems) - errors - answered
    counts = [
        f"{n} {word}{'' if n == 1 or word == 'answered' else 's'}"
        for n, word in ((errors, "error"), (questions, "question"), (answered, "answered"))
        if n
    ]
    if counts:
        say(f"metakit: {', '.join(counts)}")


def answer_json(value: Any) -> None:
    """Write an answer as JSON; NaN and infinities are a programming error."""
    typer.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


@contextmanager
def progress(as_json: bool = False) -> Iterator[Callable[[str], None]]:
    """Give a function that shows the step at hand on stderr, for work that takes over a second."""
    if as_json or not sys.stderr.isatty():
        yield (lambda text: None) if as_json else say
        return
    from rich.console import Console

    with Console(stderr=True).status("starting", spinner="line") as status:
        yield lambda text: status.update(text)
