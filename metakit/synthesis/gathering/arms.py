"""Which studies and which of their arms answer a question of the plan."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from metakit.core.notes import SetAside
from metakit.core.plans import AnalysisPlan, ComparisonPlan
from metakit.core.records import Arm, StudyRecord
from metakit.core.values import Band
from metakit.errors import UsageError
from metakit.measures.column_rules import base_name
from metakit.measures.registry import Measure
from metakit.synthesis.gathering.part_arms import in_band, with_parts
from metakit.synthesis.gathering.reported_effects import READY_MEASURES
from metakit.synthesis.gathering.rows import Candidate, Gathered

OF_COUNTS = ("mantel_haenszel", "peto", "one_stage")
"""Models of the arms' own counts."""

Sides = tuple[tuple[Arm, ...], tuple[Arm, ...]]

NUMBERS = {"events", "total", "time", "mean", "sd"}
"""What a study record gives of one arm."""


def display_names(studies: Sequence[StudyRecord]) -> dict[str, str]:
    """Give each study (by id) the name that tables and figures show; equal labels get their id added."""
    labels = Counter(study.label for study in studies)
    return {
        study.id: study.label if labels[study.label] == 1 else f"{study.label} [{study.id}]"
        for study in studies
    }


def check_plan(plan: AnalysisPlan, measure: Measure) -> None:
    """Refuse an analysis that would mix single-arm series with comparisons, or needs what records lack.

    Raises
    ------
    UsageError
        Naming the analysis and what is allowed.
    """
    known = {
        base_name(column) for column in measure.columns
    } <= NUMBERS and "mean_before" not in measure.columns
    if not known and not measure.kind.timed:
        raise UsageError(
            f"analysis {plan.id!r}: measure {measure.name!r} cannot be computed from study records; "
            "pool it from a table with 'metakit pool'"
        )
    if bool(plan.comparison) == bool(plan.techniques):
        raise UsageError(
            f"analysis {plan.id!r} needs either a comparison or techniques, not both and not neither"
        )
    two_arms = measure.comparative
    if plan.adjusted and measure.name not in READY_MEASURES:
        raise UsageError(
            f"analysis {plan.id!r}: 'adjusted' is for what reports give ready: {', '.join(READY_MEASURES)}"
        )
    if plan.adjusted and plan.model in OF_COUNTS:
        raise UsageError(
            f"analysis {plan.id!r}: the model {plan.model} needs the counts of both arms, which effects that "
            "reports give ready ('adjusted') do not have; allowed: random_effects, common_effect, bayesian"
        )
    if plan.techniques and two_arms:
        raise UsageError(
            f"analysis {plan.id!r}: {measure.label} compares two arms, but the plan names the single-arm "
            f"series of "
            f"{plan.techniques_label or ', '.join(plan.techniques)}; series never enter a comparative pool"
        )
    if plan.comparison and not two_arms:
        raise UsageError(
            f"analysis {plan.id!r}: {measure.label} describes one arm, but the plan names the comparison "
            f"{plan.comparison!r}; arms of comparative studies never enter a pool of single-arm series"
        )


def comparison_candidates(
    comparison: ComparisonPlan, measure: Measure, studies: Sequence[StudyRecord], names: dict[str, str]
) -> Gathered:
    """Find the comparative studies that have arms on both sides of a comparison.

    Studies without an arm on both sides are not about this question and are not listed. A study that is,
    and still cannot be compared (mixed arms, one technique a side of the same patient, a design from which
    risks cannot be computed), is set aside by name.
    """
    found: list[Candidate] = []
    aside: list[SetAside] = []
    notes: list[str] = []
    for told in studies:
        study, sides = told, _sides(told, comparison)
        if comparison.mp_before is not None:
            within, across = in_band(told, comparison.mp_before)
            if all(sides) and across:
                notes.append(_across(names[told.id], across, comparison.mp_before))
            if within is None or not all(_sides(within, comparison)):
                continue
            study, sides = within, _sides(within, comparison)
            notes.append(
                f"{names[told.id]}: thumbs with {comparison.mp_before} degrees before surgery are compared, "
                "a part of each arm."
            )
        elif not all(sides):
            parted = with_parts(told, comparison)
            if parted is None or not all(_sides(parted, comparison)):
                continue
            study, sides = parted, _sides(parted, comparison)
            notes.append(
                f"{names[told.id]}: parts of one arm are compared; who got which was decided thumb by thumb."
            )
        name = names[study.id]
        reason = ""
        if comparison.of_options:
            sides, reason = _within_technique(sides)
        reason = reason or _why_not_compared(study, sides, measure)
        pure = tuple(tuple(arm for arm in side if not arm.mixed) for side in sides)
        if not reason and not all(pure):
            mixed = [arm.label for side in sides for arm in side if arm.mixed]
            reason = _mixed_reason(mixed)
        if reason:
            aside.append(SetAside(study=name, reason=reason))
            continue
        found.append(Candidate(study=study, name=name, sides=pure))
        notes.extend(_other_arms(study, name, pure))
    return Gathered(studies=(), candidates=tuple(found), set_aside=tuple(aside), notes=tuple(notes))


