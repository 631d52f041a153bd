"""The typed view of a protocol."""

from __future__ import annotations

from typing import Literal, cast

from metakit.core.plans import (
    ARM_OPTIONS,
    AnalysisPlan,
    BaselinePlan,
    ComparisonPlan,
    ExplorationPlan,
    NetworkPlan,
    OptionPairsPlan,
    OutcomePlan,
    Protocol,
    SpecificationPlan,
)
from metakit.forms.tree import Group
from metakit.review.typed_fields import band_of


def protocol(group: Group, *, file: str, sha256: str) -> Protocol:
    """Return the typed view of a protocol without errors.

    Parameters
    ----------
    group : Group
        The checked protocol.
    file : str
        Path within the review folder.
    sha256 : str
        Of the file's bytes.
    """
    return Protocol(
        id=group.text("review.id"),
        title=group.text("review.title"),
        question=group.text("review.question"),
        population=group.text("population"),
        invented=bool(group.flag("review.invented")),
        unit_of_analysis=cast('Literal["thumbs", "patients"]', group.text("unit_of_analysis")),
        icc=group.number("icc") or 0.0,
        outcomes=tuple(_outcome(item) for item in group.groups("outcomes")),
        comparisons=tuple(_comparison(item) for item in group.groups("comparisons")),
        analyses=tuple(_analysis(item) for item in group.groups("analyses")),
        explorations=tuple(_exploration(item) for item in group.groups("explorations")),
        networks=tuple(_network(item) for item in group.groups("networks")),
        option_pairs=tuple(_option_pairs(item) for item in group.groups("option_pairs")),
        baselines=tuple(_baseline(item) for item in group.groups("baselines")),
        specifications=_specifications(group),
        inference=group.text("inference"),
        date=group.text("review.date"),
        registration=group.text("review.registration"),
        protocol_available=group.text("review.protocol_available"),
        funding=group.text("review.funding"),
        competing_interests=group.text("review.competing_interests"),
        data_available=group.text("review.data_available"),
        code_available=group.text("review.code_available"),
        file=file,
        sha256=sha256,
        fields=group.plain(),
    )


def _exploration(item: Group) -> ExplorationPlan:
    return ExplorationPlan(
        id=item.text("id"),
        kind=cast('Literal["meta_regression", "subgroups"]', item.text("kind")),
        moderators=item.words("moderators"),
        analyses=item.words("analyses"),
        expected=item.text("expected"),
        data_seen=bool(item.flag("data_seen")),
    )


def _specifications(group: Group) -> SpecificationPlan | None:
    if not group.has("specifications"):
        return None
    found = group.group("specifications")
    most = found.number("most")
    return SpecificationPlan(
        analyses=found.words("analyses"),
        measures=found.words("measures"),
        models=found.words("models"),
        tau2=found.words("tau2"),
        intervals=found.words("intervals"),
        zero_cells=found.words("zero_cells"),
        appraisal=found.words("appraisal"),
        designs=found.words("designs"),
        iccs=tuple(map(float, found.words("icc"))),
        windows=found.words("windows"),
        most=None if most is None else int(most),
        data_seen=bool(found.flag("data_seen")),
    )


def _outcome(item: Group) -> OutcomePlan:
    return OutcomePlan(
        outcome=item.text("outcome"),
        importance=cast('Literal["critical", "important", "not_important"]', item.text("importance")),
        window=item.text("window"),
        smallest_important_difference=item.number("smallest_important_difference"),
        smallest_important_difference_source=item.text("smallest_important_difference_source"),
        moderate_difference=item.number("moderate_difference"),
        large_difference=item.number("large_difference"),
    )


def _baseline(item: Group) -> BaselinePlan:
    return BaselinePlan(
        label=item.text("label"),
        kind=cast('Literal["registry", "unit_audit", "published_cohort"]', item.text("kind")),
        outcome=item.text("outcome"),
        events=item.number("events") or 0.0,
        months=item.number("months"),
        source=item.text("source"),
        thumbs=item.number("thumbs"),
        thumb_years=item.number("thumb_years"),
        comparisons=item.words("comparisons"),
    )


def _comparison(item: Group) -> ComparisonPlan:
    return ComparisonPlan(
        id=item.text("id"),
        label=item.text("label"),
        technique=item.words("technique"),
        technique_label=item.text("technique_label"),
        comparator=item.words("comparator"),
        comparator_label=item.text("comparator_label"),
        **{f"{kind}_{side}": item.words(f"{kind}_{side}") for kind in ARM_OPTIONS for side in (1, 2)},
        mp_before=band_of(item, "mp_before"),
    )


def _analysis(item: Group) -> AnalysisPlan:
    level = item.number("level")
    return AnalysisPlan(
        id=item.text("id"),
        outcome=item.text("outcome"),
        measure=item.text("measure"),
        comparison=item.text("comparison"),
        techniques=item.words("techniques"),
        techniques_label=item.text("techniques_label"),
        scale=item.text("scale") or None,
        model=item.text("model") or None,
        tau2=item.text("tau2") or None,
        interval=item.text("interval") or None,
        zero_cells=item.text("zero_cells") or None,
        level=0.95 if level is None else level,
        without_pooling=item.text("without_pooling"),
        adjusted=cast('Literal["", "prefer", "only", "never"]', item.text("adjusted")),
    )


def _option_pairs(item: Group) -> OptionPairsPlan:
    return OptionPairsPlan(
        id=item.text("id"),
        source=item.text("source"),
        outcomes=item.words("outcomes"),
        by_band=bool(item.flag("by_band")),
    )


def _network(item: Group) -> NetworkPlan:
    level = item.number("level")
    return NetworkPlan(
        id=item.text("id"),
        label=item.text("label"),
        outcome=item.text("outcome"),
        measure=item.text("measure"),
        reference=item.text("reference"),
        techniques=item.words("techniques"),
        model=item.text("model") or None,
        tau2=item.text("tau2") or None,
        components=bool(item.flag("components")),
        interactions=item.words("interactions"),
        order=item.words("order"),
        characteristics=item.words("characteristics"),
        moderator=item.text("moderator"),
        moderator_form=item.text("moderator_form") or "per_technique",
        baseline_per_100=item.number("baseline_per_100"),
        level=0.95 if level is None else level,
    )
