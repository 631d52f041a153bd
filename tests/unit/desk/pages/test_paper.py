"""The paper at the desk: kept, shown, read, its places saved in the record; nothing else is reached."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from metakit.desk.page import Asked
from metakit.desk.pages import paper
from metakit.desk.pages.paper import PAGE
from metakit.desk.state import Desk
from metakit.forms.library import shipped
from metakit.forms.records import read_record
from metakit.papers.scans import ScanRead
from metakit.review.places import places_of
from tests import hostile_papers as made
from tests.unit.desk.desks import Visitor, visitor

REVIEW = Path(__file__).parents[3] / "reference" / "forms" / "review"
FILE = "extractors/AB/test_01.yaml"
PART = "outcomes[A/any_complication/12/months]"
SHOWN = "0.10000 0.15000 0.60000 0.18000"  # of the line at 700 points from below, on a page of 842


@pytest.fixture
def review(tmp_path: Path) -> Path:
    folder = tmp_path / "review"
    shutil.copytree(REVIEW, folder)
    (folder / "extractors" / "AB").mkdir(parents=True)
    shutil.copy(folder / "records" / "test_01.yaml", folder / FILE)
    return folder


def put(desk: Visitor, content: bytes, study: str = "test_01", name: str = "paper.pdf") -> Any:
    headers = {"origin": desk.keys.origin, "sec-fetch-site": "same-origin", "content-type": "application/pdf"}
    return desk.client.post(f"/reports?study={study}&name={name}", content=content, headers=headers)


@pytest.fixture
def desk(review: Path) -> Visitor:
    found = visitor(review)
    answer = put(found, made.sound("Any complication 4/30 (13.3 %)"))
    assert answer.status_code == 200, answer.text
    return found


def home(desk: Visitor) -> str:
    return (
        "/reports/"
        + (desk.desk.folder / "reports" / "reports.csv").read_text().splitlines()[1].split(",")[2]
        + "/1"
    )


def test_a_page_its_words_and_a_place_are_shown(desk: Visitor) -> None:
    page = desk.get(f"{home(desk)}.jpg")
    assert (page.status_code, page.headers["content-type"]) == (200, "image/jpeg")
    words = desk.get(f"{home(desk)}/words").json()
    assert [row[0] for row in words["words"]] == ["Any", "complication", "4/30", "(13.3", "%)"]
    assert all(0 <= end <= 1 for row in words["words"] for end in row[1:5])
    place = desk.get(home(desk).replace("/reports/", "/place/") + "/160_690_200_715.png")
    assert place.headers["content-type"] == "image/png"


def test_a_box_is_read_and_nothing_is_filled_in(desk: Visitor, review: Path) -> None:
    before = (review / FILE).read_bytes()
    count = next(row for row in desk.get(f"{home(desk)}/words").json()["words"] if row[0] == "4/30")
    box = f"{count[1]:.5f} {count[2]:.5f} 0.60000 {count[4]:.5f}"
    said = desk.post(f"{home(desk)}/read", {"box": box, "field": f"{PART}.events", "file": FILE}).json()
    assert said["quote"] == "4/30 (13.3 %)"
    (proposal,) = said["proposals"]
    assert proposal["values"] == [
        [f"{PART}.events", "4"],
        [f"{PART}.total", "30"],
        [f"{PART}.percent", "13.3"],
    ]
    assert proposal["because"] == "13.3 % agrees with 4 of 30"
    assert (review / FILE).read_bytes() == before


def test_a_place_is_kept_for_fields_and_removed_again(desk: Visitor, review: Path) -> None:
    before = (review / FILE).read_text(encoding="utf-8")
    box = desk.post(f"{home(desk)}/read", {"box": SHOWN, "part": PART, "file": FILE}).json()["box"]
    fields = {
        "file": FILE,
        "box": box,
        "fields": f"{PART}.events\n{PART}.total",
        "quote": "not the page's words",
    }
    said = desk.post(f"{home(desk)}/keep", fields).json()
    assert said["told"] == "Place kept: page 1."
    reading = read_record(review / FILE, shipped())
    assert reading.sha256 == said["sha256"] and reading.sound and reading.group is not None
    assert [(place.field, place.page) for place in places_of(reading.group)] == [
        (f"{PART}.events", 1), (f"{PART}.total", 1),
    ]  # fmt: skip
    assert {place.quote for place in places_of(reading.group)} == {"Any complication 4/30 (13.3 %)"}
    for field in ("events", "total"):
        desk.post("/places/remove", {"file": FILE, "field": f"{PART}.{field}"})
    after = (review / FILE).read_text(encoding="utf-8")
    assert after.startswith(before.rstrip("\n"))
    assert not places_of(read_record(review / FILE, shipped()).group)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "file",
    [
        "../outside.yaml",
        "protocol.yaml",
        "/etc/passwd",
        "extractors/AB/../CD/x.yaml",
        "records/none.yaml",
        "",
        "records/.x.yaml",
    ],
)
def test_no_other_file_is_touched(desk: Visitor, review: Path, file: str) -> None:
    (review.parent / "outside.yaml").write_text("a: b\n")
    before = {path: path.read_bytes() for path in review.parent.rglob("*.yaml")}
    answer = desk.post(f"{home(desk)}/keep", {"file": file, "box": "1 1 9 9", "fields": "design.type"})
    assert answer.status_code in (404, 422), answer.text
    assert {path: path.read_bytes() for path in review.parent.rglob("*.yaml")} == before


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"box": "9 9 1 1", "fields": f"{PART}.events"}, "no box on a page"),
        ({"box": "1 1 9 9", "fields": ""}, "choose the field"),
        ({"box": "1 1 9 9", "fields": "outcomes[Z/none].events"}, "no field outcomes"),
        ({"box": "1 1 9 9", "fields": "made_up"}, "no field made_up"),
    ],
)
def test_a_place_without_sense_is_refused(desk: Visitor, fields: dict[str, str], said: str) -> None:
    answer = desk.post(f"{home(desk)}/keep", {"file": FILE, **fields})
    assert answer.status_code == 422 and said in answer.json()["refused"]


@pytest.mark.parametrize(
    "box", ["", "1 2 3", "0.5 0.5 0.4 0.9", "nan 0 1 1", "0 0 1 2", "-1 0 1 1", "0 0 1 1 1"]
)
def test_a_box_that_is_none_is_refused(desk: Visitor, box: str) -> None:
    assert desk.post(f"{home(desk)}/read", {"box": box}).status_code == 422


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"hello", "no PDF"), (made.locked(), "password"), (made.of_pages(10_000), "10,000 pages"),
        (b"", "the file is empty"),
    ],
)  # fmt: skip
def test_what_is_no_paper_is_refused_in_words(review: Path, content: bytes, said: str) -> None:
    answer = put(visitor(review), content)
    assert answer.status_code == 422 and said in answer.json()["refused"]
    assert not (review / "reports").exists()


@pytest.mark.parametrize("study", ["", "../x", "a/b", "con"])
def test_a_paper_belongs_to_a_study(review: Path, study: str) -> None:
    assert put(visitor(review), made.sound(), study=study).status_code == 422


def test_a_paper_that_is_not_here_is_not_found(desk: Visitor, review: Path) -> None:
    assert desk.get("/reports/" + "0" * 64 + "/1.jpg").status_code == 404
    assert desk.get("/paper/" + "0" * 64).status_code == 404
    assert desk.get(f"{home(desk)[:-1]}7.jpg").status_code == 422
    next((review / "reports").glob("*.pdf")).unlink()
    assert desk.get(f"{home(desk)}.jpg").status_code == 404


def asked(folder: Path) -> Asked:
    return Asked(desk=Desk(folder=folder, person="AB"), pages=(PAGE,), url="/")


def test_beside_a_form_stands_the_paper_or_the_way_to_it(desk: Visitor, review: Path) -> None:
    assert PAGE.beside is not None and PAGE.picture is not None
    box = desk.post(f"{home(desk)}/read", {"box": SHOWN, "part": PART, "file": FILE}).json()["box"]
    desk.post(f"{home(desk)}/keep", {"file": FILE, "box": box, "fields": f"{PART}.events"})
    here = asked(review)
    beside = str(PAGE.beside(here, FILE, PART))
    assert "data-sheet-picture" in beside and "events: page 1" in beside
    assert "events: page 1" not in str(PAGE.beside(here, FILE, "arms[A]"))
    picture = str(PAGE.picture(here, FILE, f"{PART}.events"))
    assert "/place/" in picture and "Page 1" in picture
    assert str(PAGE.picture(here, FILE, f"{PART}.percent")) == ""
    assert "No PDF of this report" in str(PAGE.beside(here, "extractors/AB/other.yaml", ""))
    next((review / "reports").glob("*.pdf")).unlink()
    assert "not on this computer" in str(PAGE.picture(here, FILE, f"{PART}.events"))
    assert "Put the same file here" in str(PAGE.beside(here, FILE, PART))
    assert "SHA-256" not in desk.get("/").text


def test_no_inline_style_or_script(desk: Visitor, review: Path) -> None:
    page = desk.get("/paper/" + home(desk).split("/")[2])
    assert page.status_code == 200
    shown = page.text + str(PAGE.beside(asked(review), FILE, PART))  # type: ignore[misc]
    assert " style=" not in shown and "<script>" not in shown and " onclick" not in shown


def test_a_hostile_name_of_a_file_or_word_stays_text(review: Path) -> None:
    desk = visitor(review)
    put(desk, made.sound("<b>4/30</b> <script>"), name='%3Cimg src=x onerror="x">.pdf')
    shown = str(PAGE.beside(asked(review), FILE, PART))  # type: ignore[misc]
    assert "<img src=x" not in shown
    assert desk.get(f"{home(desk)}/words").headers["content-type"] == "application/json"


def read(desk: Visitor, box: str = SHOWN) -> dict[str, Any]:
    answer = desk.post(f"{home(desk)}/read", {"box": box, "file": FILE, "part": PART})
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_what_a_program_reads_in_a_scan_is_shown_and_compared(
    review: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is no quotation of the paper, and one sign alone is typed by a person."""
    found = visitor(review)
    assert put(found, made.scan()).status_code == 200
    monkeypatch.setattr(paper, "read_scan", lambda picture: None)
    without = read(found)
    assert "scanned" not in without
    assert without["proposals"] == []
    pictures: list[bytes] = []

    def says(text: str, *, alone: bool) -> None:
        monkeypatch.setattr(
            paper, "read_scan", lambda picture: pictures.append(picture) or ScanRead(text, alone=alone)
        )

    says("4/30 (13.3 %)", alone=False)
    said = read(found)
    assert (said["scanned"], said["quote"]) == ("4/30 (13.3 %)", "")
    assert dict(said["proposals"][0]["values"])[f"{PART}.events"] == "4"
    assert "compare every digit" in said["told"][0]
    assert pictures[0].startswith(b"\x89PNG")
    says("0", alone=True)
    said = read(found)
    assert said["proposals"] == []
    assert "type it yourself" in said["told"][0]
    assert plain_places(review) == []


