"""Registries are filled on first use, by whichever thread comes first, and whole for all others."""

from __future__ import annotations

import importlib
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest


def test_threads_that_ask_at_once_all_see_every_entry(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever asks while another thread loads the families waits for all of them."""
    monkeypatch.syspath_prepend(str(tmp_path))
    for number in range(3):
        (tmp_path / f"slow_family_{number}.py").write_text(
            f"import time\ntime.sleep(0.05)\nfrom slow_registry import ALL, One\nALL.add(One('{number}'))\n"
        )
    (tmp_path / "slow_registry.py").write_text(
        "from dataclasses import dataclass\nfrom metakit.core.registry import Registry\n"
        "@dataclass\nclass One:\n    name: str\n"
        "ALL = Registry('thing', ('slow_family_0', 'slow_family_1', 'slow_family_2'))\n"
    )
    registry = importlib.import_module("slow_registry").ALL
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda _: registry.names(), range(8)))
    for name in [name for name in sys.modules if name.startswith("slow_")]:
        del sys.modules[name]
    assert found == [("0", "1", "2")] * 8
