"""No two modules need each other: imports form no circle, those inside functions and for types included."""

from __future__ import annotations

import ast
from pathlib import Path

import networkx

ROOT = Path(__file__).resolve().parents[2]


def test_imports_form_no_circle() -> None:
    paths = {
        ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
        for path in (ROOT / "metakit").rglob("*.py")
    }
    graph = networkx.DiGraph()
    for module, path in paths.items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("metakit"):
                for item in node.names:
                    full = f"{node.module}.{item.name}"
                    graph.add_edge(module, full if full in paths else node.module)
    circles = {frozenset(found) for found in networkx.strongly_connected_components(graph) if len(found) > 1}
    assert not circles