def plain_places(review: Path) -> list[object]:
    group = read_record(review / FILE, shipped()).group
    return list(places_of(group)) if group is not None else []


def test_a_page_with_text_is_not_read_by_a_program(desk: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paper, "read_scan", lambda picture: pytest.fail("asked for"))
    assert read(desk)["quote"]
    assert read(desk, "0.8 0.8 0.9 0.9")["quote"] == ""


def judged(desk: Visitor, content: bytes, name: str) -> str:
    """Put a file beside a form, look at its first page and its words; return what was said."""
    answer = put(desk, content, name=name)
    said = answer.json()
    if answer.status_code == 200:
        for way in (".jpg", "/words"):
            shown = desk.get(f"/reports/{said['sha256']}/1{way}", headers={"accept": "application/json"})
            assert shown.status_code == 200 or (shown.status_code == 422 and one_sentence(shown.text)), name
        return "kept"
    assert answer.status_code == 422, (name, answer.text)
    assert one_sentence(said["refused"]), said
    return "refused"


def one_sentence(text: str) -> bool:
    return bool(text) and "\n" not in text.strip() and "Traceback" not in text and len(text) < 400


def test_hostile_papers_are_each_kept_harmless_or_refused_in_a_sentence(review: Path) -> None:
    found = visitor(review)
    files = {f"{n}.pdf": content for n, content in enumerate(made.damaged(made.sound(), 50))}
    outcomes = [judged(found, content, name) for name, content in files.items()]
    assert len(outcomes) == 50
    assert outcomes.count("refused") >= 5
    assert outcomes.count("kept") >= 5
    assert judged(found, made.of_pages(10_000), "long.pdf") == "refused"
    assert judged(found, made.locked(), "locked.pdf") == "refused"
    assert judged(found, made.that_acts(), "acts.pdf") == "kept"  # nothing in it acts: the reader's own test
    assert {path.suffix for path in (review / "reports").iterdir()} <= {".pdf", ".csv", ""}


@pytest.mark.walk
@pytest.mark.parametrize("bomb", ["bomb_of_text", "bomb_of_an_image", "bomb_of_drawing", "of_itself"])
def test_a_bomb_ends_in_time_and_the_desk_goes_on(
    review: Path, monkeypatch: pytest.MonkeyPatch, bomb: str
) -> None:
    monkeypatch.setattr(paper.READER, "seconds", 3)
    found = visitor(review)
    judged(found, getattr(made, bomb)(), f"{bomb}.pdf")
    monkeypatch.setattr(paper.READER, "seconds", 60)
    assert judged(found, made.sound(), "next.pdf") == "kept"
