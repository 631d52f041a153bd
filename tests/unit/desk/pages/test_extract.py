"""Extract: every field of every form there and back, one save after the other, handing in, another's record hidden."""

from __future__ import annotations

import re
import shutil
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from metakit.core.files import sha256_of
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.library import shipped
from metakit.forms.record_text import record_text, same_nodes
from metakit.forms.specs import GROUP
from metakit.forms.splice import plain_of
from metakit.forms.yaml_nodes import read_document
from metakit.review.check import check_paths
from metakit.review.new import new_review
from metakit.review.unfinished import own_record
from tests.unit.desk.desks import ROOT, Visitor, demo_review, visitor

STUDY = "DEMO-01_quillmere"


class Fields(HTMLParser):
    """What a page lets a person type: address, and the value that stands there."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: dict[str, str] = {}
        self.feed(text)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = dict(attributes)
        if "data-saved" in given:
            self.found[given["data-address"] or ""] = given["data-saved"] or ""


@pytest.fixture
def review(tmp_path: Path) -> Path:
    folder = demo_review(tmp_path / "review")
    for person in ("AB", "CD"):
        home = folder / "extractors" / person
        (home / "unfinished").mkdir()
        (home / f"{STUDY}.yaml").rename(home / "unfinished" / f"{STUDY}.yaml")
    return folder


@pytest.fixture
def one(review: Path) -> Visitor:
    return visitor(review)


def cleaned(value: Any) -> Any:
    """Return the texts without what is empty; the order of fields is the form's."""
    if isinstance(value, dict):
        return {
            name: found
            for name, inner in value.items()
            if (found := cleaned(inner)) not in ("", [], {}, None)
        }
    return [cleaned(inner) for inner in value] if isinstance(value, list) else value


def path_of(one: Visitor) -> Path:
    found = own_record(one.desk.folder, "AB", STUDY)
    assert found is not None
    return found.path


def save(one: Visitor, address: str, old: str, new: str, sha256: str = "") -> Any:
    sent = {"address": address, "old": old, "new": new, "sha256": sha256 or sha256_of(path_of(one))}
    return one.post(f"/extract/AB/{STUDY}/set", sent)


def pages(one: Visitor) -> list[str]:
    first = one.get(f"/extract/AB/{STUDY}/report").text
    return list(dict.fromkeys(re.findall(rf'href="(/extract/AB/{STUDY}/[^"]+)"', first)))


@pytest.mark.lengthy
def test_every_typed_value_stands_on_one_page_and_is_the_one_in_the_file(one: Visitor) -> None:
    shown: dict[str, str] = {}
    for href in pages(one):
        if "hand-in" not in href:
            found = Fields(one.get(href).text).found
            assert not shown.keys() & found.keys()
            shown |= found
    typed: dict[str, str] = {}

    def look(value: Any, address: str) -> None:
        if isinstance(value, dict):
            for name, inner in value.items():
                look(inner, f"{address}.{name}" if address else name)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for inner in value:
                look(inner, f"{address}[]")
        else:
            typed[address] = (
                typed.get(address, "") + "|" + ("\n".join(value) if isinstance(value, list) else value)
            )

    left_out = ("form", "form_version", "appraisal", "answered_questions", "places")
    record = plain_of(path_of(one).read_text())
    look({name: value for name, value in record.items() if name not in left_out}, "")
    together: dict[str, str] = {}
    for address, value in shown.items():
        plain = re.sub(r"\[[^\]]*\]", "[]", address)
        if value:
            together[plain] = together.get(plain, "") + "|" + value
    assert {name: sorted(text.split("|")) for name, text in together.items()} == {
        name: sorted(text.split("|")) for name, text in typed.items() if text.strip("|")
    }


@pytest.mark.walk
def test_every_kind_of_field_of_the_form_goes_there_and_back(one: Visitor) -> None:
    form = shipped().form("study")
    samples = {"text": "a: 'b' # c, [d] {e}", "list": "one\ntwo, three", "yes_no": "yes", "p_value": "<0.001"}
    done = set()
    # Every field that stands alone, in every section that is no list, and in an arm.
    for address, spec in [
        (f"{home}.{spec.name}", spec)
        for home, specs in (
            *(
                (section.name, form.fields_of(section))
                for section in form.sections
                if not section.repeats and section.type == GROUP
            ),
            ("arms[A]", form.fields_of(form.find("arms"))),
            ("arms[A].age", form.fields_of(form.find("arms.age"))),
            ("arms[A].follow_up", form.fields_of(form.find("arms.follow_up"))),
        )
        for spec in specs
        if spec.type != GROUP and home != "appraisal" and not (home == "arms[A]" and spec.name == "id")
    ]:
        value = samples.get(spec.type) or next(iter(spec.terms), "") or FIELD_TYPES[spec.type].example
        before = plain_of(path_of(one).read_text())
        here = "arms%5BA%5D" if address.startswith("arms") else "report"
        here = "closing" if address.startswith(("analysis", "funding")) else here
        old = Fields(one.get(f"/extract/AB/{STUDY}/{here}").text).found[address]
        assert save(one, address, old, value).status_code == 200, address
        assert Fields(one.get(f"/extract/AB/{STUDY}/{here}").text).found[address] == value, address
        assert save(one, address, value, old).status_code == 200
        after = plain_of(path_of(one).read_text())
        assert cleaned(after) == cleaned(before), address
        done.add(spec.type)
    assert done >= set(FIELD_TYPES.names()) - {"p_value"}


