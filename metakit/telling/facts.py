"""What the sections of a report tell from: the findings with their certainties, and the names on the page."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

from metakit.core.values import PaperPlace
from metakit.decision.certainty import (
    Certainty,
    all_certainties,
    network_certainties,
    pair_certainties,
)
from metakit.measures.registry import MEASURES
from metakit.synthesis.findings import AnalysisFinding, Findings
from metakit.telling.blocks import PlaceShown

RESULT = "result-"
"""Beginning of the anchor of an analysis; the rest ends the names of its figures."""
NETWORK = "network-"


@dataclass(frozen=True, slots=True, kw_only=True)
class Name:
    """Names of one analysis or network.

    `label` is its name among those of its question, `anchor` its place on the page, `end` what the names of
    its figures end with: `Picture(name=f"forest-{name.end}")`.
    """

    label: str
    anchor: str
    end: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """The names of all analyses and networks of a review, by plan id."""

    analyses: Mapping[str, Name]
    networks: Mapping[str, Name]

    @classmethod
    def of(cls, findings: Findings) -> Names:
        """Name everything, in the order of the plan."""
        asked = Counter(map(_question, findings.analyses))
        labels = {item.plan.id: _label(item, asked[_question(item)] > 1) for item in findings.analyses}
        titles = {item.plan.id: item.title for item in findings.networks}
        return cls(analyses=_named(labels, RESULT), networks=_named(titles, NETWORK))


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """The findings of a review, the certainty of every answered comparison, and the names on the page.

    `networks` holds the certainty of every technique against the reference of its network. `places` are the
    pictures of places in papers that lie beside the page; none where they were not asked for.
    """

    findings: Findings
    certainties: tuple[Certainty, ...]
    names: Names
    networks: tuple[Certainty, ...] = ()
    pairs: tuple[Certainty, ...] = ()
    places: Mapping[PaperPlace, PlaceShown] = field(default_factory=dict)

    @classmethod
    def of(cls, findings: Findings, places: Mapping[PaperPlace, PlaceShown] | None = None) -> Facts:
        """Gather the facts of a review."""
        return cls(
            findings=findings,
            certainties=all_certainties(findings),
            names=Names.of(findings),
            networks=network_certainties(findings),
            pairs=pair_certainties(findings),
            places=places or {},
        )


def _named(labels: Mapping[str, str], start: str) -> dict[str, Name]:
    ends = {name: f"{number:02d}-{slug(name)}" for number, name in enumerate(labels, 1)}
    return {
        name: Name(label=label, anchor=f"{start}{ends[name]}", end=ends[name])
        for name, label in labels.items()
    }


def _question(finding: AnalysisFinding) -> tuple[str, str, tuple[str, ...]]:
    return finding.term.id, finding.plan.comparison, finding.plan.techniques


def _label(finding: AnalysisFinding, repeated: bool) -> str:
    """Name an analysis within its question; the measure tells two analyses of one outcome apart."""
    measure = MEASURES[finding.plan.measure].label
    return f"{finding.term.label} ({measure})" if repeated else finding.term.label


def slug(text: str) -> str:
    """Return a name that is safe as an anchor and a file name: `a-z`, digits and `-`, at most 60 of them."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60] or "analysis"
