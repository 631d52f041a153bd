"""Situations in which the default's interval held the truth too seldom, as simulation found them.

The simulation and its protocol are in tests/simulation (headline_protocol.md, headline_results.md); a test
holds the figures of the data beside this module to its results.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """Where a 95 % interval covers less than 90 %.

    Parameters
    ----------
    name : str
    likelihoods : tuple of str
        Entries of LIKELIHOODS that it was seen with.
    fewest, most : int
        Numbers of studies.
    words : str
        The situation, to follow "where".
    lowest, highest : int
        Coverage in per cent over the cells concerned.
    """

    name: str
    likelihoods: tuple[str, ...]
    fewest: int
    most: int
    words: str
    lowest: int
    highest: int

    def sentence(self) -> str:
        """Say it as a caution.

        Examples
        --------
        >>> situations()[0].sentence().startswith("Caution: in simulated reviews")
        True
        """
        studies, held = _range(self.fewest, self.most), _range(self.lowest, self.highest)
        return (
            f"Caution: in simulated reviews of {studies} studies, 95 % intervals made like "
            f"this one held the truth in {held} % only, where {self.words}."
        )


def _range(low: int, high: int) -> str:
    return str(low) if low == high else f"{low} to {high}"


@cache
def situations() -> tuple[Situation, ...]:
    """Return all situations, in the order of the data."""
    text = resources.files("metakit.models").joinpath("coverage.json").read_text("utf-8")
    return tuple(
        Situation(
            **{name: value for name, value in entry.items() if name not in ("likelihoods", "cells")},
            likelihoods=tuple(entry["likelihoods"]),
        )
        for entry in json.loads(text)["situations"]
    )


def coverage_cautions(likelihood: str, studies: int) -> tuple[str, ...]:
    """Return what a reader of an answer from so many studies should know of its interval.

    Parameters
    ----------
    likelihood : str
        An entry of LIKELIHOODS.
    studies : int
        Number of informative studies.
    """
    return tuple(
        item.sentence()
        for item in situations()
        if likelihood in item.likelihoods and item.fewest <= studies <= item.most
    )
