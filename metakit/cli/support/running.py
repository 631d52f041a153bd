"""What all commands share: exit status, talk on stderr, answers on stdout."""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any, cast

import typer
import typer.main

from metakit.cli.support.terminal import PlainStream
from metakit.core.seals import Placed
from metakit.errors import MetakitError, Problem, ProblemsError, UsageError

STOPPED = 130
_Misuse: type[Any] = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")


def run(app: typer.Typer, arguments: list[str] | None) -> int:
    """Run the app; a user's mistake becomes one message and its exit status, never a traceback.

    What is written to the terminal holds no control characters, whatever the files hold.
    """
    with _somewhere():
        return _run_plain(app, arguments)


@contextmanager
def _somewhere() -> Iterator[None]:
    """Give the streams that the caller closed (`>&-`) somewhere to write to."""
    if None not in (sys.stdout, sys.stderr):
        yield
        return
    with (
        Path(os.devnull).open("w", encoding="utf-8") as nowhere,
        redirect_stdout(sys.stdout or nowhere),
        redirect_stderr(sys.stderr or nowhere),
    ):
        yield


def _run_plain(app: typer.Typer, arguments: list[str] | None) -> int:
    out, err = PlainStream(sys.stdout), PlainStream(sys.stderr)
    with redirect_stdout(cast(Any, out)), redirect_stderr(cast(Any, err)):
        try:
            status = _run(app, sys.argv[1:] if arguments is None else list(arguments))
            sys.stdout.flush()
        except BrokenPipeError:
            # The reader of our output went away (`| head`, `| true`): not an error of ours.
            _let_go()
            return 0
        except KeyboardInterrupt:
            return _stopped()
        except OSError as error:  # of standard output itself, for instance a full disk behind it
            say(f"metakit: {error.strerror or error}: standard output")
            _let_go()
            return 2
        return status


def _run(app: typer.Typer, arguments: list[str]) -> int:
    try:
        if "_METAKIT_COMPLETE" in os.environ:
            app(args=arguments, prog_name="metakit")
        _check_date(os.environ.get("SOURCE_DATE_EPOCH", ""))
        command = typer.main.get_command(app)
        with command.make_context("metakit", arguments) as context:
            command.invoke(context)
    except SystemExit as stop:
        return int(stop.code or 0)
    except typer.Exit as stop:
        return int(stop.exit_code)
    except _Misuse as misuse:
        misuse.show()
        return int(misuse.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        return _stopped()
    except ProblemsError as error:
        say_problems(error.problems)
        return error.exit_status
    except MetakitError as error:
        say(f"metakit: {error}")
        return error.exit_status
    except BrokenPipeError:
        raise
    except OSError as error:
        if error.filename is None:
            raise
        say(f"metakit: {error.strerror or error}: {error.filename}")
        return 2
    return 0


def _check_date(epoch: str) -> None:
    """Refuse a date that pages and figures could not show, before anything is done."""
    if epoch and not (epoch.isascii() and epoch.isdigit() and len(epoch) < 12):
        raise UsageError(
            f"SOURCE_DATE_EPOCH is {epoch[:40]!r}; it is a whole number of seconds since 1970, or not set"
        )


def _stopped() -> int:
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, 0)
    say("metakit: stopped; nothing half-written was left behind")
    return STOPPED


def _let_go() -> None:
    """Send what is still to be written to nowhere, so that the end of the process does not complain."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.__stdout__.fileno())  # type: ignore[union-attr]
    except (OSError, AttributeError, ValueError):
        return


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


def echo_placed(files: Iterable[Placed], *, err: bool = False) -> None:
    """Name the files that were written; say which went beside one that is not ours."""
    for file in files:
        if file.beside:
            say(file.beside)
        typer.echo(str(file.path), err=err)


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

    from metakit.cli.support.terminal import plain

    # The bar moves the cursor: it writes past the stream that lets no control character through.
    console = Console(file=getattr(sys.stderr, "beneath", sys.stderr), markup=False)
    with console.status("starting", spinner="line") as status:
        yield lambda text: status.update(plain(text))
