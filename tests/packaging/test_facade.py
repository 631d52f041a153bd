"""The public names of `import metakit` exist, and the lazy list equals the typed one."""

import ast
from pathlib import Path

import metakit


def test_every_public_name_loads() -> None:
    for name in metakit.__all__:
        assert getattr(metakit, name) is not None
        assert name in dir(metakit)


def test_typed_and_lazy_names_are_the_same() -> None:
    tree = ast.parse(Path(metakit.__file__).read_text(encoding="utf-8"))
    typed = {
        (alias.asname, node.module)
        for branch in tree.body
        if isinstance(branch, ast.If)
        for node in branch.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert typed == set(metakit._HOMES.items())


def test_unknown_name_is_an_attribute_error() -> None:
    assert not hasattr(metakit, "no_such_name")
