"""What a command says to pipes, full disks and terminals, and how it stops."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from metakit.cli.support.terminal import plain
from metakit.core.files import refuse_unwritable, write_atomically
from metakit.forms.sheets.csv_tables import guarded, unguarded

ROOT = Path(__file__).resolve().parents[2]
TABLE = "study,events_1,total_1,events_2,total_2\nA,3,40,5,41\nB,4,44,6,45\n"


def shell(line: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    line = f"set -o pipefail; {line.replace('METAKIT', f'{sys.executable} -m metakit')}"
    return subprocess.run(
        ["bash", "-c", line], cwd=cwd, capture_output=True, text=True, timeout=120, check=False
    )


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "t.csv"
    path.write_text(TABLE)
    return path


@pytest.mark.walk
@pytest.mark.parametrize("reader", ["head -n 1", "true"])
def test_a_reader_that_goes_away_is_no_error(table: Path, reader: str) -> None:
    for command in (
        "METAKIT --help",
        "METAKIT pool t.csv --measure risk_ratio --json",
        "METAKIT pool --help",
    ):
        said = shell(f"{command} | {reader}", table.parent)
        assert (said.returncode, said.stderr) == (0, ""), command


@pytest.mark.walk
def test_a_full_disk_behind_standard_output_is_named(table: Path) -> None:
    said = shell("METAKIT pool t.csv --measure risk_ratio > /dev/full", table.parent)
    assert said.returncode == 2 and said.stderr == "metakit: No space left on device: standard output\n"


STOPPED = "metakit: stopped; nothing half-written was left behind\n"


def stopped_after(seconds: float, cwd: Path, *arguments: str) -> tuple[int, str, list[str]]:
    """Start a command, wait until it has begun to import, and ask it to stop some time later."""
    process = subprocess.Popen(
        [sys.executable, "-X", "importtime", "-m", "metakit", *arguments],
        cwd=cwd, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stderr is not None
    lines = []
    for line in process.stderr:
        lines.append(line)
        if " typer" in line or line.endswith("| metakit\n"):
            break
    time.sleep(seconds)
    process.send_signal(signal.SIGINT)
    rest = process.stderr.read()
    process.stderr.close()
    process.wait(60)
    said = "".join(line for line in rest.splitlines(keepends=True) if not line.startswith("import time:"))
    return process.returncode, said, sorted(path.name for path in cwd.iterdir())


@pytest.mark.walk
@pytest.mark.parametrize("seconds", [0.05, 0.4])
def test_a_wish_to_stop_is_obeyed_from_the_first_import_on(table: Path, seconds: float) -> None:
    many = "".join(f"S{n},{n % 7},{40 + n},{n % 5},{41 + n}\n" for n in range(24))
    table.write_text(TABLE.splitlines(keepends=True)[0] + many)
    status, said, left = stopped_after(
        seconds,
        table.parent,
        "explore",
        "t.csv",
        "--measure",
        "risk_ratio",
        "--all-subsets",
        "--workers",
        "2",
    )
    # On a fast machine the command may have told of the studies before it is stopped: never of anything else.
    told = said.removesuffix(STOPPED)
    assert status == 130 and said.endswith(STOPPED), said
    assert all(line.startswith("metakit: 7 of 24 studies have an empty cell") for line in told.splitlines())
    assert left == ["t.csv"]


@pytest.mark.parametrize("sign", ["\x1b[2J", "\x9b2J", "\r", "\x00", "\x7f", "\u202e", "\udce9"])
def test_control_characters_reach_no_terminal(tmp_path: Path, metakit_command, sign: str) -> None:
    assert sign not in plain(f"a{sign}b") and plain("a\tb\nç") == "a\tb\nç"
    path = tmp_path / "t.csv"
    path.write_bytes(TABLE.replace("A,3", f"A{sign},x").encode("utf-8", "surrogateescape"))
    said = metakit_command("pool", path, "--measure", "risk_ratio")
    assert said.status in (1, 2)
    assert not any(
        mark in said.out + said.err for mark in ("\x1b", "\x9b", "\x00", "\x7f", "\u202e", "\udce9", "\r")
    )
    missing = metakit_command(
        "pool", tmp_path / f"no{sign.replace(chr(0), '')}.csv", "--measure", "risk_ratio"
    )
    assert missing.status == 2 and sign.replace("\x00", "\x1b") not in missing.err


def test_full_width_signs_are_guarded_as_their_narrow_ones() -> None:
    for sign in "=+-@＝＋－＠":
        text = f"{sign}cmd|' /C calc'!A0"
        assert guarded(text) == f"'{text}" and unguarded(guarded(text)) == text


@pytest.mark.parametrize("how", ["folder", "file in the way"])
def test_a_target_that_cannot_be_written_is_refused_before_computing(
    table: Path, metakit_command, monkeypatch, how
) -> None:
    import metakit.models.pool as pooling

    monkeypatch.setattr(pooling, "pool", lambda *a, **k: pytest.fail("computed"))
    target = table.parent / "p.svg" if how == "folder" else table / "deeper" / "p.svg"
    if how == "folder":
        target.mkdir()
    said = metakit_command("draw", table, "--measure", "risk_ratio", "--to", target)
    assert said.status == 2 and str(target) in said.err


def test_refusals_of_the_system_name_the_file_that_was_meant(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import errno
    import os

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    target = tmp_path / "a.txt"
    target.write_text("old")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left") as error:
        write_atomically(target, "new")
    assert error.value.filename == str(target)
    assert target.read_text() == "old" and [path.name for path in tmp_path.iterdir()] == ["a.txt"]
    with pytest.raises(OSError, match=r"a\.txt/deeper/b") as error:
        refuse_unwritable(target / "deeper" / "b")


@pytest.mark.parametrize("epoch", ["²", "tomorrow", "-1", "1e9", "9" * 30, "12.5"])
def test_a_wrong_source_date_is_said(table: Path, metakit_command, monkeypatch, epoch: str) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", epoch)
    said = metakit_command("pool", table, "--measure", "risk_ratio")
    assert said.status == 2 and "SOURCE_DATE_EPOCH" in said.err and said.out == ""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1768435200")
    assert metakit_command("pool", table, "--measure", "risk_ratio").status == 0


@pytest.mark.parametrize("errors", [("1e-160",) * 3, ("1e-160", "1", "1.1")])
def test_extreme_standard_errors_end_in_a_sentence(tmp_path: Path, metakit_command, errors) -> None:
    path = tmp_path / "t.csv"
    rows = [f"{name},{n / 10},{error}\n" for n, (name, error) in enumerate(zip("ABC", errors, strict=True))]
    path.write_text("study,effect,standard_error\n" + "".join(rows))
    draw = ["draw", "--to", str(tmp_path / "f.svg")]
    for name, *options in (["pool"], ["pool", "--model", "random_effects"], ["explore"], draw):
        said = metakit_command(name, path, "--measure", "generic", *options)
        assert said.status == 1 and f"{path}:2: error: a standard error of 1e-160" in said.err


@pytest.mark.walk
def test_closed_streams_are_no_traceback(table: Path) -> None:
    for line in (
        "METAKIT pool t.csv --measure risk_ratio >&-",
        "METAKIT --version >&- 2>&-",
        "METAKIT --help 2>&-",
    ):
        said = shell(line, table.parent)
        assert said.returncode == 0 and "Traceback" not in said.stderr, line


def test_a_wish_to_stop_that_a_callback_swallowed_ends_with_130(
    monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    import metakit.__main__ as command

    ended: list[int] = []
    monkeypatch.setattr(command, "_asked", [signal.SIGINT])
    monkeypatch.setattr(command, "_end", ended.append)
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    monkeypatch.setattr(sys, "argv", ["metakit", "--version"])
    with pytest.raises(SystemExit) as stopped:
        command.main()
    assert ended == [130] and stopped.value.code == 130
    assert STOPPED in capsys.readouterr().err
    command._quiet(type("Told", (), {"exc_value": KeyboardInterrupt()}))  # type: ignore[arg-type]
    assert capsys.readouterr().err == ""
