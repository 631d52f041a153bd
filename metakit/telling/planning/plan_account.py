"""Every line of a protocol, and what became of it: carried out and where, or not and why.

The form of protocols is walked field by field, so that nothing planned is silent: what no function of
`plan_outcomes` or `plan_options` speaks for stands here as not carried out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from metakit.forms.library import shipped
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.telling.facts import Facts
from metakit.telling.planning.plan_fate import WORDS, Fate
from metakit.telling.planning.plan_outcomes import FATES, NAMES, ONE_LINE


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanLine:
    """One line of the plan.

    `part` is the section of the protocol, `entry` the name of an entry of a list there, `fields` the paths
    of the form that the line speaks for, `planned` what is typed there.
    """

    part: str
    entry: str
    fields: tuple[str, ...]
    planned: str
    fate: Fate

    def to_json(self) -> dict[str, Any]:
        """Return the line as JSON."""
        return {
            "part": self.part,
            "entry": self.entry or None,
            "fields": list(self.fields),
            "planned": self.planned,
            "became": self.fate.became,
            "where": self.fate.where or None,
            "why": self.fate.why or None,
        }


def plan_account(facts: Facts) -> tuple[PlanLine, ...]:
    """Return every line of the protocol of a review, in the order of its form."""
    form = shipped().form("protocol")
    return tuple(
        line
        for section in form.sections
        for line in _lines(form, section, facts.findings.protocol.fields, facts)
    )


def _lines(form: Form, section: FieldSpec, typed: Mapping[str, Any], facts: Facts) -> Iterator[PlanLine]:
    value: Any = typed.get(section.name)
    if not _filled(value):
        return
    fate_of = FATES.get(section.name, _silent)
    if section.type != GROUP:
        entries = value if isinstance(value, list | tuple) else [value]
        for entry in entries:
            yield PlanLine(
                part=section.name, entry="", fields=(section.name,), planned=_text(entry),
                fate=fate_of(facts, entry),
            )  # fmt: skip
        return
    for group in value if section.repeats else [value]:
        kept = dict(_leaves(form, section, group, ""))
        names = [name for name in NAMES if name in kept]
        entry = _text(kept[names[0]]) if section.repeats and names else ""
        line = PlanLine(
            part=section.name, entry=entry, fields=tuple(f"{section.name}.{name}" for name in kept),
            planned="; ".join(f"{name.replace('_', ' ')}: {_text(kept[name])}" for name in kept),
            fate=Fate(became="told"),
        )  # fmt: skip
        if section.repeats or section.name in ONE_LINE:
            yield replace(line, fate=fate_of(facts, kept))
        else:
            for name, typed_value in kept.items():
                yield replace(
                    line, entry=name, fields=(f"{section.name}.{name}",), planned=_text(typed_value),
                    fate=fate_of(facts, {name: typed_value}),
                )  # fmt: skip


def _leaves(
    form: Form, holder: FieldSpec, group: Mapping[str, Any], within: str
) -> Iterator[tuple[str, Any]]:
    """Yield what is typed in a group, by the path of each field in it, groups within groups opened."""
    for spec in form.fields_of(holder):
        value = group.get(spec.name)
        if not _filled(value):
            continue
        if spec.type == GROUP and isinstance(value, Mapping):
            yield from _leaves(form, spec, value, f"{within}{spec.name}.")
        else:
            yield f"{within}{spec.name}", value


def in_order(lines: Sequence[PlanLine]) -> tuple[PlanLine, ...]:
    """Return the lines with what was not carried out first."""
    order = list(WORDS)
    return tuple(sorted(lines, key=lambda line: order.index(line.fate.became)))


def _silent(_facts: Facts, _typed: Any) -> Fate:
    return Fate(became="not_done", why="nothing here carries this out")


def _filled(value: Any) -> bool:
    return value is not None and value != "" and value != [] and value != () and value != {}


def _text(value: Any) -> str:
    """Return a typed value as text, numbers as short as they are."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:g}"
    if isinstance(value, list | tuple):
        return ", ".join(map(_text, value))
    return " ".join(str(value).split())
