"""No planned thing is silent: the form of protocols is walked field by field, filled in and unfilled."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.library import shipped
from metakit.forms.specs import GROUP, FieldSpec
from metakit.report.write import numbers_text
from metakit.review.folder import open_folder
from metakit.synthesis.choices.sensitivity_kinds import KINDS
from metakit.synthesis.findings import Findings
from metakit.synthesis.run import synthesise
from metakit.telling.blocks import Part, Points, Table, plain
from metakit.telling.facts import Facts
from metakit.telling.planning import plan_outcomes
from metakit.telling.planning.plan_account import PlanLine, plan_account
from metakit.telling.planning.plan_fate import WORDS
from metakit.telling.planning.planned import planned_blocks
from tests.short_plan import with_only

DEMO = Path(__file__).parents[4] / "demo_studies"
PLAN = """eligibility:
  designs: [case_series]
  fewest_thumbs: 20
  languages: [Danish]
  excluded: earlier operations
"""
MORE = """explorations:
  - {id: by_concern, kind: subgroups, moderators: [concern], expected: more in studies of concern, data_seen: no}
baselines:
  - {label: register, kind: registry, outcome: any_complication, events: 12, thumbs: 100, source: table 1}
  - {label: rates, kind: registry, outcome: any_complication, events: 12, thumb_years: 100, source: table 2}
