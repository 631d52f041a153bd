"""Every form, vocabulary, field type and rule, walked whole: nothing is skipped."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import pytest

from metakit.forms.bundled import bundled_folder, forms_folder
from metakit.forms.expansion import clashes, expand, parts_of_group
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.library import shipped, vocabulary
from metakit.forms.records import read_record
from metakit.forms.rules.registry import RULES
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.forms.units import conversion
from metakit.review.across import REVIEW_RULES
from metakit.review.check import check_paths
from metakit.review.template import empty_record

FORMS = shipped().form_names()
VOCABULARIES = shipped().vocabulary_names()


def fields(form: Form, specs: Sequence[FieldSpec], path: str = "") -> Iterator[tuple[str, FieldSpec]]:
    for spec in specs:
        here = f"{path}.{spec.name}" if path else spec.name
        yield here, spec
        if spec.type == GROUP:
            yield from fields(form, form.fields_of(spec), here)


ALL_FIELDS = [
    (name, path, spec)
    for name in FORMS
    for path, spec in fields(shipped().form(name), shipped().form(name).sections)
]


def test_forms_and_vocabularies_are_all_there() -> None:
    assert set(FORMS) >= {"protocol", "search", "study"}
    assert set(VOCABULARIES) >= {
        "techniques",
        "components",
        "mp_options",
        "st_options",
        "outcomes",
        "definitions",
        "study_designs",
        "time_windows",
        "units",
    }


@pytest.mark.parametrize("name", FORMS)
def test_form_resolves(name: str) -> None:
    form = shipped().form(name)
    assert form.name == name == Path(form.file).stem
    assert form.rules
    assert form.title
    assert form.about


@pytest.mark.parametrize(
    ("name", "path", "spec"), ALL_FIELDS, ids=[f"{name}:{path}" for name, path, _ in ALL_FIELDS]
)
def test_field_is_sound(name: str, path: str, spec: FieldSpec) -> None:
    form = shipped().form(name)
    assert form.find(path) == spec
    if spec.type == GROUP:
        assert form.fields_of(spec)
        return
    kind = FIELD_TYPES[spec.type]
    if spec.example and not kind.many and spec.example not in ("not_reported",):
        kind.convert(spec.example, spec)  # raises Refused when the form shows what it does not accept
    for term in spec.terms:
        assert kind.convert(term, spec).value == term
    for condition in spec.required_when:
        other = form.find(f"{path.rpartition('.')[0]}.{condition.field}") or form.find(condition.field)
        assert other is not None
        if condition.fact:
            assert any(term.facts.has(condition.fact) for term in other.terms.values())
        else:
            assert set(condition.values) <= set(other.terms)


@pytest.mark.parametrize("kind", FIELD_TYPES, ids=lambda kind: kind.name)
def test_field_type_accepts_its_example(kind) -> None:
    if kind.needs_choices:
        assert not kind.example
    else:
        kind.convert(kind.example, FieldSpec(name="f", type=kind.name))
    assert kind.label


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_rule_is_used_documented_and_has_a_basis(rule) -> None:
    users = [name for name in FORMS if rule.name in shipped().form(name).rules]
    assert users
    for name in users:
        for path in rule.needs:
            assert shipped().form(name).find(path) is not None
    assert rule.label
    assert rule.basis
    assert (rule.check.__doc__ or "").strip()


@pytest.mark.parametrize("rule", REVIEW_RULES, ids=lambda rule: rule.name)
def test_review_rule_is_documented(rule) -> None:
    assert rule.label
    assert (rule.check.__doc__ or "").strip()


@pytest.mark.parametrize("name", VOCABULARIES)
def test_vocabulary_is_sound(name: str) -> None:
    words = vocabulary(name)
    assert words.name == name == Path(words.file).stem
    assert words.about
    for term in words:
        assert term.label
        assert words[term.id] is term
    # A synonym of one term is never the id of another: nobody could tell what was meant.
    for term in words:
        for synonym in term.synonyms:
            assert synonym not in words.terms or synonym == term.id


@pytest.mark.parametrize("term", vocabulary("techniques"), ids=lambda term: term.id)
def test_technique_resolves_into_components(term) -> None:
    components, techniques = vocabulary("components").terms, vocabulary("techniques").terms
    assert term.definition
    assert set(term.facts.words("components")) <= set(components)
    assert not clashes(expand(term, ()), components)
    for fact in ("choose", "ask"):
        for group in term.facts.words(fact):
            parts = parts_of_group(group, components)
            assert parts
            # Every open part can be filled in without a clash, also when the report does not name it.
            for part in parts:
                if fact == "choose":
                    assert not clashes(expand(term, (part,)), components)
    meanings = term.facts.words("ambiguous_between")
    assert all(techniques[name].facts.words("components") for name in meanings)
    assert bool(meanings) != bool(
        term.facts.words("components")
        or term.facts.words("choose")
        or term.facts.text("family") == "open_coding"
    )


@pytest.mark.parametrize(
    "group", ["trapezium", "ligament_reconstruction", "tendon_interposition", "total_prosthesis"]
)
def test_a_silent_report_can_be_coded(group: str) -> None:
    assert any(part.endswith("not_stated") for part in parts_of_group(group, vocabulary("components").terms))


@pytest.mark.parametrize("term", vocabulary("components"), ids=lambda term: term.id)
def test_component_exclusions_resolve(term) -> None:
    assert term.definition
    assert set(term.facts.words("excludes")) <= set(vocabulary("components").terms) - {term.id}


@pytest.mark.parametrize("term", vocabulary("outcomes"), ids=lambda term: term.id)
def test_outcome_is_complete(term) -> None:
    facts, outcomes, units = term.facts, vocabulary("outcomes").terms, vocabulary("units").terms
    assert term.definition
    assert set(facts.words("within")) <= set(outcomes)
    assert set(facts.words("impossible_with")) <= set(vocabulary("components").terms)
    if facts.text("kind") == "events":
        assert not facts.text("unit")
        for parent in facts.words("within"):
            assert outcomes[parent].facts.text("kind") == "events"
            assert outcomes[parent].facts.text("better") == facts.text("better")
        return
    assert facts.text("unit") in units
    limits = [facts.number(f"{kind}_minimum") for kind in ("hard", "soft")] + [
        facts.number(f"{kind}_maximum") for kind in ("soft", "hard")
    ]
    known = [limit for limit in limits if limit is not None]
    assert known == sorted(known)
    before = [
        facts.number("hard_minimum"),
        facts.number("soft_minimum_before"),
        facts.number("soft_maximum_before"),
        facts.number("hard_maximum"),
    ]
    assert [limit for limit in before if limit is not None] == sorted(
        limit for limit in before if limit is not None
    )
    for difference in facts.groups("smallest_important_difference"):
        assert difference.text("source")
        assert difference.text("status") in ("seen_in_abstract", "from_memory")


def test_nesting_has_no_circle() -> None:
    outcomes = vocabulary("outcomes").terms
    for start in outcomes:
        seen, waiting = set(), list(outcomes[start].facts.words("within"))
        while waiting:
            name = waiting.pop()
            assert name != start
            if name not in seen:
                seen.add(name)
                waiting += outcomes[name].facts.words("within")


@pytest.mark.parametrize("term", vocabulary("definitions"), ids=lambda term: term.id)
def test_definition_belongs_to_outcomes(term) -> None:
    assert set(term.facts.words("for_outcomes")) <= set(vocabulary("outcomes").terms)
    assert term.id not in vocabulary("outcomes")


@pytest.mark.parametrize("term", vocabulary("units"), ids=lambda term: term.id)
def test_unit_converts_into_the_base_of_its_dimension(term) -> None:
    alike = [
        other.id
        for other in vocabulary("units")
        if other.facts.text("dimension") == term.facts.text("dimension")
    ]
    assert all(conversion(term.id, other, vocabulary("units").terms) for other in alike)


@pytest.mark.parametrize("term", vocabulary("appraisal_instruments"), ids=lambda term: term.id)
def test_appraisal_instrument_resolves(term) -> None:
    judgement = shipped().form("study").find("appraisal.judgements.judgement")
    assert judgement is not None
    assert set(term.facts.words("domains")) <= set(vocabulary("appraisal_domains").terms)
    assert set(term.facts.words("judgements")) <= set(judgement.terms)
    groups = {design.facts.text("design_group") for design in vocabulary("study_designs")}
    assert set(term.facts.words("design_groups")) <= groups


def test_no_two_causes_of_return_share_a_word() -> None:
    words = [
        word.casefold()
        for term in vocabulary("return_causes")
        for word in dict.fromkeys((term.id, term.label.casefold(), *term.synonyms))
    ]
    assert [word for word in set(words) if words.count(word) > 1] == []


@pytest.mark.parametrize("term", vocabulary("return_causes"), ids=lambda term: term.id)
def test_cause_of_return_is_complete(term) -> None:
    assert term.definition and term.synonyms
    parts = {*vocabulary("components").terms, *vocabulary("mp_options").terms}
    assert set(term.facts.words("needs_component")) <= parts
    assert bool(term.facts.flag("needs_implant")) == (term.facts.text("group") == "implant")
    sources = {
        "residual_bone": "osteophyte_options",
        "scaphotrapezoid_arthritis": "st_options",
        "mp_hyperextension": "mp_options",
    }
    assert bool(term.facts.flag("source_of_trouble")) == (term.id in sources)
    if term.id in sources:
        assert {option.facts.text("source") for option in vocabulary(sources[term.id])} == {term.id}


@pytest.mark.parametrize(
    "name",
    [
        "return_causes",
        "second_operations",
        "index_findings",
        "osteophyte_options",
        "st_options",
        "mp_options",
    ],
)
def test_every_term_has_a_definition_and_words_as_papers_write_them(name: str) -> None:
    assert [term.id for term in vocabulary(name) if not term.definition or not term.synonyms] == []


@pytest.mark.parametrize("term", vocabulary("second_operations"), ids=lambda term: term.id)
def test_second_operation_counts_under_an_outcome(term) -> None:
    outcome = vocabulary("outcomes")[term.facts.text("outcome")]
    wider = {outcome.id, *outcome.facts.words("within")}
    wider |= {name for part in wider for name in vocabulary("outcomes")[part].facts.words("within")}
    assert term.definition and "any_reoperation" in wider


@pytest.mark.parametrize("term", vocabulary("index_findings"), ids=lambda term: term.id)
def test_finding_lies_within_findings_of_its_source(term) -> None:
    assert term.definition
    for wider in term.facts.words("within"):
        other = vocabulary("index_findings")[wider]
        assert other.id != term.id and other.facts.text("source") == term.facts.text("source")


def test_time_windows_follow_each_other() -> None:
    windows = [term for term in vocabulary("time_windows") if term.id != "last_follow_up"]
    for one, other in pairwise(windows):
        assert one.facts.number("until") == other.facts.number("after")
        assert one.facts.number("after") < one.facts.number("target") <= one.facts.number("until")


@pytest.mark.parametrize("name", FORMS)
def test_fields_of_optional_blocks_say_whether_they_are_required(name: str) -> None:
    form = shipped().form(name)

    def inside(spec: FieldSpec, hidden: bool) -> Iterator[bool]:
        for place, field in enumerate(form.fields_of(spec) if spec.type == GROUP else ()):
            if hidden:
                yield field.required
            carries_the_dash = spec.repeats and place == 0
            yield from inside(field, hidden or not (field.required or carries_the_dash))

    told = [one for spec in form.sections for one in inside(spec, not spec.required)]
    text = empty_record(form)
    assert text.count("#: Required here.") == sum(told)
    assert text.count("#: Optional.") == len(told) - sum(told)


@pytest.mark.parametrize("name", FORMS)
def test_empty_record_is_in_step_with_its_form(name: str, tmp_path: Path) -> None:
    form = shipped().form(name)
    path = tmp_path / "empty.yaml"
    text = empty_record(form)
    path.write_text(text)
    as_it_is = read_record(path, shipped())
    assert as_it_is.problems
    assert all("required" in p.what or "needs a comparison" in p.what for p in as_it_is.problems), (
        as_it_is.problems
    )
    # With every optional field uncommented: still no unknown field, and every field of the form is there.
    shown = "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("#:")).replace(
        "# ", ""
    )
    path.write_text(shown)
    complete = read_record(path, shipped())
    assert not [p for p in complete.problems if "no such field" in p.what or p.line is None]
    assert complete.group is not None
    for name_of_field in {spec.name for _, spec in fields(form, form.sections)}:
        assert f"{name_of_field}:" in shown


def test_demo_review_has_no_error() -> None:
    report = check_paths([bundled_folder("demo_studies")])
    assert [str(problem) for problem in report.problems if problem.severity == "error"] == []
    assert len(report.files) > 15


def test_no_questionnaire_wording_is_stored() -> None:
    # Scores only: a vocabulary has one line a score, never its items or answers.
    for term in vocabulary("outcomes"):
        assert len(term.definition) < 200
        assert not any(
            word in term.definition.lower()
            for word in ("during the past week", "please rate", "how much difficulty")
        )


def test_measures_of_the_protocol_are_those_of_the_registry() -> None:
    from metakit.measures.registry import MEASURES

    words = vocabulary("effect_measures")
    assert set(words.terms) == set(MEASURES.names()) - {"generic"}
    for term in words:
        measure = MEASURES[term.id]
        assert term.facts.flag("comparative") == measure.comparative
        assert term.facts.words("scales") == tuple(scale.name for scale in measure.scales)
        assert term.facts.words("zero_cells") == tuple(measure.zero_cell_policies)
    spec = shipped().form("protocol").find("analyses.scale")
    assert spec is not None
    assert set(spec.terms) == {
        scale.name for measure in MEASURES if measure.name != "generic" for scale in measure.scales
    }


@pytest.mark.parametrize("field", ["model", "tau2", "interval", "zero_cells"])
def test_options_of_the_protocol_are_those_of_the_registries(field: str) -> None:
    from metakit.measures.registry import MEASURES
    from metakit.models.estimators import MEAN_INTERVALS, TAU2_ESTIMATORS
    from metakit.models.posteriors.bayesian import INTERVALS as BAYESIAN_INTERVALS
    from metakit.models.registry import MODELS

    registered = {
        "model": set(MODELS.names()),
        "tau2": set(TAU2_ESTIMATORS.names()),
        "interval": {*MEAN_INTERVALS.names(), *BAYESIAN_INTERVALS},
        "zero_cells": {policy for measure in MEASURES for policy in measure.zero_cell_policies},
    }
    spec = shipped().form("protocol").find(f"analyses.{field}")
    assert spec is not None
    assert set(spec.terms) == registered[field]


def test_models_of_a_measure_are_those_that_take_it() -> None:
    from metakit.forms.rules.protocol import RESTRICTED
    from metakit.models.registry import MODELS

    assert set(RESTRICTED) == {model.name for model in MODELS if model.measures}
    for term in vocabulary("effect_measures"):
        assert set(term.facts.words("models")) == {m.name for m in MODELS if term.id in m.measures}


def test_forms_folder_is_the_checkout_first() -> None:
    assert forms_folder() == Path(__file__).parents[2] / "extraction_forms"
