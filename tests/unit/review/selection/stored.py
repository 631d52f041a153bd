"""A small invented review with a finished selection, to be damaged by tests.

Eight records from two searches and one reference list: one duplicate, two excluded by title, one report not
retrieved, two excluded on the full text, two included (both studies of tests/reference/forms/review).
"""

from __future__ import annotations

import shutil
from hashlib import sha256
from pathlib import Path

REVIEW = Path(__file__).parents[3] / "reference" / "forms" / "review"
RIS = "TY  - JOUR\nTI  - {}\nAU  - Sample, B\nPY  - {}\nER  - \n"
EXPORTS = {
    "database_a.ris": "".join(
        RIS.format(title, year)
        for title, year in (
            ("Suspension of the invented thumb", 2016),
            ("Denervation of an invented joint", 2018),
            ("An invented survey of wrists", 2019),
            ("Invented splints for elbows", 2020),
            ("A cadaver study of the invented trapezium", 2017),
        )
    ),
    "register.csv": (
        "title,authors,year\nSuspension of the invented Thumb,\"Sample, B\",2016\n"
        "Lost invented results of a trial,\"Gone, A\",2011\n"
    ),
    "lists.csv": 'title,authors,year\nTen invented thumbs,"Small, C",2014\n',
}  # fmt: skip
KINDS = {"database_a": "database", "register": "register", "lists": "citation_searching"}
CITATIONS = """citation_id,search,title,authors,year,journal,doi,pubmed_id
C0001,database_a,Suspension of the invented thumb,"Sample, B",2016,,,
C0002,database_a,Denervation of an invented joint,"Sample, B",2018,,,
C0003,database_a,An invented survey of wrists,"Sample, B",2019,,,
C0004,database_a,Invented splints for elbows,"Sample, B",2020,,,
C0005,database_a,A cadaver study of the invented trapezium,"Sample, B",2017,,,
C0006,register,Suspension of the invented Thumb,"Sample, B",2016,,,
C0007,register,Lost invented results of a trial,"Gone, A",2011,,,
C0008,lists,Ten invented thumbs,"Small, C",2014,,,
"""
REMOVED = """citation_id,because,kept,reason,likeness,stands
C0006,duplicate,C0001,"title alike (100 of 100), years 2016 and 2016",100,yes
"""
HEAD = "citation_id,stage,decision,reason,page,note,decided_by,decided_on\n"
AB = (
    HEAD
    + """C0001,title_abstract,include,,,,,2026-01-05
C0002,title_abstract,include,,,,,2026-01-05
C0003,title_abstract,exclude,,,,,2026-01-05
C0004,title_abstract,exclude,,,,,2026-01-05
C0005,title_abstract,include,,,,,2026-01-05
C0007,title_abstract,include,,,,,2026-01-05
C0001,full_text,include,,,,,2026-01-09
C0002,full_text,include,,,,,2026-01-09
C0005,full_text,exclude,other_design,2,cadaver,,2026-01-09
C0007,full_text,not_retrieved,,,asked twice,,2026-01-09
C0008,full_text,exclude,too_few_thumbs,1,10 thumbs,,2026-01-09
"""
)
CD = AB.replace("C0004,title_abstract,exclude", "C0004,title_abstract,include")
AGREED = HEAD + "C0004,title_abstract,exclude,,,,EF,2026-01-07\n"
INCLUDED = "citation_id,record\nC0001,TEST-01\nC0002,TEST-02\n"


def search_text(name: str, found: int, content: str) -> str:
    return (
        f"form: search\nform_version: 1\nname: {name}\nkind: {KINDS[name.split('.')[0]]}\ndate: 2026-01-03\n"
        f"strategy: |\n  1 thumb\n  2 trapez*\nfound: {found}\nfile: {name}\n"
        f"sha256: \"{sha256(content.encode()).hexdigest()}\"\n"
    )  # fmt: skip


def finished_review(folder: Path) -> Path:
    """Write the review with its finished selection and return its folder."""
    shutil.copytree(REVIEW, folder)
    texts = {f"searches/{name}": content for name, content in EXPORTS.items()}
    for (name, content), found in zip(EXPORTS.items(), (5, 2, 1), strict=True):
        texts[f"searches/{name.split('.')[0]}.yaml"] = search_text(name, found, content)
    texts |= {
        "citations.csv": CITATIONS, "removed.csv": REMOVED, "screening_AB.csv": AB, "screening_CD.csv": CD,
        "screening_agreed.csv": AGREED, "included.csv": INCLUDED,
    }  # fmt: skip
    for name, text in texts.items():
        path = folder / "selection" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    return folder


def change(review: Path, file: str, old: str, new: str) -> Path:
    """Replace a text in one file of the selection."""
    path = review / "selection" / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8", newline="\n")
    return path
