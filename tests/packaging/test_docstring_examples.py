"""Every example of a docstring runs and gives what it says."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import metakit

MODULES = sorted(
    item.name
    for item in pkgutil.walk_packages(metakit.__path__, "metakit.")
    if not item.ispkg and not item.name.endswith("__main__")
)


def examples(name: str) -> list[doctest.DocTest]:
    module = importlib.import_module(name)
    return [test for test in doctest.DocTestFinder(exclude_empty=True).find(module) if test.examples]


def test_all_examples_run() -> None:
    runner, wrong = doctest.DocTestRunner(verbose=False), []
    number = 0
    for name in MODULES:
        for test in examples(name):
            number += 1
            said: list[str] = []
            if runner.run(test, out=said.append).failed:
                wrong.append("".join(said))
    assert number >= 70
    if wrong:
        pytest.fail("\n".join(wrong))