def _across(name: str, bands: Sequence[str], asked: Band) -> str:
    return (
        f"{name}: thumbs counted in bands that run across {asked} degrees ({', '.join(bands)}) can be put on "
        "neither side of it, and are left out."
    )


def series_candidates(plan: AnalysisPlan, studies: Sequence[StudyRecord], names: dict[str, str]) -> Gathered:
    """Find the single-arm series of some techniques; arms of comparative studies are named in a note."""
    found: list[Candidate] = []
    aside: list[SetAside] = []
    elsewhere: list[str] = []
    for study in studies:
        arms = tuple(arm for arm in study.arms if arm.technique in plan.techniques)
        if not arms:
            continue
        name = names[study.id]
        if study.design_group != "series":
            elsewhere.append(name)
            continue
        pure = tuple(arm for arm in arms if not arm.mixed)
        if is_retracted(study):
            aside.append(SetAside(study=name, reason="the report was retracted"))
            continue
        if not pure:
            reason = _mixed_reason([arm.label for arm in arms])
            aside.append(SetAside(study=name, reason=reason))
            continue
        found.append(Candidate(study=study, name=name, sides=(pure,)))
    notes = []
    if elsewhere:
        notes.append(
            "Arms of comparative studies are kept out of pools of single-arm series; these studies have "
            "such an "
            f"arm: {', '.join(elsewhere)}."
        )
    return Gathered(studies=(), candidates=tuple(found), set_aside=tuple(aside), notes=tuple(notes))


def is_retracted(study: StudyRecord) -> bool:
    """Say whether the record says that the report was retracted."""
    about = study.fields.get("study")
    return isinstance(about, Mapping) and about.get("retracted") == "retracted"


def _sides(study: StudyRecord, comparison: ComparisonPlan) -> Sides:
    one, two = comparison.options(1), comparison.options(2)
    return (
        tuple(arm for arm in study.arms if _fits(arm, comparison.technique, one)),
        tuple(arm for arm in study.arms if _fits(arm, comparison.comparator, two)),
    )


def _fits(arm: Arm, techniques: tuple[str, ...], options: Mapping[str, tuple[str, ...]]) -> bool:
    return arm.technique in techniques and all(
        getattr(arm, kind) in allowed for kind, allowed in options.items()
    )


def _within_technique(sides: Sides) -> tuple[Sides, str]:
    """Keep the arms whose technique stands on both sides; say why not where none does."""
    shared = {arm.technique for arm in sides[0]} & {arm.technique for arm in sides[1]}
    kept = (
        tuple(arm for arm in sides[0] if arm.technique in shared),
        tuple(arm for arm in sides[1] if arm.technique in shared),
    )
    return (kept, "") if shared else (sides, "the arms differ in technique, not only in what is compared")


def _why_not_compared(study: StudyRecord, sides: Sides, measure: Measure) -> str:
    if is_retracted(study):
        return "the report was retracted"
    if study.design_group == "series":
        return "recorded as a single-arm series; its arms are no comparison"
    both = [arm.label for arm in sides[0] if arm in sides[1]]
    if both:
        return f"the arm {_quoted(both)} fits both sides of the comparison"
    if study.within_person:
        return (
            "one technique on each hand of the same patients: needs the paired analysis, "
            "which the unpaired comparison cannot give"
        )
    if study.design == "case_control" and measure.name not in {"odds_ratio", "peto_odds_ratio"}:
        return "a case-control study; risks cannot be computed from it"
    return ""


def _other_arms(study: StudyRecord, name: str, sides: tuple[tuple[Arm, ...], ...]) -> list[str]:
    used = {arm.id for side in sides for arm in side}
    others = [arm for arm in study.arms if arm.id not in used]
    if not others:
        return []
    mixed = [arm.label for arm in others if arm.mixed]
    plain = [arm.label for arm in others if not arm.mixed]
    notes = []
    if plain:
        notes.append(
            f"{name}: the arm {_quoted(plain)} belongs to neither side of this comparison and is not used "
            f"here."
        )
    if mixed:
        notes.append(f"{name}: the arm {_quoted(mixed)} mixes techniques and is not used.")
    return notes


def _mixed_reason(labels: Sequence[str]) -> str:
    return f"the arm {_quoted(labels)} mixes techniques that the report does not tell apart"


def _quoted(labels: Sequence[str]) -> str:
    return " and ".join(f"“{label}”" for label in labels)