subgroups: ["design: apart", "by_concern: more in studies of concern", "technique: of the prosthesis", "by age"]
sensitivity: ["icc: 0.1", "adjusted: only", "high_concern: without", "largest study left out", "other: by hand"]
note: written before the search
"""


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Findings:
    """A review of three invented studies with two analyses, one of them without any study."""
    folder = tmp_path_factory.mktemp("review")
    (folder / "records").mkdir()
    plan = (DEMO / "protocol.yaml").read_text(encoding="utf-8")
    start, rest = plan.index("eligibility:"), plan.index("unit_of_analysis:")
    plan = with_only(plan[:start] + PLAN + plan[rest:], {"complications_lrti", "complications_prosthesis"})
    plan = plan.replace(
        "id: complications_lrti,", "id: complications_lrti, interval: wald, model: random_effects,"
    )
    plan = plan.replace("any_complication, importance: critical,",
                        "any_complication, importance: critical, choice_among_results: the earliest,", 1)  # fmt: skip
    (folder / "protocol.yaml").write_text(plan + MORE, encoding="utf-8")
    for record in sorted((DEMO / "records").glob("DEMO-0[125]*.yaml")):
        shutil.copy(record, folder / "records")
    return synthesise(open_folder(folder))


def leaves(spec: FieldSpec, path: str) -> Iterator[tuple[str, FieldSpec]]:
    form = shipped().form("protocol")
    if spec.type != GROUP:
        yield path, spec
        return
    for field in form.fields_of(spec):
        yield from leaves(field, f"{path}.{field.name}")


FIELDS = [leaf for section in shipped().form("protocol").sections for leaf in leaves(section, section.name)]


def typed(spec: FieldSpec, number: int) -> Any:
    """Return something that the field could hold and that no other field holds."""
    if spec.terms:
        first = next(iter(spec.terms))
        return [first] if FIELD_TYPES[spec.type].many else first
    kinds: dict[str, Any] = {
        "integer": number, "number": number + 0.5, "yes_no": True, "list": [f"{number}"], "percent": number,
        "date": f"2026-01-{number % 28 + 1:02d}",
    }  # fmt: skip
    return kinds.get(spec.type, f"words {number}")


def with_fields(found: Findings, fields: dict[str, Any]) -> Facts:
    return Facts.of(replace(found, protocol=replace(found.protocol, fields=fields)))


def everything() -> dict[str, Any]:
    """A protocol with every field of the form filled in."""
    filled: dict[str, Any] = {}
    for number, (path, spec) in enumerate(FIELDS, start=100):
        section, _, name = path.partition(".")
        if not name:
            filled[section] = typed(spec, number)
            continue
        repeats = next(s for s in shipped().form("protocol").sections if s.name == section).repeats
        holder = filled.setdefault(section, [{}] if repeats else {})
        put(holder[0] if repeats else holder, name, typed(spec, number))
    return filled


def put(group: dict[str, Any], name: str, value: Any) -> dict[str, Any]:
    """Put a value at its place in a group, through groups within it."""
    first, _, rest = name.partition(".")
    group[first] = put(group.get(first, {}), rest, value) if rest else value
    return group


@pytest.mark.parametrize(("path", "spec"), FIELDS, ids=[path for path, _ in FIELDS])
def test_every_field_of_the_form_is_accounted_for(found: Findings, path: str, spec: FieldSpec) -> None:
    number = 100 + [name for name, _ in FIELDS].index(path)
    value = typed(spec, number)
    shown = "yes" if value is True else value[0] if isinstance(value, list) else value
    lines = plan_account(with_fields(found, everything()))
    speaking = [line for line in lines if path in line.fields]
    assert speaking, f"{path} is silent"
    assert all(
        (f"{shown:g}" if isinstance(shown, float) else str(shown)) in line.planned for line in speaking
    )
    assert all(line.fate.became in WORDS for line in speaking)
    assert all(line.fate.why or line.fate.where for line in speaking)
    # The field alone is accounted for as well, and a field that is not typed is not spoken of.
    section, _, name = path.partition(".")
    alone = put({}, name, value) if name else value
    repeats = next(s for s in shipped().form("protocol").sections if s.name == section).repeats
    (line,) = plan_account(with_fields(found, {section: [alone] if repeats and name else alone}))
    assert line.fields == (path,)


def test_every_section_has_a_function_and_none_is_silent_without(
    found: Findings, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert set(plan_outcomes.FATES) == {section.name for section in shipped().form("protocol").sections}
    monkeypatch.setattr("metakit.telling.planning.plan_account.FATES", {})
    lines = plan_account(with_fields(found, everything()))
    assert {line.fate.became for line in lines} == {"not_done"}


@pytest.fixture(scope="module")
def lines(found: Findings) -> tuple[PlanLine, ...]:
    return plan_account(Facts.of(found))


def of(lines: tuple[PlanLine, ...], part: str, begin: str) -> PlanLine:
    return next(
        item for item in lines if item.part == part and begin in (item.entry, item.planned[: len(begin)])
    )


@pytest.mark.parametrize(
    ("part", "begin", "became", "words"),
    [
        ("eligibility", "designs", "in_part", "outside it and in the review all the same"),
        ("eligibility", "fewest_thumbs", "done", "3 of 3 studies fit"),
        ("eligibility", "languages", "in_part", "0 of 3 studies fit"),
        ("eligibility", "excluded", "people", "not documented"),
        ("outcomes", "any_complication", "in_part", "words for people"),
        ("outcomes", "quickdash", "not_done", "no analysis and no network"),
        ("comparisons", "lrti_vs_trapeziectomy", "done", "in complications_lrti"),
        ("comparisons", "suture_button_vs_lrti", "not_done", "no analysis"),
        ("analyses", "complications_lrti", "done", "studies"),
        ("analyses", "complications_prosthesis", "not_done", ""),
        ("explorations", "by_concern", "in_part", "refused in complications_prosthesis"),
        ("baselines", "register", "done", "in complications_lrti"),
        ("baselines", "rates", "not_done", "a rate with rates"),
        ("subgroups", "by_concern", "in_part", "refused in complications_prosthesis"),
        ("subgroups", "technique", "not_done", "no such exploration"),
        ("subgroups", "by age", "not_done", "no such exploration"),
        ("sensitivity", "icc", "done", "correlation 0 between"),
        ("sensitivity", "adjusted", "not_done", ""),
        ("sensitivity", "largest", "not_done", "no kind of sensitivity analysis"),
        ("sensitivity", "other", "not_done", "by other means"),
        ("note", "written", "told", "remark"),
    ],
)  # fmt: skip
def test_what_became_of_it(
    lines: tuple[PlanLine, ...], part: str, begin: str, became: str, words: str
) -> None:
    line = of(lines, part, begin)
    assert line.fate.became == became, line.fate
    assert words in line.fate.why


def test_an_option_that_was_not_used_is_named(found: Findings) -> None:
    first = found.analyses[0]
    planned = replace(first, plan=replace(first.plan, model="common_effect", tau2="paule_mandel", level=0.9))
    changed = replace(found, analyses=(planned, *found.analyses[1:]))
    fate = of(plan_account(Facts.of(changed)), "analyses", "complications_lrti").fate
    assert fate.became == "in_part"
    for words in ("common effect was planned", "level 0.9 was planned"):
        assert words in fate.why


def test_the_same_lines_stand_in_findings_and_in_the_blocks(
    found: Findings, lines: tuple[PlanLine, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("metakit.telling.planning.planned.MOST_SHOWN", 99)
    assert json.loads(numbers_text(found))["planned"] == [line.to_json() for line in lines]
    blocks = planned_blocks(Facts.of(found))
    (shown,) = (block for block in blocks if isinstance(block, Points))
    undone = [line for line in lines if line.fate.became == "not_done"]
    assert len(shown.items) == len(undone)
    (part,) = (block for block in blocks if isinstance(block, Part))
    (table,) = part.blocks
    assert part.folded and isinstance(table, Table)
    cells = " ".join(plain(cell) for row in table.rows for cell in row)
    assert all(line.planned in cells and line.fate.why in cells for line in lines)


def test_the_form_names_every_kind() -> None:
    helped = shipped().form("protocol").find("sensitivity")
    assert helped is not None
    assert [kind for kind in KINDS if kind not in helped.help] == []
