"""Rules on a protocol: names, what an analysis asks, measures that fit."""

from __future__ import annotations

from collections.abc import Iterator

from metakit.errors import Problem
from metakit.forms.rules.registry import Context, rule
from metakit.forms.tree import Group

RESTRICTED = ("mantel_haenszel", "peto", "one_stage")
WITHOUT_TAU2 = ("common_effect", "mantel_haenszel", "peto", "bayesian")
NEEDS = ("outcomes.outcome", "comparisons.id", "analyses.id", "analyses.measure")


@rule("protocol_names", "names in a protocol differ", needs=NEEDS, basis="references by name")
def protocol_names(context: Context) -> Iterator[Problem]:
    """Find outcomes, comparisons and analyses of one name."""
    for section, field in (("outcomes", "outcome"), ("comparisons", "id"), ("analyses", "id")):
        first: dict[str, Group] = {}
        for item in context.record.groups(section):
            name = item.text(field)
            if name and name in first:
                yield item.problem(
                    field, f"stands on line {first[name].place.line} already", found=name, severity="error"
                )
            first.setdefault(name, item)


@rule(
    "analysis_asks_one_thing",
    "either a comparison or techniques",
    needs=(*NEEDS, "analyses.comparison", "analyses.techniques"),
    basis="contrasts and single-arm series are never one number",
)
def analysis_asks_one_thing(context: Context) -> Iterator[Problem]:
    """Find analyses with both or neither."""
    for item in context.record.groups("analyses"):
        if item.has("comparison") and item.has("techniques"):
            yield item.problem(
                "techniques", "an analysis has a comparison or techniques, not both", severity="error"
            )
        elif "comparison" not in item.entries and "techniques" not in item.entries:
            yield item.problem(
                "", "an analysis needs a comparison, or techniques for single-arm series", severity="error"
            )


@rule(
    "measure_fits", "the measure fits outcome and question", needs=NEEDS, basis="definition of the measures"
)
def measure_fits(context: Context) -> Iterator[Problem]:
    """Find measures for another kind of outcome, or comparisons asked of one-arm measures."""
    for item in context.record.groups("analyses"):
        measure, outcome = (
            context.term(item, "measure", "analyses.measure"),
            context.term(item, "outcome", "analyses.outcome"),
        )
        if measure is None:
            continue
        kinds = measure.facts.words("outcome_kinds")
        kind = outcome.facts.text("kind") if outcome else ""
        if outcome and kind not in kinds:
            yield item.problem(
                "measure",
                f"{measure.id} is for outcomes of kind {' or '.join(kinds)}; {outcome.id} is {kind}",
                found=measure.id,
                severity="error",
            )
        comparative = measure.facts.flag("comparative")
        if comparative and item.has("techniques"):
            yield item.problem(
                "measure",
                f"{measure.id} compares two arms; series have one",
                found=measure.id,
                severity="error",
            )
        if not comparative and item.has("comparison"):
            yield item.problem(
                "measure",
                f"{measure.id} describes one arm; a comparison has two",
                found=measure.id,
                severity="error",
            )


@rule(
    "sides_differ",
    "the two sides of a comparison differ",
    needs=("comparisons.technique", "comparisons.comparator"),
    basis="logic",
)
def sides_differ(context: Context) -> Iterator[Problem]:
    """Find techniques on both sides without MP options that tell them apart, and ambiguous names."""
    for item in context.record.groups("comparisons"):
        one, other = item.words("mp_option_1"), item.words("mp_option_2")
        told_apart = bool(one and other and not set(one) & set(other))
        both = [name for name in item.words("technique") if name in item.words("comparator")]
        if both and not told_apart:
            yield item.problem(
                "comparator",
                "the same technique on both sides",
                found=", ".join(both),
                hint="tell them apart by mp_option_1 and mp_option_2 without a common option",
                severity="error",
            )
        for field in ("technique", "comparator"):
            spec = context.form.find(f"comparisons.{field}")
            for name in item.words(field):
                meanings = (
                    spec.terms[name].facts.words("ambiguous_between") if spec and name in spec.terms else ()
                )
                if meanings:
                    yield item.problem(
                        field,
                        "no record can have this ambiguous name",
                        found=name,
                        allowed=", ".join(meanings),
                        severity="error",
                    )


@rule(
    "outcome_difference_source",
    "a smallest important difference has a source",
    needs=("outcomes.smallest_important_difference",),
    basis="published values conflict",
)
def outcome_difference_source(context: Context) -> Iterator[Problem]:
    """Ask for the source of a smallest important difference."""
    for item in context.record.groups("outcomes"):
        if item.has("smallest_important_difference") and not item.has("smallest_important_difference_source"):
            yield item.problem(
                "smallest_important_difference",
                "from which source?",
                found=item.typed("smallest_important_difference"),
                severity="question",
            )


@rule(
    "options_fit_measure",
    "options fit measure and model",
    needs=(*NEEDS, "analyses.model", "analyses.tau2"),
    basis="definition of the models",
)
def options_fit_measure(context: Context) -> Iterator[Problem]:
    """Find options that an analysis cannot use."""
    for item in context.record.groups("analyses"):
        measure, model = context.term(item, "measure", "analyses.measure"), item.text("model")
        if model in WITHOUT_TAU2 and item.has("tau2"):
            yield item.problem(
                "tau2",
                f"{model} takes no estimator of tau2",
                found=item.text("tau2"),
                hint="leave it out",
                severity="error",
            )
        if measure is None:
            continue
        if model in RESTRICTED and model not in measure.facts.words("models"):
            yield item.problem(
                "model", f"{model} does not pool a {measure.label.lower()}", found=model, severity="error"
            )
        for field, fact in (("scale", "scales"), ("zero_cells", "zero_cells")):
            allowed = measure.facts.words(fact)
            if item.text(field) and item.text(field) not in allowed:
                yield item.problem(
                    field,
                    f"not an option of {measure.id}",
                    found=item.text(field),
                    allowed=", ".join(allowed),
                    severity="error",
                )
