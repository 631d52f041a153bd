"""Rules on techniques and their components."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from metakit.errors import Problem
from metakit.forms.co_procedures import ArmParts, arm_parts, differences, in_most, option_told
from metakit.forms.expansion import clashes, expand, open_groups, parts_of_group
from metakit.forms.rules.arms import PRACTICE, most
from metakit.forms.rules.registry import Context, rule
from metakit.forms.specs import Term
from metakit.forms.tree import Group

NEEDS = ("arms.technique", "arms.components")
OSTEOPHYTES = "metacarpal_osteophyte_removed"


def component_terms(context: Context) -> Mapping[str, Term]:
    """Return the vocabulary of components that the form uses."""
    spec = context.form.find("arms.components")
    return spec.terms if spec else {}


def components_of(context: Context, arm: Group) -> tuple[str, ...]:
    """Return the expanded components of an arm."""
    return expand(context.term(arm, "technique", "arms.technique"), arm.words("components"))


@rule("ambiguous_technique", "the name says what was done", needs=NEEDS, basis="definition of the techniques")
def ambiguous_technique(context: Context) -> Iterator[Problem]:
    """Refuse names that may mean several operations."""
    spec = context.form.find("arms.technique")
    terms = spec.terms if spec else {}
    by_parts = [name for name, term in terms.items() if term.facts.flag("by_parts")]
    otherwise = f"; otherwise use {by_parts[0]} and name what is known" if by_parts else ""
    for arm in context.record.groups("arms"):
        term = context.term(arm, "technique", "arms.technique")
        meanings = term.facts.words("ambiguous_between") if term else ()
        if term and meanings:
            yield arm.problem(
                "technique",
                "this name may mean several operations",
                found=term.id,
                allowed=", ".join(meanings),
                hint=f"the methods may say which{otherwise}",
                severity="error",
            )


@rule(
    "technique_parts_named",
    "open parts of a technique are named",
    needs=NEEDS,
    basis="definition of the techniques",
)
def technique_parts_named(context: Context) -> Iterator[Problem]:
    """Ask for the parts that a technique's name leaves open."""
    components = component_terms(context)
    for arm in context.record.groups("arms"):
        term = context.term(arm, "technique", "arms.technique")
        if term is None or arm.flag("mixed"):
            continue
        listed = arm.words("components")
        for fact, severity in (("choose", "error"), ("ask", "question")):
            for group in open_groups(term, listed, components, fact):
                yield arm.problem(
                    "components",
                    f"{term.id} needs its {group.replace('_', ' ')} named",
                    allowed=", ".join(parts_of_group(group, components)),
                    severity="error" if severity == "error" else "question",
                )
        if (
            not expand(term, listed)
            and not term.facts.words("ambiguous_between")
            and not term.facts.flag("mixed")
        ):
            yield arm.problem("components", f"{term.id} needs every part listed here", severity="error")


@rule("components_exclude", "components do not exclude each other", needs=NEEDS, basis="anatomy; " + PRACTICE)
def components_exclude(context: Context) -> Iterator[Problem]:
    """Find parts that cannot stand in one thumb, such as a removed trapezium and a fused one."""
    for arm in context.record.groups("arms"):
        if arm.flag("mixed"):
            continue
        for part, other in clashes(components_of(context, arm), component_terms(context)):
            yield arm.problem(
                "components",
                f"{part} excludes {other}",
                found=", ".join(arm.words("components")) or arm.text("technique"),
                hint=f"the technique {arm.text('technique')} already means "
                + (", ".join(expand(context.term(arm, "technique", "arms.technique"), ())) or "nothing"),
                severity="error",
            )


@rule(
    "mixed_arm", "an arm of mixed techniques says so", needs=("arms.mixed", "arms.technique"), basis=PRACTICE
)
def mixed_arm(context: Context) -> Iterator[Problem]:
    """Find arms coded as mixed in one field only."""
    for arm in context.record.groups("arms"):
        term = context.term(arm, "technique", "arms.technique")
        if term is not None and term.facts.flag("mixed") and arm.flag("mixed") is not True:
            yield arm.problem(
                "mixed", f"the technique is {term.id}, so mixed is yes", allowed="yes", severity="error"
            )


