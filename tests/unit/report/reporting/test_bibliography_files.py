"""BibTeX and CSL JSON of the sources: read back by a BibTeX parser and by a citation processor."""

from __future__ import annotations

import json

import pytest

from metakit.core.bibliography import REFERENCES, Reference
from metakit.report.reporting.bibliography_files import bibtex, csl_json

SOURCES = list(REFERENCES.values())


def test_bibtex_reads_back_as_what_was_typed() -> None:
    from bibtexparser.entrypoint import parse_string

    text = bibtex(SOURCES)
    library = parse_string(text)
    assert not library.failed_blocks
    assert [entry.key for entry in library.entries] == [source.key for source in SOURCES]
    for entry, source in zip(library.entries, SOURCES, strict=True):
        assert {name: field.value.strip("{}") for name, field in entry.fields_dict.items()} == dict(
            source.fields
        )
    assert text == bibtex(SOURCES)


def test_bibtex_keeps_the_order_of_the_citations() -> None:
    some = [REFERENCES["wan_2014"], REFERENCES["handbook"]]
    assert bibtex(some).index("wan_2014") < bibtex(some).index("handbook")
    assert bibtex([]) == "" and json.loads(csl_json([])) == []


# The shape that CSL JSON asks for: https://docs.citationstyles.org, "CSL-JSON" (names of types and variables from
# the CSL 1.0.2 specification, typed from memory).
@pytest.mark.parametrize("source", SOURCES, ids=lambda source: source.key)
def test_csl_json_has_the_shape_of_the_standard(source: Reference) -> None:
    (item,) = json.loads(csl_json([source]))
    assert item["id"] == source.key and item["title"] == source.title
    assert item["type"] in {"article-journal", "book", "chapter"}
    assert item["issued"] == {"date-parts": [[source.year]]}
    people = item.get("author") or item["editor"]
    assert all(set(person) in ({"family", "given"}, {"literal"}) for person in people)
    if item["type"] == "article-journal":
        assert item["container-title"] and item["volume"].isdigit() and "--" not in item["page"]


# Outside check: citeproc-py, a general citation processor, sets them in the Harvard style that comes with it.
def test_a_citation_processor_sets_the_entries() -> None:
    citeproc = pytest.importorskip("citeproc")
    from citeproc.source.json import CiteProcJSON

    sources = CiteProcJSON(json.loads(csl_json(SOURCES)))
    style = citeproc.CitationStylesStyle("harvard-cite-them-right", validate=False)
    bibliography = citeproc.CitationStylesBibliography(style, sources, citeproc.formatter.plain)
    for source in SOURCES:
        bibliography.register(citeproc.Citation([citeproc.CitationItem(source.key)]))
    text = "\n".join(map(str, bibliography.bibliography()))
    assert text.count("\n") == len(SOURCES) - 1
    assert "Mantel, N. and Haenszel, W. (1959)" in text and "22, pp. 719–748" in text
    assert "in H. Cooper, L.V. Hedges, and J.C. Valentine (eds.)" in text