def test_a_save_tells_what_is_wrong_in_the_words_of_the_rule(one: Visitor) -> None:
    before = path_of(one).read_bytes()
    said = save(one, "arms[A].women", "32", "99").json()
    assert path_of(one).read_bytes() == before.replace(b"women: 32", b"women: 99", 1)
    assert said["sha256"] == sha256_of(path_of(one))
    words = said["problems"]["arms[A].women"]
    rule = next(p for p in check_paths([path_of(one)]).problems if p.field == "arms[1].women")
    assert rule.what in words
    assert "arms[A].women" in said["errors"]
    assert "cannot be right" in said["parts"]["arms[A]"]
    assert "arms[A].women" not in save(one, "arms[A].women", "99", "32").json()["problems"]
    assert path_of(one).read_bytes() == before


def test_what_is_typed_cannot_become_markup(one: Visitor) -> None:
    nasty = '<script>alert("x")</script><img src=x onerror=y>'
    said = save(one, "study.year", "2014", nasty).json()
    assert "<script" not in "".join(said["problems"].values())
    page = one.get(f"/extract/AB/{STUDY}/report").text
    assert "<script>" not in page
    assert "<img" not in page


def test_the_same_field_changed_meanwhile_is_409_with_both_values(one: Visitor) -> None:
    path = path_of(one)
    seen = sha256_of(path)
    path.write_text(path.read_text().replace("women: 32", "women: 30"))
    answer = save(one, "arms[A].women", "32", "31", seen)
    assert answer.status_code == 409
    assert (answer.json()["yours"], answer.json()["theirs"]) == ("31", "30")
    assert "women: 30" in path.read_text()
    assert save(one, "study.year", "2014", "2015", seen).status_code == 200


@pytest.mark.parametrize("who", ["CD", "ZZ", "%2e%2e", "%2e"])
def test_another_persons_record_is_neither_shown_nor_changed(one: Visitor, who: str) -> None:
    assert one.get(f"/extract/{who}/{STUDY}/report").status_code == 404
    for action in ("set", "add", "remove", "answer", "hand-in", "take-back"):
        assert one.post(f"/extract/{who}/{STUDY}/{action}", {"address": "study.year"}).status_code in (
            404,
            422,
        )


@pytest.mark.parametrize(
    "study", ["..%2fCD%2fDEMO-02_brackenhythe", "..%2f..%2fprotocol", "%2e%2e", "x%00y", ".hidden"]
)
def test_no_name_leads_out_of_the_folder(one: Visitor, study: str) -> None:
    assert one.get(f"/extract/AB/{study}/report").status_code == 404


