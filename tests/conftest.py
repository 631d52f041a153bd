"""Make the reference (tests/reference: the oracle, the loaders, the comparison) importable from every test."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent / "reference"))
