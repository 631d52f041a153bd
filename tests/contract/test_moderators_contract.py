"""Every moderator of the registry and of the vocabulary, and every component: no filter."""

from __future__ import annotations

import pytest

from metakit.forms.library import shipped, vocabulary
from metakit.synthesis.exploring.moderator_shapes import MODERATORS
from metakit.synthesis.exploring.moderators import moderator_column
from tests.unit.synthesis.invented import gathered, plan, trial

NAMES = [term.id for name in ("moderators", "components") for term in vocabulary(name)]


def test_registry_and_vocabulary_hold_the_same_names() -> None:
    assert set(MODERATORS.names()) == set(vocabulary("moderators").terms)
    assert not set(vocabulary("moderators").terms) & set(vocabulary("components").terms)


def test_the_protocol_form_offers_all_of_them() -> None:
    spec = shipped().form("protocol").find("explorations.moderators")
    assert spec is not None and set(spec.terms) == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_a_bare_record_gives_a_value_or_a_reason(name: str) -> None:
    column = moderator_column(name, gathered(plan(), trial("1", 3, 4)).studies, "any_complication")
    (value,) = column.values
    assert column.label and column.kind in {"number", "words"}
    assert (value.value is None) == bool(value.reason)
    if value.value is not None:
        assert isinstance(value.value, str) == (column.kind == "words")