@pytest.mark.walk
def test_from_nothing_to_handed_in_says_what_collect_says(tmp_path: Path) -> None:
    review = new_review(tmp_path / "review", record=False)
    one = visitor(review)
    begun = one.post("/extract/begin", {"study": "DEMO-01", "label": "DEMO-01 Quillmere"}).json()
    assert begun == {"go": "/extract/AB/DEMO-01/report"}
    assert one.post("/extract/begin", {"study": "DEMO-01"}).json()["field"] == "study"
    assert one.post("/extract/begin", {"study": "../x"}).status_code == 422
    assert one.post("/extract/AB/DEMO-01/hand-in", {"alone": "no"}).status_code == 422
    source = ROOT / "demo_studies" / "extractors" / "AB" / f"{STUDY}.yaml"
    wanted = plain_of(source.read_text())
    url = "/extract/AB/DEMO-01"
    path = review / "extractors" / "AB" / "unfinished" / "DEMO-01.yaml"

    def put(address: str, value: Any) -> None:
        if isinstance(value, dict):
            for name, inner in value.items():
                put(f"{address}.{name}", inner)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            spec = shipped().form("study").find(re.sub(r"\[[^\]]*\]", "", address))
            for entry in value:
                keys = {}
                for key in spec.matched_by:
                    first, _, rest = key.partition(".")
                    found = entry.get(first, "")
                    keys[f"key.{key}"] = found.get(rest, "") if rest and found else "" if rest else found
                went = one.post(f"{url}/add", {"list": address, **keys}).json()
                texts = plain_of(path.read_text())
                name = "/".join(text for text in keys.values() if text)
                name = re.sub(r"\b(\d+)\.0\b", r"\1", name)
                assert "go" in went, (went, texts)
                put(f"{address}[{name}]", entry)
        elif value not in ("", []):
            now = plain_of(path.read_text())
            old = ""
            from metakit.desk.changes import addresses_in, plain_at, text_of

            steps = addresses_in(path.read_text(), shipped().form("study")).steps(address)
            assert steps is not None, address
            old = text_of(plain_at(now, steps))
            new = "\n".join(value) if isinstance(value, list) else value
            if old != new:
                sent = {"address": address, "old": old, "new": new, "sha256": sha256_of(path)}
                answer = one.post(f"{url}/set", sent)
                assert answer.status_code == 200, (address, answer.text)

    for section in (
        "study",
        "extraction",
        "design",
        "setting",
        "care",
        "arms",
        "outcomes",
        "contrasts",
        "analysis",
        "funding",
    ):
        if section in wanted:
            value = wanted[section]
            value = value[:4] if section == "outcomes" else value
            put(section, value)
    written = plain_of(path.read_text())
    for section in ("study", "extraction", "design", "setting", "care", "arms", "analysis", "funding"):
        assert cleaned(written.get(section)) == cleaned(wanted.get(section)), section
    assert written["outcomes"] == wanted["outcomes"][:4]
    # The very record that `collect` writes of these values, but for layout and order of fields.
    again = tmp_path / "again.yaml"
    root = read_document(path).root
    again.write_text(record_text(root, []))
    assert same_nodes(read_document(again).root, root)
    assert one.post(f"{url}/hand-in", {"alone": "no"}).json() == {"go": "/"}
    assert (review / "extractors" / "AB" / "DEMO-01.yaml").is_file()
    assert not path.exists()
    assert '"event": "handed_in"' in (review / "history.jsonl").read_text()
    shown = one.get(f"{url}/report").text
    assert "Take it back" in shown
    assert one.post(f"{url}/set", {"address": "study.year"}).status_code == 404
    assert one.post(f"{url}/take-back").json() == {"go": f"{url}/report"}
    assert path.is_file()
    assert one.post(f"{url}/hand-in", {"alone": "yes"}).json() == {"go": "/"}
    assert (review / "records" / "DEMO-01.yaml").is_file()


@pytest.mark.lengthy
def test_an_unfinished_record_stops_nothing(review: Path) -> None:
    path = review / "extractors" / "AB" / "unfinished" / f"{STUDY}.yaml"
    path.write_text(path.read_text().replace("women: 32", "women: many"))
    assert check_paths([review]).exit_status == 0
    assert visitor(review).post(f"/extract/AB/{STUDY}/hand-in", {"alone": "no"}).status_code == 422
    shutil.move(path, review / "extractors" / "AB")
    assert check_paths([review]).exit_status == 1


def test_a_question_is_answered_where_it_is_asked(one: Visitor) -> None:
    said = save(one, "arms[A].age.mean", "61.4", "94").json()
    asked = [where for where, html in said["problems"].items() if "Answer this question" in html]
    assert asked
    html = said["problems"][asked[0]]
    sent = {
        name: re.search(rf'name="{name}" value="([^"]*)"', html)[1].replace("&#39;", "'")
        for name in ("rule", "field", "values")
    }
    assert one.post(f"/extract/AB/{STUDY}/answer", {**sent, "answer": "page 3 says so"}).json() == {
        "again": True
    }
    entry = plain_of(path_of(one).read_text())["answered_questions"][-1]
    assert (entry["answer"], entry["answered_by"]) == ("page 3 says so", "AB")
    assert "answered: page 3 says so" in one.get(f"/extract/AB/{STUDY}/arms%5BA%5D").text


def test_terms_are_found_by_id_label_and_synonym(one: Visitor) -> None:
    def found(path: str, typed: str) -> list[str]:
        return [term["id"] for term in one.get("/terms", params={"path": path, "q": typed}).json()["terms"]]

    assert found("outcomes.outcome", "key pin")[0] == "key_pinch"
    assert len(found("outcomes.outcome", "")) == 10
    assert found("arms.technique", "ligament reconstruction")
    assert found("nowhere", "x") == []
