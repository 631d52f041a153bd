"""Run the command line inside the process and keep what it said."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest


@dataclass(frozen=True)
class Said:
    status: int
    out: str
    err: str

    @property
    def answer(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def metakit_command(capsys):
    """Call as metakit_command("pool", path, "--measure", "risk_ratio")."""
    from metakit.cli.app import app
    from metakit.cli.support.running import run

    def call(*arguments: str | Path) -> Said:
        capsys.readouterr()
        status = run(app, [str(argument) for argument in arguments])
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err
        return Said(status, captured.out, captured.err)

    return call


# Colditz GA et al. 1994 JAMA 271:698-702, 13 trials of BCG vaccine against tuberculosis; the table as printed in
# Everitt & Hothorn, A Handbook of Statistical Analyses Using R (status: published).
BCG = """study,events_1,total_1,events_2,total_2
trial 1,4,123,11,139
trial 2,6,306,29,303
trial 3,3,231,11,220
trial 4,62,13598,248,12867
trial 5,33,5069,47,5808
trial 6,180,1541,372,1451
trial 7,8,2545,10,629
trial 8,505,88391,499,88391
trial 9,29,7499,45,7277
trial 10,17,1716,65,1665
trial 11,186,50634,141,27338
trial 12,5,2498,3,2341
trial 13,27,16913,29,17854
"""


@pytest.fixture
def bcg_table(tmp_path: Path) -> Path:
    path = tmp_path / "bcg.csv"
    path.write_text(BCG, encoding="utf-8")
    return path
