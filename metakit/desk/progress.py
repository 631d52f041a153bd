"""How far the parts of a record are: what is asked for, typed, wrong or to be looked at."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from metakit.desk.views import is_gap
from metakit.forms.records import Reading
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.forms.tree import Group


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far a part of a record is: fields asked for, of which some are typed, and what is wrong."""

    asked: int = 0
    typed: int = 0
    wrong: int = 0
    look: int = 0

    @property
    def state(self) -> str:
        """Return the name of the state."""
        if self.wrong:
            return "wrong"
        if self.typed < self.asked:
            return "unfinished" if self.typed else "empty"
        return "look" if self.look else "done"

    @property
    def words(self) -> str:
        """Return the state in words."""
        if self.wrong:
            return f"{self.wrong} cannot be right"
        if self.typed < self.asked:
            return f"{self.typed} of {self.asked}"
        return f"{self.look} to look at" if self.look else "complete"

    def __add__(self, other: Progress) -> Progress:
        return Progress(
            asked=self.asked + other.asked, typed=self.typed + other.typed,
            wrong=self.wrong + other.wrong, look=self.look + other.look,
        )  # fmt: skip


def trust_in(record: Group) -> tuple[str, str]:
    """Return how far a record says whether its study can be trusted: the name of the state, and words."""
    judgements = record.group("appraisal").groups("judgements")
    if not record.text("appraisal.instrument"):
        return "empty", "not judged"
    done = sum(bool(one.text("judgement") and one.text("reason")) for one in judgements)
    if done < len(judgements) or not judgements:
        return "unfinished", f"{done} of {len(judgements)}"
    return "done", "judged"


def progress_of(reading: Reading, form: Form, left_out: Collection[str] = ()) -> dict[str, Progress]:
    """Return the progress of each part of a record: sections by name, entries by address.

    Counted are required fields: those with a value, and those that the check misses. Sections that are
    `left_out` have a page of their own.
    """
    addresses = reading.addresses
    if addresses is None:
        return {}
    counts: dict[str, list[int]] = {}
    for section in form.sections:
        if section.name in left_out:
            continue
        entry = addresses.record.entries.get(section.name)
        if isinstance(entry, tuple):
            for name, one in addresses.entries(addresses.record, section):
                counts[f"{section.name}[{name}]"] = [_required_typed(one, section, form), 0, 0, 0]
        else:
            group = entry if isinstance(entry, Group) else None
            counts[section.name] = [_required_typed(group, section, form) if group else 0, 0, 0, 0]
    for problem in reading.problems:
        address = addresses.of(problem.field) if problem.field else ""
        if address.partition(".")[0].partition("[")[0] in left_out:
            continue
        part = next((name for name in counts if address == name or address.startswith(f"{name}.")), "")
        tally = counts.setdefault(part, [0, 0, 0, 0])
        if is_gap(problem):
            tally[1] += 1
        elif problem.severity == "error":
            tally[2] += 1
        elif problem.severity == "question":
            tally[3] += 1
    return {
        name: Progress(asked=typed + gaps, typed=typed, wrong=wrong, look=look)
        for name, (typed, gaps, wrong, look) in counts.items()
    }


def _required_typed(group: Group, spec: FieldSpec, form: Form) -> int:
    found = 0
    for inner in form.fields_of(spec):
        entry = group.entries.get(inner.name)
        if inner.required and entry is not None and inner.type != GROUP:
            found += 1
        elif isinstance(entry, Group):
            found += _required_typed(entry, inner, form)
        elif isinstance(entry, tuple):
            found += sum(_required_typed(one, inner, form) for one in entry)
    return found