@rule("part_given_to_some", "parts given to some", needs=("arms.partly_given", "arms.thumbs"), basis=PRACTICE)
def part_given_to_some(context: Context) -> Iterator[Problem]:
    """Find parts given to more thumbs than there are, to nearly all, or listed as given to all as well."""
    for arm in context.record.groups("arms"):
        thumbs, whole = most(arm, "thumbs"), set(components_of(context, arm))
        for part in arm.groups("partly_given"):
            name, count = part.text("component"), part.integer("thumbs")
            if name and name in whole:
                yield part.problem(
                    "component",
                    "stands under components (given to all) as well",
                    found=name,
                    severity="error",
                )
            if count is None or not thumbs:
                continue
            if count > thumbs:
                yield part.problem(
                    "thumbs", f"{count} of {thumbs} thumbs", found=str(count), severity="error"
                )
            elif count >= 0.9 * thumbs:
                yield part.problem(
                    "thumbs",
                    f"{count} of {thumbs} = {100 * count / thumbs:.0f} %: then it belongs under components",
                    severity="question",
                )


@rule("identical_arms", "arms differ", needs=(*NEEDS, "arms.mp_option", "arms.st_option"), basis=PRACTICE)
def identical_arms(context: Context) -> Iterator[Problem]:
    """Ask about two arms that are coded alike."""
    seen: dict[tuple[object, ...], Group] = {}
    for arm in context.record.groups("arms"):
        if not arm.text("technique") or arm.flag("mixed"):
            continue
        key = (
            arm.text("technique"),
            frozenset(components_of(context, arm)),
            arm.text("mp_option"),
            arm.text("st_option"),
        )
        if key in seen:
            yield arm.problem(
                "technique",
                f"coded exactly like the arm on line {seen[key].place.line}; what differs?",
                found=arm.text("technique"),
                severity="question",
            )
        seen.setdefault(key, arm)


@rule(
    "arms_differ_in_one_thing",
    "arms differ in what is compared only",
    needs=(*NEEDS, "arms.mp_option", "arms.st_option", "arms.partly_given"),
    basis=PRACTICE,
)
def arms_differ_in_one_thing(context: Context) -> Iterator[Problem]:
    """Ask about arms of two techniques that differ beside them, and of one technique that differ twice."""
    arms = [arm for arm in context.record.groups("arms") if arm.text("technique") and not arm.flag("mixed")]
    parts = [_parts_of(context, arm) for arm in arms]
    for index, arm in enumerate(arms):
        for earlier in range(index):
            found = differences(parts[earlier], parts[index])
            same = parts[earlier].technique == parts[index].technique
            if not found or (same and len({item.kind for item in found}) < 2):
                continue
            what = "; ".join(item.words for item in found)
            yield arm.problem(
                "technique",
                f"differs from arm {arms[earlier].text('id')} in more than one thing: {what}",
                found=arm.text("technique"),
                hint="was that so? then an answer from these arms cannot tell the technique from the rest",
                severity="question",
            )


def _parts_of(context: Context, arm: Group) -> ArmParts:
    counts = {
        part.text("component"): number
        for part in arm.groups("partly_given")
        if (number := part.integer("thumbs")) is not None
    }
    spec = context.form.find("arms.partly_given.component")
    terms = spec.terms if spec else {}
    options = {name: context.term(arm, name, f"arms.{name}") for name in ("mp_option", "st_option")}
    listed = list(arm.words("components"))
    told = context.form.find("subgroups.osteophyte_option")
    if told is not None:
        # Osteophytes removed stand under their option, whether a component or a field of the record says so.
        typed = arm.text(OSTEOPHYTES)
        whole = typed if typed in ("yes", "no") else ""
        options["osteophyte_option"] = option_told(told.terms.values(), whole, listed)
        same = {term.facts.text("component") for term in told.terms.values()}
        listed = [part for part in listed if part not in same]
    return arm_parts(
        context.term(arm, "technique", "arms.technique"),
        listed,
        component_terms(context),
        options,
        {
            part: terms[part].label
            for part in in_most(counts, arm.integer("thumbs.analysed") or most(arm, "thumbs"))
            if part in terms
        },
        arm.number("immobilisation_weeks"),
    )
