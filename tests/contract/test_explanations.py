"""Every name that an option takes is explained, and nothing else is; sources are those of the entry."""

import pytest

from metakit.cli.support.choices import REGISTRIES, entries_of, entry_of
from metakit.core.bibliography import reference
from metakit.core.explanations import explanations

WITHOUT_WORDS = {"preset"}  # sizes in millimetres say themselves


@pytest.mark.parametrize("kind", sorted(set(REGISTRIES) - WITHOUT_WORDS))
def test_every_name_is_explained(kind):
    names = [name for name, _ in entries_of(kind)]
    assert list(explanations()[kind]) and set(explanations()[kind]) == set(names)
    for name, words in explanations()[kind].items():
        assert len(words.what) > 15 and words.when.endswith("."), name
        assert words.formula or kind.endswith("figure"), name


def test_no_kind_is_explained_that_is_none():
    assert set(explanations()) <= set(REGISTRIES)


def test_sources_resolve():
    for kind, entries in explanations().items():
        for name in entries:
            for key in getattr(entry_of(kind, name), "references", ()):
                assert reference(key)
