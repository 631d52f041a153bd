"""An analysis tried with another choice, at once: a study left out, another model or definition, one event.

What is tried stands beside the planned answer and never in its place: it is computed, shown and forgotten.
Nothing is chosen anew for it but what was asked: likelihood, estimator and interval are those of the plan.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from metakit.core.effects import EffectTable
from metakit.core.plans import AnalysisPlan, Protocol
from metakit.core.records import StudyRecord
from metakit.core.values import OutcomeValue
from metakit.errors import UnknownNameError, UsageError
from metakit.measures.kind import COUNTS, RATES
from metakit.models.registry import MODELS
from metakit.synthesis.absolute import absolute_effect
from metakit.synthesis.analysis import likelihood_kept
from metakit.synthesis.answers import Answer
from metakit.synthesis.asking import answer_sentence, comparison_of, outcome_plan_of, task_of, title_of
from metakit.synthesis.choices.sensitivity import suits, with_model
from metakit.synthesis.choices.variations import pinned
from metakit.synthesis.definitions import definitions_found
from metakit.synthesis.estimate import estimate
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.arms import OF_COUNTS
from metakit.synthesis.gathering.gather import Task, gather
from metakit.synthesis.gathering.rows import Gathered, StudyNumbers
from metakit.synthesis.words import Directions, absolute_sentence, directions


@dataclass(frozen=True, slots=True, kw_only=True)
class OneEvent:
    """One event more (+1) or less (-1) in an arm of a study (ids)."""

    study: str
    arm: str
    change: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What is tried; empty everywhere it is the plan.

    Parameters
    ----------
    leave_out : frozenset of str
        Ids of studies.
    model : str
        Name of a model, "" for the plan's.
    definition : str
        Id of the only definition that may enter, "" for all that fit.
    event : OneEvent, optional
    """

    leave_out: frozenset[str] = frozenset()
    model: str = ""
    definition: str = ""
    event: OneEvent | None = None

    @property
    def is_plan(self) -> bool:
        """Whether nothing differs from the plan."""
        return self == Choice()


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """What can be tried in an analysis, each by its id with its label.

    `arms`, for one event more or less, are (study id, arm id, words, events, total).
    """

    studies: tuple[tuple[str, str], ...]
    models: tuple[tuple[str, str], ...]
    definitions: tuple[tuple[str, str], ...]
    arms: tuple[tuple[str, str, str, int, int], ...]


