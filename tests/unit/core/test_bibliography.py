"""The sources of the methods: every entry is whole, and reads as a citation."""

import re
import subprocess
import sys

import pytest

from metakit.core.bibliography import REFERENCES, Reference, reference
from metakit.errors import UnknownNameError


@pytest.mark.parametrize("source", REFERENCES.values(), ids=lambda source: source.key)
def test_every_source_is_whole(source: Reference) -> None:
    assert re.fullmatch(r"[a-z][a-z0-9_]+", source.key)
    assert source.title and source.authors and source.where and 1900 <= source.year <= 2100
    assert not re.search(r"[{}\\]", f"{source}")
    for family, initials in (*source.people(), *source.people("editor")):
        assert family == "others" or re.fullmatch(r"[A-ZÖÜ]( [A-ZÖÜ])*", initials), (family, initials)
    if source.kind == "article":
        assert re.fullmatch(r".+ \d+:[A-Za-z]?\d+(-\d+)?", source.where)


# How the entries read before they became a data file; typed from memory, as they are.
@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("wilson_1927", "Wilson EB (1927). Probable inference, the law of succession, and statistical inference. J Am Stat Assoc 22:209-212."),
        ("handbook", "Higgins JPT, Thomas J, Chandler J, et al. (editors) (2024). Cochrane Handbook for Systematic Reviews of Interventions. Version 6.5, Cochrane."),
        ("gleser_olkin_2009", "Gleser LJ, Olkin I (2009). Stochastically dependent effect sizes. In: Cooper H, Hedges LV, Valentine JC (editors), The Handbook of Research Synthesis and Meta-Analysis, 2nd edition, Russell Sage."),
        ("sterne_2019", "BMJ 366:l4898."),
        ("rucker_2009", "Rücker G, Schwarzer G, Carpenter J, Olkin I (2009)."),
    ],
)  # fmt: skip
def test_sources_read_as_citations(key: str, text: str) -> None:
    assert text in str(reference(key))


def test_unknown_source_gets_the_nearest_names() -> None:
    with pytest.raises(UnknownNameError, match="did you mean wilson_1927"):
        reference("wilson_1972")


def test_nothing_is_read_before_a_source_is_asked_for() -> None:
    code = "import sys, metakit.core.bibliography; print('bibtexparser' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
