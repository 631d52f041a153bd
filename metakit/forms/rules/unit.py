"""Rules on a unit: names, limits around values, baselines as counts, ratios of a case mix."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.rules.registry import Context, named_twice, rule
from metakit.forms.tree import Group

LIMITED = (
    ("volume", "thumbs_a_year", "lowest", "highest"),
    ("time", "years_followed", "lowest", "highest"),
    ("outcomes", "weight", "weight_lowest", "weight_highest"),
    ("case_mix.effects", "rate_ratio", "lowest", "highest"),
)


@rule(
    "unit_names",
    "each technique, outcome and scenario once",
    needs=("techniques.id", "outcomes.outcome", "outcomes.effects.technique", "current_technique"),
    basis="references by name",
)
def unit_names(context: Context) -> Iterator[Problem]:
    """Find what stands twice, and an effect for the technique that the baseline describes already."""
    for section, field in (("techniques", "id"), ("outcomes", "outcome"), ("case_mix", "id")):
        yield from named_twice(context.record.groups(section), field)
    current = context.record.text("current_technique")
    for outcome in context.record.groups("outcomes"):
        yield from named_twice(outcome.groups("effects"), "technique")
        for effect in outcome.groups("effects"):
            if current and effect.text("technique") == current:
                yield effect.problem(
                    "technique", "the current technique is described by the baseline, not by an effect",
                    found=current, hint="take this effect out", severity="error",
                )  # fmt: skip


@rule(
    "unit_limits",
    "limits lie around their value",
    needs=("volume.thumbs_a_year", "time.years_followed", "outcomes.weight", "case_mix.effects.rate_ratio"),
    basis="logic",
)
def unit_limits(context: Context) -> Iterator[Problem]:
    """Find a lowest value above the value itself, a highest one below it, and a limit without its value."""
    for path, name, lowest, highest in LIMITED:
        for item in _groups(context.record, path):
            value = item.number(name)
            for limit, sign in ((lowest, 1), (highest, -1)):
                end = item.number(limit)
                if end is None:
                    continue
                if value is None:
                    yield item.problem(
                        limit, f"a limit needs its {name}", found=item.typed(limit), severity="error"
                    )
                elif sign * (end - value) > 0:
                    side = "above" if sign > 0 else "below"
                    yield item.problem(
                        limit, f"lies {side} the value that it limits ({name} {item.typed(name)})",
                        found=item.typed(limit), severity="error",
                    )  # fmt: skip


@rule(
    "unit_baselines",
    "a baseline is events among thumbs or thumb-years",
    needs=("outcomes.baseline.events", "outcomes.baseline.thumbs", "outcomes.baseline.thumb_years"),
    basis="definition of risks and rates",
)
def unit_baselines(context: Context) -> Iterator[Problem]:
    """Find baselines without or with two denominators, more events than thumbs, and baselines of scores."""
    for item in context.record.groups("outcomes"):
        term = context.outcome(item)
        scored = term is not None and term.facts.text("kind") == "continuous"
        if "baseline" not in item.entries:
            if term is not None and not scored:
                yield item.problem(
                    "baseline", "an outcome of events needs a baseline: events, and thumbs or thumb-years",
                    severity="error",
                )  # fmt: skip
            continue
        base = item.group("baseline")
        if scored:
            yield item.problem(
                "baseline", "a score has no baseline of events; its difference is shown as it is",
                hint="take the baseline out", severity="error",
            )  # fmt: skip
            continue
        rows = audited(context.record, item.text("outcome"))
        if rows and not any(base.has(name) for name in ("events", "thumbs", "thumb_years")):
            continue  # the audit's years are the baseline
        if not base.has("events"):
            yield base.problem(
                "events", "missing: how many events, or one row a year in the audit", severity="error"
            )
        if base.has("thumbs") == base.has("thumb_years"):
            yield base.problem(
                "events", "a baseline has thumbs or thumb_years, one of the two", severity="error"
            )
        for name in ("events", "thumbs", "thumb_years"):
            typed, added = base.number(name), sum(row.number(name) or 0 for row in rows)
            if rows and typed is not None and abs(typed - added) > 1e-9 * max(typed, added):
                yield base.problem(
                    name, f"the audit's years add up to {added:g}", found=base.typed(name),
                    hint="leave the baseline's numbers out; the years are taken", severity="error",
                )  # fmt: skip
        events, thumbs, years = base.number("events"), base.number("thumbs"), base.number("thumb_years")
        if events is not None and thumbs is not None and events > thumbs:
            yield base.problem(
                "events", f"more thumbs with an event than thumbs ({base.typed('thumbs')})",
                found=base.typed("events"), severity="error",
            )  # fmt: skip
        if events is not None and years is not None and events > years:
            yield base.problem(
                "events", f"more than one event in each thumb-year ({base.typed('thumb_years')})",
                found=base.typed("events"), hint="are the two numbers swapped?", severity="error",
            )  # fmt: skip


@rule(
    "unit_audit",
    "an audit has one row a year, all thumbs or all thumb-years",
    needs=("audit.outcome", "audit.year", "audit.thumbs", "audit.thumb_years", "outcomes.baseline.events"),
    basis="definition of risks and rates",
)
def unit_audit(context: Context) -> Iterator[Problem]:
    """Find years typed twice, rows without or with two denominators, rows unlike others of their outcome."""
    seen: set[tuple[str, str, int | None]] = set()
    kinds: dict[str, str] = {}
    current = context.record.text("current_technique")
    for item in context.record.groups("outcomes"):
        base = item.group("baseline") if "baseline" in item.entries else None
        if base is not None and base.has("thumbs") != base.has("thumb_years"):
            kinds[item.text("outcome")] = "thumbs" if base.has("thumbs") else "thumb_years"
    for row in context.record.groups("audit"):
        outcome = row.text("outcome")
        key = (outcome, row.text("technique") or current, row.integer("year"))
        if key in seen:
            yield row.problem(
                "year", "stands twice for this outcome and technique", found=row.typed("year"),
                severity="error",
            )  # fmt: skip
        seen.add(key)
        if row.has("thumbs") == row.has("thumb_years"):
            yield row.problem("events", "a year has thumbs or thumb_years, one of the two", severity="error")
            continue
        kind = "thumbs" if row.has("thumbs") else "thumb_years"
        if kinds.setdefault(outcome, kind) != kind:
            yield row.problem(
                kind, f"this outcome is counted in {kinds[outcome]} elsewhere", found=row.typed(kind),
                severity="error",
            )  # fmt: skip
        events, total = row.number("events"), row.number(kind)
        if events is not None and total is not None and events > total:
            yield row.problem(
                "events", f"more events than {kind} ({row.typed(kind)})", found=row.typed("events"),
                severity="error",
            )  # fmt: skip


def audited(record: Group, outcome: str) -> list[Group]:
    """Return the audit's rows of the current technique for an outcome."""
    current = record.text("current_technique")
    return [
        row
        for row in record.groups("audit")
        if row.text("outcome") == outcome and (row.text("technique") or current) == current
    ]