class Trials:
    """One analysis of a plan, answered as planned once and then as often as somebody tries a choice.

    Parameters
    ----------
    plan : AnalysisPlan
    protocol : Protocol
    studies : sequence of StudyRecord
        All studies of the review, with the outcomes of their returns.
    names : mapping of str to str
        Names of studies as shown, by id.
    """

    def __init__(
        self,
        plan: AnalysisPlan,
        protocol: Protocol,
        studies: Sequence[StudyRecord],
        names: Mapping[str, str],
    ) -> None:
        self.plan, self.protocol, self.names = plan, protocol, names
        self.studies = tuple(studies)
        self.comparison = comparison_of(plan, protocol)
        task = replace(task_of(plan, protocol), beside=False)
        self.gathered = gather(task, self.studies, names)
        table, answer = estimate(task, self.gathered.studies)
        self.task = replace(task, likelihood=likelihood_kept(table, answer))
        self.title = title_of(task.term, plan, self.comparison)
        self.sides = (
            directions(task.term, self.comparison, task.measure)
            if self.comparison
            else Directions(below="", above="")
        )
        self.planned = self._finding(self.task, self.gathered, answer, table)

    def offer(self) -> Offer:
        """Return what can be tried."""
        task, found = self.task, self.gathered.studies
        fitting = [
            (item.definition, item.label)
            for item in definitions_found(self.gathered.candidates, task.term)
            if item.fits and item.definition
        ]
        ready = bool(task.choices.adjusted)
        models = [
            (name, MODELS[name].label)
            for name in MODELS.names()
            if suits(MODELS[name], task.measure) and not (ready and name in OF_COUNTS)
        ]
        return Offer(
            studies=tuple((study.study.id, study.name) for study in found),
            models=() if self.plan.without_pooling else tuple(models),
            definitions=tuple(fitting) if len(fitting) > 1 else (),
            arms=tuple(self._arms(found)),
        )

    def tried(self, choice: Choice) -> AnalysisFinding:
        """Return the answer under a choice; one that cannot be given says why, as the plan's would.

        Raises
        ------
        UsageError
            When there is no such study, model, definition or arm in this analysis.
        """
        if choice.is_plan:
            return self.planned
        result = self.planned.result
        task = pinned(self.task, result) if result else self.task
        if choice.model:
            if choice.model not in MODELS:
                raise UnknownNameError("pooling model", choice.model, MODELS.names())
            task = with_model(replace(self.task, likelihood=""), choice.model)
        if choice.definition:
            task = replace(task, choices=replace(task.choices, only_definition=choice.definition))
        studies = self.studies if choice.event is None else self._with_event(choice.event)
        gathered = self.gathered
        if choice.definition or choice.event:
            gathered = gather(task, studies, self.names)
        known = {study.study.id for study in self.gathered.studies}
        unknown = sorted(choice.leave_out - known)
        if unknown:
            raise UnknownNameError("study of this analysis", unknown[0], known)
        kept = tuple(study for study in gathered.studies if study.study.id not in choice.leave_out)
        gathered = replace(gathered, studies=kept)
        table, answer = estimate(task, kept)
        return self._finding(task, gathered, answer, table)

    def words(self, choice: Choice) -> tuple[str, ...]:
        """Say what differs from the plan, one line each."""
        offer = self.offer()
        left = [name for id_, name in offer.studies if id_ in choice.leave_out]
        said = [f"without {name}" for name in left]
        if choice.model:
            said.append(f"model: {MODELS[choice.model].label}")
        said += [
            f"only the definition “{label}”" for id_, label in offer.definitions if id_ == choice.definition
        ]
        if choice.event is not None:
            arm = next(row for row in offer.arms if row[:2] == (choice.event.study, choice.event.arm))
            more = "more" if choice.event.change > 0 else "less"
            said.append(f"one event {more} in {arm[2]}: {arm[3] + choice.event.change} of {arm[4]}")
        return tuple(said)

    def _arms(self, found: Sequence[StudyNumbers]) -> Iterator[tuple[str, str, str, int, int]]:
        if self.task.kind not in (COUNTS, RATES):
            return
        for study in found:
            for side in study.sides if not study.ready else ():
                for part in side.arms:
                    value = part.value
                    if value.events is not None and value.total is not None:
                        words = f"{study.name}, {part.arm.label}"
                        yield study.study.id, part.arm.id, words, value.events, value.total

    def _with_event(self, event: OneEvent) -> tuple[StudyRecord, ...]:
        """Return the records with one event more or less in the value that this analysis uses."""
        row = next((row for row in self.offer().arms if row[:2] == (event.study, event.arm)), None)
        if row is None or event.change not in (-1, 1):
            raise UsageError("there is no arm of this analysis whose events can be changed so")
        if not 0 <= row[3] + event.change <= row[4]:
            raise UsageError(f"{row[2]}: {row[3] + event.change} events of {row[4]} cannot be")
        used = {
            id(part.value)
            for study in self.gathered.studies
            for side in study.sides
            for part in side.arms
            if (study.study.id, part.arm.id) == (event.study, event.arm)
        }

        def changed(value: OutcomeValue) -> OutcomeValue:
            if id(value) not in used or value.events is None:
                return value
            return replace(value, events=value.events + event.change, percent=None)

        return tuple(
            replace(study, outcomes=tuple(map(changed, study.outcomes))) if study.id == event.study else study
            for study in self.studies
        )

    def _finding(
        self, task: Task, gathered: Gathered, answer: Answer, table: EffectTable | None
    ) -> AnalysisFinding:
        result, numbers = answer.result, gathered.studies
        if result is None:
            sentences = [f"No answer: {answer.reason}.".replace("..", ".")]
        else:
            sentences = [answer_sentence(task, result, numbers, self.comparison, self.sides)]
        absolute = None
        if result is not None and self.comparison is not None:
            absolute, _ = absolute_effect(result, task.measure, numbers)
            if absolute is not None:
                when = task.question.window.label
                sentences.append(absolute_sentence(absolute, task.term, self.comparison, when))
        return AnalysisFinding(
            plan=task.plan,
            title=self.title,
            term=task.term,
            outcome_plan=outcome_plan_of(self.plan, self.protocol),
            comparison=self.comparison,
            numbers=numbers,
            table=table,
            answer=answer,
            absolute=absolute,
            left_words=self.sides.below,
            right_words=self.sides.above,
            left_short=self.sides.below_short,
            sentences=tuple(sentences),
            set_aside=gathered.set_aside,
            notes=tuple(result.notes if result else ()),
        )
