"""Usual abbreviations mean what vocabularies and methods papers say, and each name they stand for exists."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from metakit.cli.support.abbreviations import ABBREVIATIONS
from metakit.cli.support.choices import entries_of, meanings, name_meant

VOCABULARY = Path(__file__).parents[4] / "extraction_forms/vocabularies/effect_measures.yaml"


@pytest.mark.parametrize("kind", sorted(ABBREVIATIONS))
def test_every_abbreviation_stands_for_a_name(kind: str) -> None:
    names = {name for name, _ in entries_of(kind)}
    found = set(ABBREVIATIONS[kind].values())
    assert kind == "network_measure" or found <= names
    assert not set(ABBREVIATIONS[kind]) & names


def test_measures_are_abbreviated_as_the_vocabulary_of_the_forms_does() -> None:
    terms = yaml.safe_load(VOCABULARY.read_text("utf-8"))["terms"]
    for term in terms:
        for word in term.get("synonyms", ()):
            if word not in ("risk", "incidence"):  # a proportion by a word that means others as well
                assert name_meant("measure", word) == term["id"], word


@pytest.mark.parametrize(
    ("kind", "typed", "meant"),
    [
        ("measure", "RR", "risk_ratio"), ("measure", "or", "odds_ratio"), ("measure", "Hazard ratio", "hazard_ratio"),
        ("measure", "SMD", "standardized_mean_difference"), ("tau2", "DL", "dersimonian_laird"),
        ("tau2", "REML", "reml"), ("tau2", "PM", "paule_mandel"), ("model", "MH", "mantel_haenszel"),
        ("interval", "HKSJ", "hartung_knapp"), ("measure", "risk_ratioo", "risk_ratioo"),
        ("measure", "xyz", "xyz"), ("tau2", "reml", "reml"),
    ],
)  # fmt: skip
def test_what_is_typed_is_understood(kind: str, typed: str, meant: str) -> None:
    assert name_meant(kind, typed) == meant


def test_a_name_that_is_none_comes_back_as_typed() -> None:
    assert meanings("nothing of the kind") == ("nothing of the kind",)
    assert meanings("RR") == ("risk_ratio",)
