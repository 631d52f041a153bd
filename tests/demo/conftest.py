"""Let the tests of the demonstration review import its generator, which is a script and no package."""

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "demo"))
