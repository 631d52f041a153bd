"""What must not be loaded: the command line has to answer at once."""

import json
import subprocess
import sys

import pytest

HEAVY = {"numpy", "pandas", "scipy", "statsmodels", "matplotlib", "forestplot", "openpyxl", "jinja2"}
CODE = """
import contextlib, io, json, sys
with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
    {code}
print(json.dumps(sorted(name for name in sys.modules if "." not in name)))
"""
RUN = "from metakit.cli.support.running import run; from metakit.cli.app import app; status = run(app, {arguments!r})"


def loaded(code: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", CODE.format(code=code)], capture_output=True, text=True, check=True
    )
    return set(json.loads(done.stdout))


@pytest.mark.parametrize(
    "arguments",
    [
        ["--help"],
        ["--version"],
        ["report", "--help"],
        ["decide", "--help"],
        ["check", "no-such-folder"],
    ],
    ids=" ".join,
)
def test_command_loads_nothing_heavy(arguments: list[str]) -> None:
    assert not HEAVY & loaded(RUN.format(arguments=arguments))


def test_a_small_pool_loads_only_what_it_uses(tmp_path) -> None:
    table = tmp_path / "table.csv"
    table.write_text("study,events_1,total_1,events_2,total_2\nA,4,29,6,30\nB,3,41,9,40\nC,1,22,2,24\n")
    asked = RUN.format(arguments=["pool", str(table), "--measure", "risk_ratio"])
    code = f"{asked}; assert status == 0"
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; {code}; print('loaded', *sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
    )
    modules = set(done.stdout.rpartition("loaded ")[2].split())
    assert "scipy.special" in modules
    assert not modules & {
        "scipy.optimize",
        "scipy.stats",
        "pandas",
        "statsmodels",
        "yaml",
        "openpyxl",
        "pydantic",
    }


@pytest.mark.walk
def test_new_and_check_load_nothing_heavy(tmp_path) -> None:
    folder = str(tmp_path / "review")
    assert not HEAVY & loaded(RUN.format(arguments=["new", folder]))
    assert (tmp_path / "review" / "protocol.yaml").is_file()
    assert not HEAVY & loaded(RUN.format(arguments=["check", folder]))


def test_import_metakit_loads_nothing_heavy() -> None:
    assert not HEAVY & loaded("import metakit")


def test_the_list_can_fail() -> None:
    assert "numpy" in loaded("import metakit; metakit.EffectTable")
