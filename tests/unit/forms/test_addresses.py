"""Addresses lead to the field they name and back, for every field of every invented record."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from metakit.forms.addresses import Addresses
from metakit.forms.library import shipped
from metakit.forms.records import read_record
from metakit.forms.splice import plain_of

ROOT = Path(__file__).parents[3]
RECORDS = sorted((ROOT / "demo_studies" / "records").glob("*.yaml"))


def scalars(value: Any, path: str = "", steps: tuple[str | int, ...] = ()):
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from scalars(inner, f"{path}.{name}" if path else name, (*steps, name))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for number, inner in enumerate(value):
            yield from scalars(inner, f"{path}[{number + 1}]", (*steps, number))
    else:
        yield path, steps


@pytest.mark.grid
@pytest.mark.parametrize("file", RECORDS, ids=lambda file: file.stem)
def test_every_field_is_found_by_its_address(file: Path) -> None:
    reading = read_record(file, shipped())
    addresses = Addresses(reading.group, reading.form)
    found = [one for one in scalars(plain_of(file.read_text(encoding="utf-8"))) if "form" not in one[0][:4]]
    assert len(found) > 50
    for path, steps in found:
        assert addresses.steps(addresses.of(path)) == steps, path
    assert len({addresses.of(path) for path, _ in found}) == len(found)


def test_entries_without_a_key_and_equal_ones_are_told_apart(tmp_path: Path) -> None:
    file = tmp_path / "record.yaml"
    file.write_text(
        "form: study\nform_version: 1\narms:\n  - {label: x}\n  - {id: A}\n  - {id: A}\n"
        "breakdowns:\n  - {whole: 'a [b]. c/d', part: e, count: 3}\n"
    )
    reading = read_record(file, shipped())
    addresses = Addresses(reading.group, reading.form)
    assert [name for name, _ in addresses.entries(reading.group, reading.form.find("arms"))] == [
        "1",
        "A",
        "A#2",
    ]
    assert addresses.steps("arms[1].label") == ("arms", 0, "label")
    assert addresses.steps("arms[A#2].age.mean") == ("arms", 2, "age", "mean")
    assert addresses.of("breakdowns[1].count") == "breakdowns[a [b]. c/d/e].count"
    assert addresses.steps("breakdowns[a [b]. c/d/e].count") == ("breakdowns", 0, "count")
    assert addresses.steps("arms[B].label") is None
    assert addresses.steps("nowhere") is None
    assert addresses.steps("care.pin_weeks") == ("care", "pin_weeks")