@rule(
    "unit_case_mix",
    "scenarios are about events",
    needs=("case_mix.share", "case_mix.effects.outcome", "outcomes.baseline.events"),
    basis="a ratio of rates says nothing about a score",
)
def unit_case_mix(context: Context) -> Iterator[Problem]:
    """Find scenarios of scores, of nobody or everybody, and one ratio typed twice."""
    for item in context.record.groups("case_mix"):
        for name in ("share", "share_instead"):
            share = item.number(name)
            if share is not None and not 0 < share < 100:
                yield item.problem(
                    name, "a scenario is about some of the thumbs, not all or none", found=item.typed(name),
                    allowed="above 0 and below 100", severity="error",
                )  # fmt: skip
        seen: set[tuple[str, str]] = set()
        for effect in item.groups("effects"):
            term = context.term(effect, "outcome", "case_mix.effects.outcome")
            if term is not None and term.facts.text("kind") == "continuous":
                yield effect.problem(
                    "outcome", "a scenario states ratios of events, not of scores", found=term.id,
                    severity="error",
                )  # fmt: skip
            key = (effect.text("outcome"), effect.text("technique"))
            if key in seen:
                yield effect.problem(
                    "outcome", "stands twice in this scenario", found=key[0], severity="error"
                )
            seen.add(key)


def _groups(record: Group, path: str) -> list[Group]:
    """Return all groups under a path, whether or not they repeat."""
    found = [record]
    for name in path.split("."):
        found = [
            part
            for group in found
            for part in (group.groups(name) or ((group.group(name),) if name in group.entries else ()))
        ]
    return found
