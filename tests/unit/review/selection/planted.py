"""A thousand invented search records with the truth of which describe one report. Nothing in it is real."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

from metakit.review.selection.citations import Citation

SUBJECTS = [
    "pinch strength",
    "grip strength",
    "pain at rest",
    "return to work",
    "thumb subsidence",
    "range of motion",
    "implant loosening",
    "satisfaction",
    "nerve irritation",
    "key pinch",
    "operating time",
    "scar tenderness",
]
OPERATIONS = [
    "trapeziectomy",
    "ligament reconstruction",
    "suture button suspension",
    "thumb base prosthesis",
    "arthrodesis of the thumb base",
    "interposition of a tendon ball",
    "denervation of the thumb base",
    "hematoma distraction",
    "pyrocarbon interposition",
    "suspension with the abductor tendon",
]
DESIGNS = [
    "a randomised trial",
    "a prospective cohort",
    "a retrospective comparison",
    "a case series",
    "a register study",
]
PLACES = [
    "in Halvarn",
    "in the Quill valley",
    "at two invented units",
    "in an island hospital",
    "in older women",
    "in manual workers",
    "after failed splinting",
    "in stage three disease",
    "with early therapy",
    "in one centre",
]
NAMES = [
    "Quillmere, A",
    "Oskarsson, B",
    "Müller, C",
    "Ångdal, D",
    "Brontë-Vale, E",
    "Đoković-Holm, F",
    "Tamsin, G",
    "Østerby, H",
    "Weißdorn, I",
    "Farrowgate, J",
    "Hesk, K",
    "Lindqvale, L",
    "Mortlake, M",
    "Nydam, N",
]
JOURNALS = [
    ("Journal of Invented Hand Surgery", "J Invent Hand Surg"),
    ("Annals of Thumb Surgery", "Ann Thumb Surg"),
    ("Archives of Imaginary Orthopaedics", "Arch Imag Orthop"),
    ("Halvarn Surgical Journal", "Halvarn Surg J"),
]


@dataclass(frozen=True)
class Planted:
    """Records in a random order, and for each the report that it describes."""

    citations: tuple[Citation, ...]
    report: dict[str, str]
    perhaps: frozenset[str]


def planted(seed: int = 20260115, papers: int = 560, records: int = 1000) -> Planted:
    """Make the set; the same seed gives the same records."""
    chance = random.Random(seed)
    made: list[tuple[str, Citation, bool]] = []
    titles: set[str] = set()
    base = []
    while len(base) < papers:
        title = (
            f"{chance.choice(SUBJECTS).capitalize()} after {chance.choice(OPERATIONS)} "
            f"{chance.choice(PLACES)}: {chance.choice(DESIGNS)}"
        )
        if title in titles:
            continue
        titles.add(title)
        full, _ = chance.choice(JOURNALS)
        page = chance.randint(1, 900)
        number = len(base)
        paper = Citation(
            citation_id="", title=title, authors=f"{chance.choice(NAMES)}; {chance.choice(NAMES)}",
            year=chance.randint(1998, 2025), journal=full, doi=f"10.5555/invented.{number:04d}",
            pubmed_id=str(90_000_000 + number), search="a", abstract="An invented abstract.",
            volume=str(chance.randint(1, 60)), pages=f"{page}-{page + chance.randint(3, 12)}",
        )  # fmt: skip
        base.append(paper)
        made.append((f"R{number}", paper, False))
    kinds = list(COPIES) + list(OTHERS)
    turn = 0
    while len(made) < records:
        number = chance.randrange(papers)
        kind = kinds[turn % len(kinds)]
        turn += 1
        if kind in COPIES:
            change, asked = COPIES[kind]
            made.append((f"R{number}", change(base[number], chance), asked))
        else:
            other = OTHERS[kind](base[number], chance)
            key = f"{kind}{number}"
            if other.title not in titles:
                titles.add(other.title)
                made.append((key, other, False))
    chance.shuffle(made)
    citations, report, perhaps = [], {}, set()
    for at, (key, citation, asked) in enumerate(made, start=1):
        named = replace(citation, citation_id=f"C{at:04d}")
        citations.append(named)
        report[named.citation_id] = key
        perhaps |= {key} if asked else set()
    return Planted(tuple(citations), report, frozenset(perhaps))


def _bare(paper: Citation) -> Citation:
    return replace(paper, doi="", pubmed_id="", abstract="")


def _misspelt(paper: Citation, chance: random.Random) -> Citation:
    words = paper.title.split()
    at = chance.choice([i for i, word in enumerate(words) if len(word) > 6])
    letters = list(words[at])
    spot = chance.randrange(1, len(letters) - 2)
    letters[spot], letters[spot + 1] = letters[spot + 1], letters[spot]
    words[at] = "".join(letters)
    return replace(_bare(paper), title=" ".join(words))


def _short(paper: Citation) -> str:
    return dict(JOURNALS)[paper.journal]


COPIES = {
    "other_database": (lambda p, c: replace(p, journal=_short(p), pubmed_id="", search="b"), False),
    "no_identifier": (lambda p, c: replace(_bare(p), journal=_short(p)), False),
    "capitals": (lambda p, c: replace(_bare(p), title=p.title.upper()), False),
    "signs": (lambda p, c: replace(_bare(p), title=p.title.replace(":", " -").replace("-", "\u2013") + "."), False),
    "accents_lost": (lambda p, c: replace(_bare(p), authors=_ascii(p.authors)), False),
    "transliterated": (lambda p, c: replace(_bare(p), authors=p.authors.replace("ü", "ue").replace("Ø", "Oe").replace("ß", "ss")), False),
    "year_online": (lambda p, c: replace(_bare(p), year=p.year - 1), False),
    "initials_behind": (lambda p, c: replace(_bare(p), authors="; ".join(a.replace(",", "") for a in p.authors.split("; "))), False),
    "misspelt": (_misspelt, False),
    "british": (lambda p, c: replace(_bare(p), title=p.title.replace("randomised", "randomized").replace("centre", "center")), False),
    "cut_title": (lambda p, c: replace(_bare(p), title=p.title.split(":")[0]), True),
    "translated": (lambda p, c: replace(_bare(p), title=f"[{c.choice(['Ergebnisse', 'Resultats', 'Resultados'])} der Operation am Daumensattelgelenk {p.volume} {p.pages.split('-')[0]}]".replace(f" {p.volume} {p.pages.split('-')[0]}", "")), True),
    "preprint": (lambda p, c: replace(p, doi=f"10.21203/rs.{c.randrange(10**6)}", pubmed_id="", journal="Research Square", volume="", pages="", year=p.year - 1), True),
}  # fmt: skip
OTHERS = {
    "erratum": lambda p, c: replace(p, title=f"Erratum to: {p.title}", doi=f"{p.doi}.e", pubmed_id="", pages=""),
    "same_doi_erratum": lambda p, c: replace(p, title=f"Correction: {p.title}", pubmed_id=""),
    "comment": lambda p, c: replace(_bare(p), title=f"Comment on: {p.title}", authors="Tamsin, G"),
    "reply": lambda p, c: replace(_bare(p), title=f"Reply: {p.title}"),
    "abstract": lambda p, c: replace(_bare(p), journal="Invented Congress Abstracts", title=p.title + " ", volume="", pages=f"S{c.randint(1, 200)}"),
    "two_years": lambda p, c: replace(_bare(p), title=p.title.replace(":", " at 2 years:"), volume="", pages=""),
    "five_years": lambda p, c: replace(_bare(p), title=p.title.replace(":", " at 5 years:"), volume="", pages=""),
    "sister": lambda p, c: replace(_bare(p), title=p.title.replace(p.title.split(" after ")[0], c.choice([s for s in SUBJECTS if s.capitalize() != p.title.split(" after ")[0]]).capitalize()), volume="", pages=""),
    "supplement": lambda p, c: replace(p, title=f"{c.choice(SUBJECTS).capitalize()} of the other hand {c.randrange(10**6)}", pubmed_id="", journal="Invented Congress Abstracts", pages=f"S{c.randint(1, 200)}"),
}  # fmt: skip


def _ascii(text: str) -> str:
    import unicodedata

    return (
        "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
        .replace("Đ", "D")
        .replace("Ø", "O")
        .replace("ß", "ss")
    )
