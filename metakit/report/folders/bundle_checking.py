"""A bundle computed again: whether files are those of the manifest, and numbers those of the files."""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from metakit.errors import MetakitError, Problem, ProblemsError
from metakit.report.folders.bundle import REPORT, REVIEW, Bundle, read_bundle, versions_here
from metakit.report.folders.output_folder import NUMBERS
from metakit.report.write import numbers_text
from metakit.review.folder import open_folder
from metakit.synthesis.run import synthesise

TOLERANCE = 1e-9
"""Relative difference of two numbers that counts as none where versions differ."""
NOT_COMPARED = ("versions",)
_NAMES = ("id", "study", "analysis", "name", "technique", "domain")
_ABSENT = object()


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One place where the bundle's findings and those computed again are not the same."""

    place: str
    bundled: str
    again: str

    def __str__(self) -> str:
        return f"{self.place}: {self.bundled} in the bundle, {self.again} computed again"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What came of checking a bundle.

    `other_versions` holds what is not the same here as where the bundle was made, as (there, here);
    `compared` counts the numbers that were compared; `damage` are files that are not those of the manifest,
    and whatever kept the numbers from being computed.
    """

    compared: int
    differences: tuple[Difference, ...]
    damage: tuple[Problem, ...]
    other_versions: Mapping[str, tuple[str, str]]

    @property
    def sound(self) -> bool:
        """Whether files and numbers are all as they were."""
        return not self.differences and not self.damage and self.compared > 0

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say what was compared, how closely, and what came of it."""
        if self.other_versions:
            named = "; ".join(
                f"{name} {there} there, {here} here" for name, (there, here) in self.other_versions.items()
            )
            how = f"to a relative difference of {TOLERANCE:g}, since versions differ ({named})"
        else:
            how = "to the last bit, with the same versions on the same kind of machine"
        numbers = f"{self.compared} numbers were computed again and compared {how}"
        if self.sound:
            return (f"The bundle is sound: every file is that of its manifest; {numbers}: all are the same.",)
        parts = [
            f"{len(self.damage)} problems of its files" if len(self.damage) != 1 else "1 problem of its files"
        ]
        count = len(self.differences)
        parts.append(f"{count} differences" if count != 1 else "1 difference")
        return (f"The bundle is not sound: {' and '.join(parts)}; {numbers}.",)

    def to_json(self) -> dict[str, Any]:
        """Return the verification as JSON."""
        return {
            "sound": self.sound,
            "compared": self.compared,
            "tolerance": TOLERANCE if self.other_versions else 0.0,
            "other_versions": {
                name: {"bundle": there, "here": here} for name, (there, here) in self.other_versions.items()
            },
            "damage": [str(problem) for problem in self.damage],
            "differences": [
                {"place": d.place, "bundle": d.bundled, "again": d.again} for d in self.differences
            ],
        }


def verify_bundle(path: Path, *, progress: Callable[[str], None] | None = None) -> Verification:
    """Check the files of a bundle, compute its numbers again, and compare all of them.

    Nothing is written but a temporary folder, which is removed.

    Raises
    ------
    UnreadableError
        When it is no bundle, or a zip file that could do harm.
    """
    say = progress or (lambda text: None)
    say("checking the files")
    bundle = read_bundle(path)
    damage = list(bundle.damage)
    old = _bundled_numbers(bundle, path, damage)
    new, here = _computed_again(bundle, path, damage, say)
    other = {
        name: (bundle.versions.get(name, "not named"), here.get(name, "not there"))
        for name in sorted(bundle.versions.keys() | here.keys())
        if here and bundle.versions.get(name) != here.get(name)
    }
    differences: list[Difference] = []
    compared = 0
    if old is not None and new is not None:
        for found in _compare(old, new, "", exact=not other):
            compared += found is None
            if found is not None:
                differences.append(found)
                compared += 1
    return Verification(
        compared=compared, differences=tuple(differences), damage=tuple(damage), other_versions=other
    )


def _bundled_numbers(bundle: Bundle, path: Path, damage: list[Problem]) -> Any | None:
    name = f"{REPORT}/{NUMBERS}"
    try:
        found = json.loads(bundle.files[name])
    except KeyError:
        damage.append(Problem(file=str(path), what="the bundle has no numbers to compare", found=name))
    except (ValueError, RecursionError):
        damage.append(Problem(file=str(path), what="the numbers of the bundle cannot be read", found=name))
    else:
        return found
    return None


def _computed_again(
    bundle: Bundle, path: Path, damage: list[Problem], say: Callable[[str], None]
) -> tuple[Any | None, dict[str, str]]:
    """Return the findings computed from the bundle's review, and the versions that computed them."""
    with tempfile.TemporaryDirectory(prefix="metakit-") as scratch:
        folder = Path(scratch) / REVIEW
        try:
            for name, content in bundle.under(REVIEW).items():
                place = folder / name
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_bytes(content)
            findings = synthesise(open_folder(folder), progress=say)
            return json.loads(numbers_text(findings)), versions_here(findings.versions)
        except ProblemsError as error:
            for problem in error.problems:
                where = problem.file.replace(str(folder), REVIEW)
                damage.append(
                    Problem(
                        file=str(path),
                        what=f"{where}: {problem.what}",
                        found=problem.found,
                        line=problem.line,
                    )
                )
        except (MetakitError, OSError) as error:
            damage.append(Problem(file=str(path), what=f"the numbers cannot be computed again: {error}"))
    return None, {}


def _compare(old: Any, new: Any, place: str, *, exact: bool) -> Iterator[Difference | None]:
    """Yield None for every number that is the same, and a difference for everything that is not."""
    if place in NOT_COMPARED:
        return
    if isinstance(old, dict) and isinstance(new, dict):
        for key in {**old, **new} if exact else old:
            inside = f"{place}.{key}" if place else str(key)
            yield from _compare(old.get(key, _ABSENT), new.get(key, _ABSENT), inside, exact=exact)
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            yield Difference(place=place, bundled=f"{len(old)} entries", again=f"{len(new)} entries")
        for number, (first, second) in enumerate(zip(old, new, strict=False)):
            yield from _compare(first, second, f"{place}[{_name(first, number)}]", exact=exact)
    elif _is_number(old) and _is_number(new):
        yield (
            None
            if old == new or (not exact and _close(old, new))
            else Difference(place=place, bundled=_shown(old), again=_shown(new))
        )
    elif old != new and (exact or not (isinstance(old, str) and isinstance(new, str))):
        # Words hold rounded numbers and may be worded otherwise by another version; the numbers count.
        yield Difference(place=place, bundled=_shown(old), again=_shown(new))


def _close(old: float, new: float) -> bool:
    try:
        return math.isclose(old, new, rel_tol=TOLERANCE, abs_tol=1e-12)
    except OverflowError:  # a whole number beyond every float
        return False


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _name(entry: Any, number: int) -> str:
    if isinstance(entry, dict):
        return next((str(entry[key]) for key in _NAMES if isinstance(entry.get(key), str)), str(number))
    return str(number)


def _shown(value: Any) -> str:
    if value is _ABSENT:
        return "nothing"
    try:
        text = json.dumps(value, ensure_ascii=False)
    except RecursionError:
        return "something nested without end"
    return text if len(text) <= 120 else f"{text[:117]}..."
