"""Exports of PubMed: tagged text (.nbib) and XML, by the National Library of Medicine's own descriptions.

Sources: MEDLINE/PubMed Data Element (Field) Descriptions; PubMed DTD 2025 (both from memory).
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from metakit.errors import Problem, UnreadableError

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

_TAG = re.compile(r"^([A-Z]{2,4}) *- (.*)$")
_PLAIN_KINDS = {"journal article", "research support, non-u.s. gov't", "english abstract"}
"""Kinds that nearly every record has; the others tell comments, corrections and abstracts apart."""


def read_tagged(path: Path, text: str) -> Iterable[Mapping[str, str]]:
    """Give the records of a tagged export."""
    record: dict[str, list[str]] = defaultdict(list)
    start, last, found = 0, "", False
    for number, line in enumerate([*text.splitlines(), ""], start=1):
        tag = _TAG.match(line)
        if tag and tag[1] == "PMID" and record:
            yield _tagged(record, start)
            record, last = defaultdict(list), ""
        if tag:
            found = True
            start = start if record else number
            record[tag[1]].append(tag[2].strip())
            last = tag[1]
        elif line.startswith("      ") and last:
            record[last][-1] = f"{record[last][-1]} {line.strip()}"
    if record:
        yield _tagged(record, start)
    if not found:
        raise UnreadableError([_nothing(path, "no line that starts with 'PMID- '")])


def _tagged(record: Mapping[str, list[str]], line: int) -> dict[str, str]:
    def first(*tags: str) -> str:
        return next((value for tag in tags for value in record.get(tag, ())), "")

    dois = [text for tag in ("LID", "AID") for text in record.get(tag, ()) if text.endswith("[doi]")]
    return {
        "line": str(line),
        "title": first("TI", "TT", "BTI"),
        "authors": "; ".join(record.get("FAU") or record.get("AU") or ()),
        "year": first("DP", "DEP"),
        "journal": first("JT", "TA"),
        "doi": dois[0].removesuffix("[doi]").strip() if dois else "",
        "pubmed_id": first("PMID"),
        "abstract": first("AB"),
        "report_kind": _kinds(record.get("PT", ())),
        "volume": first("VI"),
        "pages": first("PG"),
    }


def read_articles(path: Path, text: str) -> Iterable[Mapping[str, str]]:
    """Give the articles of an XML export; entities and outside files are refused."""
    from xml.etree.ElementTree import ParseError

    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import fromstring

    try:
        # The declaration names an encoding that is decoded already; the DTD is named by address, never read.
        root = fromstring(re.sub(r"^\s*<\?xml[^>]*\?>", "", text), forbid_dtd=False)
    except (ParseError, DefusedXmlException, ValueError) as error:
        raise UnreadableError([_nothing(path, f"this XML cannot be read ({error})")]) from None
    articles = list(root.iter("PubmedArticle"))
    if not articles:
        raise UnreadableError([_nothing(path, "no element 'PubmedArticle'")])
    for number, article in enumerate(articles, start=1):
        yield _article(article, number)


def _article(article: Element, number: int) -> dict[str, str]:
    def text(path: str) -> str:
        found = article.find(path)
        return "" if found is None else " ".join("".join(found.itertext()).split())

    names = [
        ", ".join(part for part in (a.findtext("LastName") or a.findtext("CollectiveName") or "",
                                    a.findtext("ForeName") or a.findtext("Initials") or "") if part)
        for a in article.iterfind(".//AuthorList/Author")
    ]  # fmt: skip
    dois = [i.text or "" for i in article.iterfind(".//ArticleIdList/ArticleId") if i.get("IdType") == "doi"]
    dois += [i.text or "" for i in article.iterfind(".//ELocationID") if i.get("EIdType") == "doi"]
    kinds = [kind.text or "" for kind in article.iterfind(".//PublicationTypeList/PublicationType")]
    abstract = [
        " ".join("".join(part.itertext()).split()) for part in article.iterfind(".//Abstract/AbstractText")
    ]
    return {
        "line": "",
        "title": text(".//ArticleTitle") or text(".//VernacularTitle"),
        "authors": "; ".join(name for name in names if name),
        "year": text(".//JournalIssue/PubDate/Year") or text(".//JournalIssue/PubDate/MedlineDate"),
        "journal": text(".//Journal/Title"),
        "doi": next((doi for doi in dois if doi), ""),
        "pubmed_id": text("./MedlineCitation/PMID"),
        "abstract": " ".join(abstract),
        "report_kind": _kinds(kinds),
        "volume": text(".//JournalIssue/Volume"),
        "pages": text(".//Pagination/MedlinePgn"),
    }


def _kinds(kinds: Iterable[str]) -> str:
    return "; ".join(kind for kind in kinds if kind.casefold() not in _PLAIN_KINDS)


def _nothing(path: Path, why: str) -> Problem:
    return Problem(file=str(path), what="holds no record", found=why, allowed="an export of PubMed")
