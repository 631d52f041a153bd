"""The arms of a planned network: whole techniques as nodes, or sets of components, from the study records.

A part given to fewer than 90 % of an arm is no component of it; how many got it is kept beside the arm as a
covariate.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from metakit.core.notes import Assumption, SetAside
from metakit.core.plans import ARM_OPTIONS, AnalysisPlan, NetworkPlan, Protocol
from metakit.core.records import Arm, StudyRecord
from metakit.core.written import count
from metakit.errors import UnknownNameError
from metakit.forms.library import vocabulary
from metakit.measures.registry import MEASURES
from metakit.networks.components import JOIN, arm_name
from metakit.synthesis.gathering.arms import is_retracted
from metakit.synthesis.gathering.gather import Task, gather_candidates, usable_sides
from metakit.synthesis.gathering.rows import Candidate, Choices, Gathered, StudyNumbers
from metakit.synthesis.terms import label_of, outcome_term

NEARLY_ALL = 0.9
"""Share of an arm from which a part counts as given to all (common practice, no source)."""

SILENCE = {
    "mp_option": "the MP joint",
    "st_option": "the ST joint",
    "osteophyte_option": "osteophytes",
}
"""What an arm may say nothing of, by the field that would tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartlyGiven:
    """A part that only some thumbs of an arm got: a covariate of the arm, not a component."""

    study: str
    arm: str
    component: str
    label: str
    thumbs: int
    total: int

    @property
    def words(self) -> str:
        """Say it in a sentence."""
        share = 100 * self.thumbs / self.total
        return (
            f"{self.study}, “{self.arm}”: {self.label} in {self.thumbs} of {self.total} thumbs "
            f"({share:.0f} %) is a covariate of the arm, not a component of it."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkGathered:
    """Studies of a network, one side a node; `nodes` holds each study's nodes in the order of its sides."""

    studies: tuple[StudyNumbers, ...]
    nodes: Mapping[str, tuple[str, ...]]
    set_aside: tuple[SetAside, ...]
    assumptions: tuple[Assumption, ...]
    notes: tuple[str, ...]

    def rows(self) -> list[tuple[str, str, Mapping[str, float]]]:
        """Return study, node and effective numbers, one row an arm."""
        return [
            (study.name, node, side.effective)
            for study in self.studies
            for node, side in zip(self.nodes[study.name], study.sides, strict=True)
        ]


def component_set(arm: Arm) -> tuple[str, ...]:
    """Return the components given to all or nearly all of an arm, with procedures at the MP and ST joints.

    Attributes (details of another part) are no components.
    """
    terms = vocabulary("components")
    nearly = [name for name, thumbs in arm.partly_given.items() if _nearly_all(arm, thumbs)]
    parts = [name for name in (*arm.components, *nearly) if not terms[name].facts.flag("attribute")]
    for field, kind in ARM_OPTIONS.items():
        option, options = getattr(arm, field), vocabulary(kind)
        if option in options and options[option].facts.text("done") == "treated":
            parts.append(options[option].facts.text("component") or option)
    return tuple(sorted(set(parts)))


def baseline_components(sets: Sequence[str]) -> tuple[str, ...]:
    """Return the usual reference part where every set holds exactly one part of its group, else nothing.

    For the thumb base that is trapeziectomy among the states of the trapezium. The states then add up to one
    in every arm, so that one of them must be what the others are judged against. No predicted contrast
    depends on the choice.
    """
    found = []
    for reference in (term for term in vocabulary("components") if term.facts.flag("usual_reference")):
        group = reference.facts.text("group")
        states = {term.id for term in vocabulary("components") if term.facts.text("group") == group}
        held = [states & set(name.split(JOIN)) for name in sets]
        if all(len(item) == 1 for item in held) and {reference.id} in held:
            found.append(reference.id)
    return tuple(found)


def parts_notes(by_parts: NetworkGathered, by_technique: NetworkGathered) -> tuple[str, ...]:
    """Say what silence counts for in the network of parts, and which studies are not in it."""
    arms = [
        (study.name, part.arm) for study in by_parts.studies for side in study.sides for part in side.arms
    ]
    notes = []
    for field, what in SILENCE.items():
        told = vocabulary(ARM_OPTIONS[field])
        silent = [
            name for name, arm in arms
            if (term := told.terms.get(getattr(arm, field))) and term.facts.text("done") == "not_reported"
        ]  # fmt: skip
        if silent:
            studies = count(len(set(silent)), "study", "studies")
            notes.append(
                f"Parts of operations: {count(len(silent), 'arm')} of {studies} say nothing of {what} and "
                "count as if nothing was done there."
            )
    whole = {item.study for item in by_technique.set_aside}
    notes += [
        f"Not in the network of parts: {item.study}: {item.reason}."
        for item in by_parts.set_aside
        if item.study not in whole
    ]
    return tuple(notes)


def partly_given(study: str, arm: Arm) -> tuple[PartlyGiven, ...]:
    """Return the parts that fewer than 90 % of an arm's thumbs got."""
    return tuple(
        PartlyGiven(
            study=study, arm=arm.label, component=name, label=component_label(name), thumbs=thumbs,
            total=arm.thumbs or thumbs,
        )
        for name, thumbs in arm.partly_given.items()
        if not _nearly_all(arm, thumbs)
    )  # fmt: skip


def component_label(name: str) -> str:
    """Return the label of a component, or of a procedure at a neighbouring joint."""
    for kind in ("components", "mp_options", "st_options"):
        terms = vocabulary(kind)
        if name in terms:
            return terms[name].label
    return name.replace("_", " ")


def node_label(node: str) -> str:
    """Return the label of a technique, or of a set of components joined by `+`."""
    if node in vocabulary("techniques"):
        return label_of("techniques", node)
    return " + ".join(component_label(part) for part in node.split(JOIN))


def network_task(plan: NetworkPlan, protocol: Protocol) -> Task:
    """Return what gathering needs to know of a planned network.

    Raises
    ------
    UnknownNameError
        If the outcome is none of the protocol.
    """
    outcomes = {item.outcome: item for item in protocol.outcomes}
    if plan.outcome not in outcomes:
        raise UnknownNameError(f"outcome of the protocol, in network {plan.id!r}", plan.outcome, outcomes)
    return Task(
        plan=AnalysisPlan(id=plan.id, outcome=plan.outcome, measure=plan.measure, level=plan.level),
        protocol=protocol,
        measure=MEASURES[plan.measure],
        term=outcome_term(plan.outcome),
        window=outcomes[plan.outcome].window,
        choices=Choices(icc=protocol.icc),
    )


def gather_network(
    task: Task,
    plan: NetworkPlan,
    studies: Sequence[StudyRecord],
    names: Mapping[str, str],
    *,
    by_components: bool,
) -> NetworkGathered:
    """Collect the arms of every comparative study, by technique or by set of components.

    Arms of one study at one node are combined; a node without usable numbers is left out of its study, and a
    study with fewer than two nodes left is set aside by name.
    """
    node_of: Callable[[Arm], str] = (
        (lambda arm: arm_name(component_set(arm))) if by_components else (lambda arm: arm.technique)
    )
    candidates: list[Candidate] = []
    aside: list[SetAside] = []
    notes: list[str] = []
    for study in studies:
        arms = [arm for arm in study.arms if not plan.techniques or arm.technique in plan.techniques]
        if study.design_group == "series" or len(arms) < 2:
            continue
        candidate, reason, said = _candidate(study, names[study.id], arms, task, node_of)
        notes += said
        if candidate is None:
            aside.append(SetAside(study=names[study.id], reason=reason))
        else:
            candidates.append(candidate)
    found = gather_candidates(
        task, Gathered(studies=(), candidates=tuple(candidates), set_aside=tuple(aside), notes=tuple(notes))
    )
    return NetworkGathered(
        studies=found.studies,
        nodes={
            study.name: tuple(node_of(side.arms[0].arm) for side in study.sides) for study in found.studies
        },
        set_aside=found.set_aside,
        assumptions=found.assumptions,
        notes=found.notes,
    )


def _candidate(
    study: StudyRecord, name: str, arms: Sequence[Arm], task: Task, node_of: Callable[[Arm], str]
) -> tuple[Candidate | None, str, list[str]]:
    if is_retracted(study):
        return None, "the report was retracted", []
    if study.within_person:
        return None, "one technique on each hand of the same patients needs a paired analysis", []
    if study.design == "case_control" and task.measure.name != "odds_ratio":
        return None, "a case-control study; risks cannot be computed from it", []
    notes = [
        f"{name}: the arm “{arm.label}” mixes techniques that the report does not tell apart and is not used."
        for arm in arms
        if arm.mixed
    ]
    groups: dict[str, list[Arm]] = {}
    for arm in arms:
        if not arm.mixed:
            groups.setdefault(node_of(arm), []).append(arm)
    if len(groups) < 2:
        labels = [node_label(node) for node in groups] or ["mixed techniques"]
        return None, f"all its usable arms are one point of the network ({labels[0]})", notes
    whole = Candidate(study=study, name=name, sides=tuple(tuple(side) for side in groups.values()))
    kept, reasons = usable_sides(whole, task)
    if len(kept) < 2:
        return None, "; ".join(reasons), notes
    notes += [f"{name}: left out of the network, {reason}." for reason in reasons]
    return replace(whole, sides=kept), "", notes


def _nearly_all(arm: Arm, thumbs: int) -> bool:
    return bool(arm.thumbs) and thumbs >= NEARLY_ALL * (arm.thumbs or 0)
