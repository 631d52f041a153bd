"""The figures that can be drawn of an analysed network, for `metakit network`, the report and scripts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol

from metakit.core.limits import Limits
from metakit.core.registry import Registry
from metakit.measures.natural import Natural
from metakit.measures.registry import MEASURES
from metakit.networks.answer import NetworkAnalysis
from metakit.networks.components import INTERACTION, JOIN
from metakit.plots.registry import Built
from metakit.synthesis.words import lower_first


@dataclass(frozen=True, slots=True, kw_only=True)
class Extrapolated:
    """A comparison that rests on adding up components, in natural units (proportions as fractions)."""

    technique: str
    comparator: str
    estimate: float
    interval: Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkWords:
    """How a network is told in its figures.

    Parameters
    ----------
    labels : mapping of technique or component to what it is called
        A name that is not in it is shown as it is, without underscores.
    sizes : mapping of technique to thumbs or thumb-years
        As reported; from the arms when left out.
    size_unit : str
        Of `sizes`.
    left_words, right_words : str
        What lies to either side of no difference.
    unit : str
        Of the outcome, for differences of means.
    edges : {"studies", "precision"}
        What the width of a line between two techniques tells.
    extrapolated : tuple of Extrapolated
        Comparisons with the reference across unconnected parts.
    """

    labels: Mapping[str, str] = field(default_factory=dict)
    sizes: Mapping[str, float] = field(default_factory=dict)
    size_unit: str = "thumbs"
    left_words: str = ""
    right_words: str = ""
    unit: str = ""
    edges: Literal["studies", "precision"] = "studies"
    extrapolated: tuple[Extrapolated, ...] = ()

    def label(self, name: str) -> str:
        """Return what a technique, a component or a set of components is called."""
        if name in self.labels:
            return self.labels[name]
        for sign, joint in ((JOIN, " + "), (INTERACTION, " with ")):
            if sign in name:
                return joint.join(self.label(part) for part in name.split(sign))
        return name.replace("_", " ")

    def within(self, name: str) -> str:
        """Return the same as it stands within a sentence; a name that somebody typed keeps its capitals."""
        return lower_first(self.label(name)) if name in self.labels else self.label(name)

    def pair(self, technique: str, comparator: str) -> str:
        """Return `one against the other`."""
        return f"{self.label(technique)} against {self.within(comparator)}"


class BuildNetworkFigure(Protocol):
    """Draws one figure of a network."""

    def __call__(
        self,
        found: NetworkAnalysis,
        *,
        words: NetworkWords = ...,
        title: str = "",
        width_mm: float = 180,
    ) -> Built:
        """Return the drawing at its final size with the words that stand for it.

        Raises
        ------
        NotEstimableError
            Where the network holds nothing that the figure shows; the message says why.
        """
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkFigure:
    """One kind of figure of a network; `needs` says in words what the analysis must have been asked for."""

    name: str
    label: str
    build: BuildNetworkFigure
    needs: str = ""


NETWORK_FIGURES: Registry[NetworkFigure] = Registry(
    "network figure",
    (
        "metakit.plots.networks.network_geometry",
        "metakit.plots.networks.network_forest",
        "metakit.plots.networks.network_ranks",
        "metakit.plots.networks.network_splits",
        "metakit.plots.networks.network_funnel",
        "metakit.plots.networks.network_components",
    ),
)


def network_natural(found: NetworkAnalysis) -> Natural:
    """Return the natural units of a network's measure."""
    measure = MEASURES[found.arms.measure]
    return Natural(measure=measure, scale=measure.scale(None))
