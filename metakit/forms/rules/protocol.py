"""Rules on a protocol: names, what an analysis asks, measures that fit."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from metakit.core.plans import ARM_OPTIONS
from metakit.errors import Problem, nearest_names
from metakit.forms.rules.contrasts import MEASURES_OF
from metakit.forms.rules.registry import Context, rule
from metakit.forms.tree import Group

RESTRICTED = ("mantel_haenszel", "peto", "one_stage")
WITHOUT_TAU2 = ("common_effect", "mantel_haenszel", "peto", "bayesian")
NEEDS = ("outcomes.outcome", "comparisons.id", "analyses.id", "analyses.measure")


@rule("protocol_names", "names in a protocol differ", needs=NEEDS, basis="references by name")
def protocol_names(context: Context) -> Iterator[Problem]:
    """Find outcomes, comparisons and analyses of one name."""
    for section, field in (
        ("outcomes", "outcome"),
        ("comparisons", "id"),
        ("analyses", "id"),
        ("networks", "id"),
    ):
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
    """Find techniques on both sides without options that tell them apart, and ambiguous names."""
    for item in context.record.groups("comparisons"):
        options = [(item.words(f"{kind}_1"), item.words(f"{kind}_2")) for kind in ARM_OPTIONS]
        told_apart = any(one and other and not set(one) & set(other) for one, other in options)
        both = [name for name in item.words("technique") if name in item.words("comparator")]
        if both and not told_apart:
            yield item.problem(
                "comparator",
                "the same technique on both sides",
                found=", ".join(both),
                hint="tell them apart by mp_option_1 and mp_option_2 without a common option (or st_option, "
                "osteophyte_option)",
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
        ready = {name for names in MEASURES_OF.values() for name in names}
        if item.text("adjusted") and measure.id not in ready:
            yield item.problem(
                "adjusted",
                f"no report gives this measure ready: {measure.label.lower()}",
                found=item.text("adjusted"),
                allowed=", ".join(sorted(ready)),
                severity="error",
            )
        if item.text("adjusted") and model in RESTRICTED:
            yield item.problem(
                "model",
                f"{model} needs the counts of both arms, which ready effects (adjusted) do not have",
                found=model,
                allowed="random_effects, common_effect, bayesian",
                severity="error",
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


@rule(
    "network_fits",
    "a network's measure, model and order fit",
    needs=("networks.outcome", "networks.measure", "networks.model"),
    basis="definition of the models",
)
def network_fits(context: Context) -> Iterator[Problem]:
    """Find networks whose measure is for another kind of outcome, or whose model is for odds ratios only."""
    for item in context.record.groups("networks"):
        outcome, measure, model = (
            context.term(item, "outcome", "networks.outcome"), item.text("measure"), item.text("model"),
        )  # fmt: skip
        if (
            outcome
            and measure
            and (outcome.facts.text("kind") == "continuous") != (measure == "mean_difference")
        ):
            kind = outcome.facts.text("kind")
            yield item.problem(
                "measure", f"{outcome.id} is an outcome of kind {kind}", found=measure, severity="error"
            )
        if (
            model in ("mantel_haenszel", "one_stage", "one_stage_common_effect")
            and measure
            and measure != "odds_ratio"
        ):
            yield item.problem(
                "model", f"{model} is for odds ratios in a network", found=measure,
                allowed="odds_ratio", severity="error",
            )  # fmt: skip
        if model and model != "random_effects" and item.has("tau2"):
            yield item.problem(
                "tau2", f"{model} takes no estimator of tau2", hint="leave it out", severity="error"
            )
        spec = context.form.find("networks.characteristics")
        for field, names in (
            ("characteristics", item.words("characteristics")),
            ("moderator", (item.text("moderator"),)),
        ):
            for name in names:
                facts = spec.terms[name].facts if spec and name in spec.terms else None
                if facts and (
                    facts.flag("comparative") or (field == "moderator" and facts.text("kind") == "words")
                ):
                    what = (
                        "a network's moderator is a number of a study, not words or a difference of two arms"
                    )
                    yield item.problem(field, what, found=name, severity="error")
        known = item.words("techniques")
        for field in ("reference", "order"):
            for name in (item.text(field),) if field == "reference" else item.words(field):
                if known and name and name not in known:
                    yield item.problem(
                        field, "no technique of this network", found=name, allowed=", ".join(known),
                        severity="error",
                    )  # fmt: skip


@rule(
    "difference_sizes_rise",
    "sizes of a difference rise",
    needs=(
        "outcomes.smallest_important_difference",
        "outcomes.moderate_difference",
        "outcomes.large_difference",
    ),
    basis="definition of the sizes",
)
def difference_sizes_rise(context: Context) -> Iterator[Problem]:
    """Find a smallest difference of nothing, sizes that do not rise, and sizes without a smallest."""
    names = ("smallest_important_difference", "moderate_difference", "large_difference")
    for item in context.record.groups("outcomes"):
        known = [(name, size) for name in names if (size := item.number(name)) is not None]
        if known and known[0][0] != names[0]:
            yield item.problem(
                known[0][0], "a size needs the smallest important difference before it", severity="error"
            )
        if known and known[0][1] <= 0:
            yield item.problem(
                known[0][0], "a difference of nothing cannot be important",
                found=item.typed(known[0][0]), allowed="above 0", severity="error",
            )  # fmt: skip
        for (_, before), (name, size) in pairwise(known):
            if size <= before:
                yield item.problem(
                    name, "must be larger than the size before it",
                    found=item.typed(name), allowed=f"above {before:g}", severity="error",
                )  # fmt: skip


@rule(
    "baseline_counts",
    "a baseline is a count of something",
    needs=("baselines.events", "baselines.thumbs", "baselines.thumb_years", "comparisons.id"),
    basis="definition of risk and rate",
)
def baseline_counts(context: Context) -> Iterator[Problem]:
    """Find baselines without one total, with more events than thumbs, or of an unknown comparison."""
    comparisons = [item.text("id") for item in context.record.groups("comparisons")]
    for item in context.record.groups("baselines"):
        totals = [name for name in ("thumbs", "thumb_years") if item.has(name)]
        if len(totals) != 1:
            what = "a baseline has either thumbs (a risk) or thumb_years (a rate)"
            yield item.problem(totals[-1] if totals else "events", what, severity="error")
        events, thumbs = item.number("events"), item.number("thumbs")
        if events is not None and thumbs is not None and events > thumbs:
            yield item.problem(
                "events", "more events than thumbs", found=item.typed("events"),
                allowed=f"at most {thumbs:g}", severity="error",
            )  # fmt: skip
        for name in item.words("comparisons"):
            if name not in comparisons:
                yield item.problem(
                    "comparisons", "there is no comparison of this id", found=name,
                    hint=nearest_names(name, comparisons), severity="error",
                )  # fmt: skip


@rule(
    "specifications_fit",
    "specifications name analyses and correlations that exist",
    needs=("analyses.id", "specifications.analyses", "specifications.icc"),
    basis="references by name; a correlation lies between 0 and 1",
)
def specifications_fit(context: Context) -> Iterator[Problem]:
    """Find specifications of analyses that do not exist, and impossible correlations."""
    if not context.record.has("specifications"):
        return
    item = context.record.group("specifications")
    analyses = [other.text("id") for other in context.record.groups("analyses")]
    for name in item.words("analyses"):
        if name not in analyses:
            yield item.problem(
                "analyses", "there is no analysis of this id", found=name,
                hint=nearest_names(name, analyses), severity="error",
            )  # fmt: skip
    for typed in item.words("icc"):
        try:
            value = float(typed)
        except ValueError:
            value = -1.0
        if not 0 <= value <= 1:
            yield item.problem("icc", "not a correlation", found=typed, allowed="0 to 1", severity="error")
