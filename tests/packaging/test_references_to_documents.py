"""What a source is called can be looked up: no reference to a working paper that is not in the repository."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PAPERS = "METHODS|POLICY|STANDARDS|DOMAIN|ARCHITECTURE|HOUSE|DESK"
_NAMED = re.compile(
    rf"\b(?:{PAPERS})(?![\w.\"']| =|,? [a-z]+ =)|(?i:\b(?:{PAPERS})(?:\.md\b| section| row)? [A-Z]?\d)"
)
_ELSE = re.compile(r"(?:Synth|Nature|Biom|Psychol|Res|Stat)\.? Methods|policy=POLICY")


def test_no_reference_to_a_document_outside_the_repository() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout
    files = listed.split() or [path.relative_to(ROOT).as_posix() for path in ROOT.rglob("*.py")]
    found = []
    for name in files:
        path = ROOT / name
        if (
            path.suffix not in {".py", ".md", ".yaml", ".toml"}
            or path == Path(__file__)
            or not path.is_file()
        ):
            continue
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            if _NAMED.search(_ELSE.sub("", line)):
                found.append(f"{name}:{number}: {line.strip()}")
    assert found == []


@pytest.mark.parametrize(
    "line", ["# {} 2: a model", "({} 4.2)", "as {} F6 asks", "{} of the project", "{} section 5"]
)
@pytest.mark.parametrize("paper", PAPERS.split("|"))
def test_the_look_finds_them(line: str, paper: str) -> None:
    assert _NAMED.search(line.format(paper))
    if any(character.isdigit() for character in line):
        assert _NAMED.search(line.format(paper.capitalize()))
