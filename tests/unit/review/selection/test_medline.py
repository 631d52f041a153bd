"""Exports of PubMed. The samples are invented; their tags and elements follow the library's field descriptions."""

import pytest

from metakit.errors import UnreadableError
from metakit.review.selection.citations import read_citations

TAGGED = """PMID- 90000001
OWN - NLM
TI  - Grip after an invented operation on the thumb
      base: a randomised trial.
PG  - 12-19
LID - 10.5555/invented.0001 [doi]
AB  - An invented abstract.
FAU - Quillmere, Ada
FAU - Oskarsson, Bo
DP  - 2016 Mar
JT  - Journal of invented hand surgery
VI  - 12
PT  - Journal Article
PT  - Randomized Controlled Trial

PMID- 90000002
TI  - Erratum to an invented report.
AU  - Tamsin G
DP  - 2017
PT  - Published Erratum
"""
XML = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE PubmedArticleSet PUBLIC "-//NLM//DTD PubMedArticle, 1st January 2025//EN" "pubmed_250101.dtd">
<PubmedArticleSet><PubmedArticle><MedlineCitation><PMID Version="1">90000001</PMID><Article>
<Journal><JournalIssue><Volume>12</Volume><PubDate><Year>2016</Year></PubDate></JournalIssue>
<Title>Journal of invented hand surgery</Title></Journal>
<ArticleTitle>Grip after an <i>invented</i> operation on the thumb base: a randomised trial.</ArticleTitle>
<Pagination><MedlinePgn>12-19</MedlinePgn></Pagination><Abstract><AbstractText Label="AIM">An invented</AbstractText>
<AbstractText>abstract.</AbstractText></Abstract><AuthorList><Author><LastName>Quillmere</LastName><ForeName>Ada</ForeName>
</Author><Author><LastName>Oskarsson</LastName><ForeName>Bo</ForeName></Author></AuthorList>
<PublicationTypeList><PublicationType>Journal Article</PublicationType></PublicationTypeList></Article></MedlineCitation>
<PubmedData><ArticleIdList><ArticleId IdType="doi">10.5555/Invented.0001</ArticleId></ArticleIdList></PubmedData>
</PubmedArticle></PubmedArticleSet>
"""
BOMB = '<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "bbbb">]><PubmedArticleSet>&b;</PubmedArticleSet>'


def test_tagged_records_are_read_whole(tmp_path):
    path = tmp_path / "export.nbib"
    path.write_text(TAGGED, encoding="utf-8")
    first, second = read_citations(path, search="a")
    assert first.title == "Grip after an invented operation on the thumb base: a randomised trial."
    assert (first.authors, first.year, first.volume, first.pages) == (
        "Quillmere, Ada; Oskarsson, Bo",
        2016,
        "12",
        "12-19",
    )
    assert (first.doi, first.pubmed_id) == ("10.5555/invented.0001", "90000001")
    assert second.report_kind == "Published Erratum" and second.year == 2017


def test_xml_articles_give_the_same(tmp_path):
    tagged, articles = tmp_path / "a.nbib", tmp_path / "a.xml"
    tagged.write_text(TAGGED, encoding="utf-8")
    articles.write_text(XML, encoding="utf-8")
    one, two = read_citations(tagged, search="a")[0], read_citations(articles, search="a")[0]
    for name in ("title", "authors", "year", "journal", "doi", "pubmed_id", "abstract", "volume", "pages"):
        assert getattr(one, name) == getattr(two, name), name


@pytest.mark.parametrize(
    "content", [BOMB, "<a/>", "<a", "no xml at all", XML.replace("PubmedArticle>", "Else>")]
)
def test_what_is_no_export_is_one_message(tmp_path, content):
    path = tmp_path / "a.xml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(UnreadableError) as raised:
        read_citations(path, search="a")
    assert "holds no record" in str(raised.value) and len(raised.value.problems) == 1
