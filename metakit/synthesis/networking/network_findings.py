"""What a planned network of a review found, ready for sentences, figures and the report."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from metakit.core.limits import Limits
from metakit.core.notes import Assumption, SetAside
from metakit.core.plans import NetworkPlan
from metakit.measures.registry import Measure
from metakit.networks.answer import NetworkAnalysis
from metakit.networks.components import ComponentModel
from metakit.networks.models import NETWORK_INFERENCES, NETWORK_MODELS
from metakit.synthesis.answers import finite
from metakit.synthesis.networking.network_absolute import NetworkAbsolute
from metakit.synthesis.networking.network_arms import PartlyGiven
from metakit.synthesis.networking.network_words import Evidence
from metakit.synthesis.terms import OutcomeTerm


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkNode:
    """A technique of the network: how many studies and thumbs (or thumb-years) it has in the analysis."""

    technique: str
    label: str
    studies: int
    size: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkComparison:
    """One pair of techniques. `estimate`, `interval`, `prediction` in natural units.

    `studies` compare the two directly; `direct_share` is None in models without it. `sentences` tell it in
    plain words, the size first; `caution` is the one of them that warns of little evidence, "" without any.
    """

    technique: str
    comparator: str
    technique_label: str
    comparator_label: str
    estimate: float
    interval: Limits
    prediction: Limits | None
    evidence: Evidence
    studies: int
    direct_share: float | None
    absolute: NetworkAbsolute | None
    sentences: tuple[str, ...]
    caution: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return the comparison as JSON, effects in natural units."""
        return {
            "technique": self.technique,
            "comparator": self.comparator,
            "estimate": self.estimate,
            "interval": list(self.interval),
            "prediction_interval": list(self.prediction) if self.prediction else None,
            "evidence": self.evidence,
            "direct_studies": self.studies,
            "direct_share": self.direct_share,
            "absolute": self.absolute.to_json() if self.absolute else None,
            "sentences": list(self.sentences),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class ComponentSentence:
    """What one component adds, in words; the numbers stand in `NetworkFinding.components`."""

    component: str
    label: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkFinding:
    """One planned network, answered or not.

    `analysis` is None where nothing can be compared; `reason` then says why. `comparisons` holds every pair,
    those against the reference first. `nodes` are in the order of the analysis' techniques. `components` is
    the additive model over sets of components; `component_reason` says why there is none although asked for.
    """

    plan: NetworkPlan
    title: str
    term: OutcomeTerm
    measure: Measure
    nodes: tuple[NetworkNode, ...]
    analysis: NetworkAnalysis | None
    reason: str
    comparisons: tuple[NetworkComparison, ...]
    components: ComponentModel | None
    component_reason: str
    component_sentences: tuple[ComponentSentence, ...]
    partly_given: tuple[PartlyGiven, ...]
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]
    set_aside: tuple[SetAside, ...]
    assumptions: tuple[Assumption, ...]
    notes: tuple[str, ...]

    @property
    def references(self) -> tuple[str, ...]:
        """Keys of the bibliography for what was computed."""
        found: list[str] = []
        if self.analysis is not None:
            first = self.analysis.parts[0]
            rule = first.part.inference
            model = NETWORK_INFERENCES[rule] if rule else NETWORK_MODELS[first.part.model]
            found += model.references
            if first.inconsistency is not None:
                found += ["higgins_2012_network", "dias_2010"]
            if first.ranking is not None:
                found.append("rucker_schwarzer_2015")
            if first.thresholds:
                found.append("phillippo_2019")
            if self.analysis.moderator is not None:
                found.append("cooper_2009")
            if self.analysis.characteristics:
                found.append("salanti_2012")
            if self.analysis.funnel is not None:
                found.append("chaimani_salanti_2012")
        if self.components is not None:
            found.append("welton_2009")
        return tuple(found)

    def to_json(self) -> dict[str, Any]:
        """Return the finding as JSON."""
        answer = {
            "id": self.plan.id,
            "title": self.title,
            "outcome": self.term.id,
            "measure": self.plan.measure,
            "reference": self.plan.reference,
            "nodes": [
                {"technique": n.technique, "label": n.label, "studies": n.studies, "size": n.size}
                for n in self.nodes
            ],
            "result": self.analysis.to_json() if self.analysis else None,
            "reason_not_estimable": self.reason or None,
            "comparisons": [item.to_json() for item in self.comparisons],
            "components": [
                {"component": item.component, "label": item.label, "sentence": item.sentence}
                for item in self.component_sentences
            ],
            "reason_without_components": self.component_reason or None,
            "partly_given": [
                {
                    "study": p.study,
                    "arm": p.arm,
                    "component": p.component,
                    "thumbs": p.thumbs,
                    "total": p.total,
                }
                for p in self.partly_given
            ],
            "sentences": list(self.sentences),
            "cautions": list(self.cautions),
            "set_aside": [{"study": item.study, "reason": item.reason} for item in self.set_aside],
            "assumptions": [str(item) for item in self.assumptions],
            "notes": list(self.notes),
            "references": list(self.references),
        }
        return {key: finite(item) for key, item in answer.items()}
