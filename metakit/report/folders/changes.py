"""What changed since an earlier report: studies, plan, answers, certainty, places in networks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from metakit.core.written import count
from metakit.decision.certainty import Certainty
from metakit.report.folders.changes_reading import EarlierReport, at, by, entries, number, text
from metakit.report.folders.changes_words import (
    certainty_told,
    differs,
    estimate_words,
    measure_label,
    new_studies,
    told,
)
from metakit.review.plan import plan_changes

Kind = Literal["changed", "added", "taken_out", "now_answered", "no_longer_answered"]
KINDS: dict[Kind, str] = {
    "changed": "changed",
    "added": "new in the plan",
    "taken_out": "no longer in the plan",
    "now_answered": "answered for the first time",
    "no_longer_answered": "no longer answered",
}
_ORDER = tuple(KINDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerChange:
    """One analysis whose answer is not what it was.

    `measure` tells two analyses of one title apart. `before` and `now` are estimate and interval in words, ""
    without an answer; `certainty` is both levels as (before, now). `crossed` says that the interval passed no
    difference or the smallest important difference; `came` are the studies that are new in it; `sentences`
    tell everything in plain words.
    """

    analysis: str
    title: str
    measure: str
    kind: Kind
    before: str = ""
    now: str = ""
    studies: tuple[str, str] = ("", "")
    certainty: tuple[str, str] = ("", "")
    crossed: bool = False
    came: tuple[str, ...] = ()
    sentences: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceChange:
    """A technique that takes another place in a network; places run from 1, the best, by P-score."""

    network: str
    technique: str
    before: str
    now: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """Everything that is not as in an earlier report; `unchanged` counts the answers that are the same."""

    since: str
    studies_added: tuple[str, ...] = ()
    studies_removed: tuple[str, ...] = ()
    records_changed: tuple[str, ...] = ()
    plan: tuple[str, ...] = ()
    versions: tuple[str, ...] = ()
    answers: tuple[AnswerChange, ...] = ()
    unchanged: int = 0
    places: tuple[PlaceChange, ...] = ()
    monitoring: tuple[str, ...] = ()

    @property
    def none(self) -> bool:
        """Whether nothing changed but, perhaps, versions."""
        return not (
            self.studies_added or self.studies_removed or self.records_changed or self.plan or self.answers
            or self.places
        )  # fmt: skip

    @property
    def _same(self) -> str:
        return f"{count(self.unchanged, 'answer')} {'is' if self.unchanged == 1 else 'are'} the same"

    @property
    def lines(self) -> tuple[str, ...]:
        """Tell all changes, one a line."""
        if self.none:
            return (f"Nothing changed since {self.since}: {self._same}.",)
        found = [f"Changed since {self.since}; {self._same}."]
        for label, items in (
            ("New studies", self.studies_added),
            ("Studies taken out", self.studies_removed),
            ("Records changed", self.records_changed),
            ("Plan", self.plan),
            ("Versions", self.versions),
        ):
            if items:
                found.append(f"{label}: {'; '.join(items)}.")
        found += [
            f"{item.title}, {item.measure} ({KINDS[item.kind]}): {' '.join(item.sentences)}"
            for item in self.answers
        ]
        found += [
            f"{item.network}: {item.technique} was {item.before}, now {item.now} (places by P-score)."
            for item in self.places
        ]
        return (*found, *self.monitoring)

    def to_json(self) -> dict[str, Any]:
        """Return the changes as JSON."""
        return asdict(self)


def changes_since(
    earlier: EarlierReport,
    now: Mapping[str, Any],
    certainties: Sequence[Certainty] = (),
    *,
    monitoring: Sequence[str] = (),
) -> Changes:
    """Compare the findings of today with those of an earlier report.

    Parameters
    ----------
    earlier : EarlierReport
        The earlier report's findings.
    now : mapping
        The findings of today as JSON, with their certainty.
    certainties : sequence of Certainty
        Of today; their thresholds say which difference is important.
    monitoring : sequence of str
        Sentences on repeated looks at the evidence.
    """
    before = earlier.findings
    old_studies, new_studies = by(before, "studies", name="id"), by(now, "studies", name="id")
    answers, unchanged = _answers(before, now, {item.body.analysis: item for item in certainties})
    answers += _fallen(before, now)
    return Changes(
        since=earlier.name,
        studies_added=tuple(text(new_studies[i], "study") or i for i in new_studies if i not in old_studies),
        studies_removed=tuple(
            text(old_studies[i], "study") or i for i in old_studies if i not in new_studies
        ),
        records_changed=_records(before, now),
        plan=_plan(before, now),
        versions=_versions(before, now),
        answers=tuple(sorted(answers, key=lambda item: (not item.crossed, _ORDER.index(item.kind)))),
        unchanged=unchanged,
        places=tuple(_places(before, now)),
        monitoring=tuple(monitoring),
    )


def _records(before: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[str, ...]:
    """Return agreed records that stand in both reports with different bytes."""
    old, new = at(before, "inputs"), at(now, "inputs")
    if not isinstance(old, Mapping) or not isinstance(new, Mapping):
        return ()
    return tuple(
        name for name in new if name.startswith("records/") and name in old and old[name] != new[name]
    )


def _plan(before: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[str, ...]:
    old, new = at(before, "plan", "parts"), at(now, "plan", "parts")
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        return tuple(plan_changes(old, new))
    first, second = text(before, "plan", "hash"), text(now, "plan", "hash")
    if first and second and first != second:
        return (f"the plan is another one (hash {first[:12]} before, {second[:12]} now)",)
    return ()


def _versions(before: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[str, ...]:
    old, new = at(before, "versions"), at(now, "versions")
    if not isinstance(old, Mapping) or not isinstance(new, Mapping):
        return ()
    return tuple(
        f"{name} {old[name]}, now {new[name]}" for name in new if name in old and old[name] != new[name]
    )


def _answers(
    before: Mapping[str, Any], now: Mapping[str, Any], certainties: Mapping[str, Certainty]
) -> tuple[list[AnswerChange], int]:
    old, new = (
        {**by(side, "analyses", name="id"), **by(side, "option_pairs", name="id")} for side in (before, now)
    )
    old_levels, new_levels = (
        {**by(side, "certainty", name="analysis"), **by(side, "option_pair_certainty", name="analysis")}
        for side in (before, now)
    )
    found: list[AnswerChange] = []
    unchanged = 0
    for name, item in new.items():
        change = _answer(
            name, old.get(name), item, old_levels.get(name), new_levels.get(name), certainties.get(name)
        )
        if change is None:
            unchanged += 1
        else:
            found.append(change)
    for name, item in old.items():
        if name not in new:
            found.append(
                AnswerChange(
                    analysis=name,
                    title=text(item, "title") or name,
                    measure=measure_label(item),
                    kind="taken_out",
                    before=estimate_words(item),
                    sentences=(
                        "No study holds it any more, or the plan no longer asks for it."
                        if text(item, "option_pairs")
                        else "The plan no longer asks for it.",
                    ),
                )
            )
    return found, unchanged


def _answer(
    name: str,
    old: Mapping[str, Any] | None,
    new: Mapping[str, Any],
    old_level: Mapping[str, Any] | None,
    new_level: Mapping[str, Any] | None,
    certainty: Certainty | None,
) -> AnswerChange | None:
    """Return how one answer differs, None where it is the same."""
    title = text(new, "title") or name
    if old is None:
        return AnswerChange(
            analysis=name, title=title, measure=measure_label(new), kind="added", now=estimate_words(new),
            studies=("", _k(new)), certainty=("", _level(new_level)),
            sentences=(text(new, "sentences", 0) or "It is new in the plan.",),
        )  # fmt: skip
    if not differs(old, new, old_level, new_level):
        return None
    answered = at(old, "result") is not None, at(new, "result") is not None
    kind: Kind = "changed"
    if answered == (False, True):
        kind = "now_answered"
    elif answered == (True, False):
        kind = "no_longer_answered"
    thresholds = certainty.body.thresholds if certainty else None
    words = told(old, new, old_level, new_level, thresholds)
    return AnswerChange(
        analysis=name,
        title=title,
        measure=measure_label(new),
        kind=kind,
        before=estimate_words(old),
        now=estimate_words(new),
        studies=(_k(old), _k(new)),
        certainty=(_level(old_level), _level(new_level)),
        crossed=words.crossed,
        came=new_studies(old, new),
        sentences=words.sentences,
    )


def _fallen(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[AnswerChange]:
    """Return the network estimates whose signature counted and does not count any more."""
    old, new = (by(side, "network_certainty", name="analysis") for side in (before, now))
    networks = {**by(before, "networks", name="id"), **by(now, "networks", name="id")}
    nodes = [node for network in networks.values() for node in entries(network, "nodes")]
    labels = {text(node, "technique"): text(node, "label") for node in nodes}
    return [
        AnswerChange(
            analysis=name,
            title=f"{text(networks.get(network), 'title') or network}: {labels.get(technique) or technique}",
            measure="network estimate",
            kind="changed",
            before=text(level, "answer"),
            now=text(new.get(name), "answer"),
            certainty=(_level(level), _level(new.get(name))),
            sentences=tuple(certainty_told(level, new.get(name))),
        )
        for name, level in old.items()
        for network, _, technique in (name.partition("--"),)
        if text(level, "status") == "signed" and text(new.get(name), "status") != "signed"
    ]


def _k(analysis: Mapping[str, Any]) -> str:
    k = number(analysis, "result", "k")
    return "" if k is None else f"{k:.0f}"


def _level(certainty: Mapping[str, Any] | None) -> str:
    return text(certainty, "certainty").replace("_", " ")


def _places(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[PlaceChange]:
    old, new = by(before, "networks", name="id"), by(now, "networks", name="id")
    found = []
    for name, network in new.items():
        if name not in old:
            continue
        labels = {text(node, "technique"): text(node, "label") for node in entries(network, "nodes")}
        labels = {**{text(n, "technique"): text(n, "label") for n in entries(old[name], "nodes")}, **labels}
        first, second = _ranked(old[name]), _ranked(network)
        for technique in {**second, **first}:
            if first.get(technique) != second.get(technique):
                found.append(
                    PlaceChange(
                        network=text(network, "title") or name,
                        technique=labels.get(technique) or technique,
                        before=_place(first, technique),
                        now=_place(second, technique),
                    )
                )
    return found


def _ranked(network: Mapping[str, Any]) -> dict[str, int]:
    scores = {
        text(item, "technique"): score
        for item in entries(network, "result", "ranking")
        if (score := number(item, "p_score")) is not None
    }
    return {name: place for place, name in enumerate(sorted(scores, key=lambda n: -scores[n]), start=1)}


def _place(ranked: Mapping[str, int], technique: str) -> str:
    return f"{ranked[technique]} of {len(ranked)}" if technique in ranked else "not in the network"
