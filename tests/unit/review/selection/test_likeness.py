"""What kind of report a record describes: by its title, its place or its pages, each alone. Invented records."""

from __future__ import annotations

import pytest

from metakit.review.selection.likeness import _kind


@pytest.mark.parametrize(
    ("title", "journal", "doi", "pages", "kind"),
    [
        ("Key pinch after fusion", "Journal of Invented Hand Surgery", "10.5555/a", "100-8", "paper"),
        ("Key pinch after fusion [abstract]", "", "", "", "abstract"),
        ("Key pinch after fusion", "Congress of invented surgeons", "", "", "abstract"),
        ("Key pinch after fusion", "Proceedings of a meeting", "", "12-3", "abstract"),
        ("Key pinch after fusion", "Journal of Invented Hand Surgery", "", "S100", "abstract"),
        ("Key pinch after fusion", "Journal of Invented Hand Surgery", "", "s7-s8", "abstract"),
        ("Key pinch after fusion", "Journal of Invented Hand Surgery", "", "EPoster 3", "abstract"),
        ("Key pinch after fusion", "Journal of Invented Hand Surgery", "", "Sx", "paper"),
        ("Key pinch after fusion", "medRxiv", "", "", "preprint"),
        ("Key pinch after fusion", "", "10.1101/2020.1", "", "preprint"),
        ("Key pinch after fusion", "", "10.11011/2020.1", "", "paper"),
        ("Erratum: key pinch after fusion", "Journal of Invented Hand Surgery", "", "S1", "correction"),
        ("Letter regarding key pinch after fusion", "", "", "", "comment"),
        ("The thumb after a letter", "", "", "", "paper"),
    ],
)
def test_one_sign_is_enough_for_a_kind(title: str, journal: str, doi: str, pages: str, kind: str) -> None:
    assert _kind(title, journal, doi, pages) == kind
