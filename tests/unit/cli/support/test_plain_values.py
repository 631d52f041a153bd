"""Plain values of options are taken as typer takes them, and whatever is not plain is refused as there."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import pytest
import typer
import typer.main
from typer.testing import CliRunner

from metakit.cli.support.plain_values import PlainCommand

SEEN: dict[str, Any] = {}


def command(
    file: Path,
    number: float = 1.0,
    count: int = 2,
    words: str = "",
    maybe: float | None = None,
    flag: Annotated[bool, typer.Option("--flag")] = False,
) -> None:
    SEEN.update(file=file, number=number, count=count, words=words, maybe=maybe, flag=flag)


def app(plain: bool) -> typer.Typer:
    made = typer.Typer(rich_markup_mode=None)
    made.command(cls=PlainCommand if plain else None)(command)
    return made


@pytest.mark.parametrize(
    "arguments",
    [
        ["a.csv"],
        ["a.csv", "--number", "0.5", "--count", "-3", "--words", "x y"],
        ["a.csv", "--number", "1e-3", "--maybe", ".5", "--flag"],
        ["a.csv", "--number", "nan"],
        ["a.csv", "--number", "7", "--count", "12"],
        ["a.csv", "--words", ""],
    ],
)
def test_values_are_those_that_typer_gives(arguments: list[str]) -> None:
    found = []
    for plain in (True, False):
        SEEN.clear()
        outcome = CliRunner().invoke(app(plain), arguments)
        assert outcome.exit_code == 0, outcome.output
        found.append({name: (type(value), str(value)) for name, value in SEEN.items()})
    assert found[0] == found[1]


@pytest.mark.parametrize(
    "arguments", [["a.csv", "--number", "x"], ["a.csv", "--count", "1.5"], ["a.csv", "--maybe", ""]]
)
def test_what_is_not_plain_is_refused_in_the_same_words(arguments: list[str]) -> None:
    said = [CliRunner().invoke(app(plain), arguments) for plain in (True, False)]
    assert said[0].exit_code == said[1].exit_code == 2
    assert said[0].output == said[1].output
