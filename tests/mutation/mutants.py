"""Small changes to the code, one at a time: what tests must notice. Sites are found in the syntax tree."""

from __future__ import annotations

import ast
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PLACES = (
    "metakit/numerics", "metakit/measures", "metakit/forms/sheets", "metakit/forms/printed_tables",
    "metakit/forms/reading.py", "metakit/forms/typed_numbers.py", "metakit/forms/yaml_nodes.py",
    "metakit/review/selection",
)  # fmt: skip
"""Kernels, effect measures and readers."""
_COMPARED = {
    ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.Eq: "!=", ast.NotEq: "==",
    ast.Is: "is not", ast.IsNot: "is", ast.In: "not in", ast.NotIn: "in",
}  # fmt: skip
_CALCULATED = {ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.Pow: "*", ast.FloorDiv: "/",
               ast.Mod: "*", ast.BitAnd: "|", ast.BitOr: "&"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """The text between two places of a module, and what stands there instead."""

    module: str  # path from the root
    line: int
    start: int
    stop: int
    before: str
    after: str

    def source(self) -> str:
        text = (ROOT / self.module).read_bytes()
        return (text[: self.start] + self.after.encode() + text[self.stop :]).decode()

    def __str__(self) -> str:
        return f"{self.module}:{self.line}: {self.before!r} -> {self.after!r}"


def modules() -> list[str]:
    found = [
        path
        for place in PLACES
        for path in ([ROOT / place] if place.endswith(".py") else sorted((ROOT / place).rglob("*.py")))
    ]
    return [path.relative_to(ROOT).as_posix() for path in found if path.name != "__init__.py"]


def mutants_of(module: str) -> list[Mutant]:
    """Return every small change that this tool knows to make to a module."""
    content = (ROOT / module).read_bytes()
    starts = [0]
    for line in content.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))

    def at(line: int | None, column: int | None) -> int:
        assert line is not None and column is not None
        return starts[line - 1] + column

    def between(node: ast.AST, left: ast.expr, right: ast.expr, new: str) -> Mutant | None:
        """Change the operator that stands between two expressions."""
        start, stop = at(left.end_lineno, left.end_col_offset), at(right.lineno, right.col_offset)
        held = content[start:stop]
        sign = held.strip(b" \n\t()")
        if b"#" in held or not sign:
            return None
        start += held.index(sign)
        return Mutant(module, left.end_lineno or 0, start, start + len(sign), sign.decode(), new)

    def whole(node: ast.expr, new: str) -> Mutant:
        start, stop = at(node.lineno, node.col_offset), at(node.end_lineno, node.end_col_offset)
        return Mutant(module, node.lineno, start, stop, content[start:stop].decode(), new)

    found: list[Mutant | None] = []
    for node in _code(ast.parse(content)):
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            for place, sign in enumerate(node.ops):
                found.append(between(node, sides[place], sides[place + 1], _COMPARED[type(sign)]))
        elif isinstance(node, ast.BinOp) and type(node.op) in _CALCULATED:
            if not (isinstance(node.left, ast.Constant) and isinstance(node.left.value, (str, bytes))):
                found.append(between(node, node.left, node.right, _CALCULATED[type(node.op)]))
        elif isinstance(node, ast.BoolOp):
            sign = "or" if isinstance(node.op, ast.And) else "and"
            for place in range(len(node.values) - 1):
                found.append(between(node, node.values[place], node.values[place + 1], sign))
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub)):
            start, stop = at(node.lineno, node.col_offset), at(node.operand.lineno, node.operand.col_offset)
            sign = content[start:stop].decode()
            if sign.strip() in ("not", "-"):
                found.append(Mutant(module, node.lineno, start, stop, sign.strip(), ""))
        elif isinstance(node, ast.Constant) and type(node.value) is bool:
            found.append(whole(node, str(not node.value)))
        elif isinstance(node, ast.Constant) and type(node.value) is int:
            found.append(whole(node, str(node.value + 1)))
        elif isinstance(node, ast.Constant) and type(node.value) is float:
            found.append(whole(node, repr(node.value * 2 if node.value else 1.0)))
    return [mutant for mutant in found if mutant is not None]


def _code(tree: ast.AST) -> Iterator[ast.AST]:
    """Walk what is carried out: no annotations, no messages, no exports, no example in a docstring."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, (ast.JoinedStr, ast.Import, ast.ImportFrom, ast.Raise, ast.Assert)):
            continue
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            continue
        if isinstance(node, ast.Call) and ast.unparse(node.func) in (
            "dataclass",
            "Problem",
            "cast",
            "TypeVar",
        ):
            continue
        if isinstance(node, ast.arg):
            continue
        if isinstance(node, ast.AnnAssign):
            if node.value is not None:
                yield node.value
                yield from _code(node.value)
            continue
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            yield from _code(node.args)
            yield from _code(ast.Module(body=node.body, type_ignores=[]))
            continue
        if isinstance(node, ast.keyword) and node.arg in (
            "strict",
            "stacklevel",
            "copy",
            "slots",
            "frozen",
            "kw_only",
            "repr",
            "init",
        ):
            continue
        yield node
        yield from _code(node)


def _compiles(mutant: Mutant) -> bool:
    try:
        compile(mutant.source(), mutant.module, "exec")
    except (SyntaxError, ValueError):
        return False
    return True


def drawn(seed: int, number: int) -> list[Mutant]:
    """Draw mutants, spread over the modules: one of each in turn until there are enough.

    Each module has a chance of its own, so that a change of one moves no mutant of another.
    """
    draw = random.Random(seed)
    heaps = []
    for module in modules():
        heap = mutants_of(module)
        random.Random(f"{seed} {module}").shuffle(heap)
        heaps.append(heap)
    chosen: list[Mutant] = []
    while len(chosen) < number and any(heaps):
        draw.shuffle(heaps)
        chosen += [m for m in (heap.pop() for heap in heaps if heap) if _compiles(m)][: number - len(chosen)]
    return chosen
