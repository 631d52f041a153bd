"""The form language, described in itself: a form and a vocabulary are files that follow these two forms."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from metakit.errors import Problem, UnknownNameError, nearest_names
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.field_words import plain_words
from metakit.forms.specs import GROUP, Condition, FieldSpec, Form, Term, Vocabulary
from metakit.forms.tree import Group

FindVocabulary = Callable[[str], Vocabulary]


def _field(name: str, kind: str, help_text: str = "", **more: object) -> FieldSpec:
    return FieldSpec(name=name, type=kind, help=help_text, may_be_missing=False, **more)  # type: ignore[arg-type]


def _words(*ids: str) -> dict[str, Term]:
    return {word: Term(id=word) for word in ids}


_CONDITION = (
    _field(
        "field",
        "text",
        "path of a neighbouring field, or of a field from the top of the record",
        required=True,
    ),
    _field("is", "list", "values for which the condition holds", required=True),
    _field("fact", "text", "a fact of the chosen term instead of the term itself, such as kind"),
)
_FIELD = (
    _field("name", "identifier", "key in the record", required=True),
    _field(
        "type", "choice", "field type, or group", required=True, terms=_words(GROUP, *FIELD_TYPES.names())
    ),
    _field("label", "text", "how tables name the field"),
    _field("help", "text", "what the extractor should know"),
    _field("example", "text", "a value shown in an empty record"),
    _field("unit", "text", "unit of the number"),
    _field("required", "yes_no", "must be filled in (a code such as not_reported will do if allowed)"),
    _field("required_when", GROUP, "must be filled in when all these hold", repeats=True, fields=_CONDITION),
    _field(
        "may_be_missing", "yes_no", "whether not_reported and the other codes are legal; yes when left out"
    ),
    _field("hard_minimum", "number", "lower values are impossible"),
    _field("hard_maximum", "number", "higher values are impossible"),
    _field("soft_minimum", "number", "lower values are unusual"),
    _field("soft_maximum", "number", "higher values are unusual"),
    _field("choices", "list", "what may be chosen"),
    _field("vocabulary", "list", "vocabularies whose terms may be chosen"),
    _field("words_of", "identifier", "vocabulary whose labels and synonyms stand for the choices too"),
    _field("refers_to", "text", "path of the identifiers that the value must be one of"),
    _field("repeats", "yes_no", "a list of such groups"),
    _field("at_least", "integer", "fewest entries of a repeating group", hard_minimum=0),
    _field(
        "matched_by",
        "list",
        "fields of a repeating group that tell its entries apart, the most telling first",
    ),
    _field(
        "recognised_by",
        "list",
        "for entries with ids of one's own choice: the fields that show which is which, what was done first, "
        "then names, then sizes",
    ),
    _field("per_person", "yes_no", "says who extracted or judged: not compared between two extractors"),
    _field(
        "side_by_side", "yes_no", "workbooks show the entries beside each other, for few with many fields"
    ),
    _field("use", "text", "name of a shared group that lists the fields"),
    _field("fields", GROUP, "fields of a group", repeats=True, shared="field"),
)
FORM_OF_FORMS = Form(
    name="form",
    version=1,
    title="Form",
    about="The language of forms.",
    knows_codes=False,
    shared_groups={"field": _FIELD},
    sections=(
        _field("version", "integer", "raised whenever the form changes", required=True, hard_minimum=1),
        _field("title", "text", required=True),
        _field("about", "text", required=True),
        _field("rules", "list", "consistency rules that the form uses"),
        _field(
            "shared_groups",
            GROUP,
            "groups of fields that several places use",
            repeats=True,
            fields=(
                _field("name", "identifier", required=True),
                _field("fields", GROUP, repeats=True, shared="field", required=True, at_least=1),
            ),
        ),
        _field(
            "sections", GROUP, "sections in order", repeats=True, shared="field", required=True, at_least=1
        ),
    ),
)
TERM_FIELDS = (
    _field("id", "text", required=True),
    _field("label", "text", required=True),
    _field("definition", "text"),
    _field("synonyms", "list"),
)


def form_of_vocabularies(facts: Sequence[FieldSpec]) -> Form:
    """Return the form that a vocabulary file follows, given the facts that its terms carry."""
    return Form(
        name="vocabulary",
        version=1,
        title="Vocabulary",
        about="Terms with label, definition, synonyms and facts.",
        knows_codes=False,
        shared_groups={"field": _FIELD},
        sections=(
            _field("vocabulary", "identifier", required=True),
            _field("version", "integer", required=True, hard_minimum=1),
            _field("about", "text", required=True),
            _field("term_fields", GROUP, "facts that each term carries", repeats=True, shared="field"),
            _field("terms", GROUP, repeats=True, required=True, at_least=1, fields=(*TERM_FIELDS, *facts)),
        ),
    )


class SpecBuilder:
    """Builds field specifications from a checked form file, noting what does not fit together."""

    def __init__(self, find_vocabulary: FindVocabulary, shared: Sequence[str] = ()) -> None:
        self.find_vocabulary = find_vocabulary
        self.shared = tuple(shared)
        self.problems: list[Problem] = []

    def fields(self, groups: Sequence[Group]) -> tuple[FieldSpec, ...]:
        """Build the fields of one level."""
        specs: list[FieldSpec] = []
        for group in groups:
            name = group.text("name")
            if any(spec.name == name for spec in specs):
                self._add(group, "name", "two fields of one name", name)
                continue
            if name and group.text("type"):
                specs.append(self._field(group))
        return tuple(specs)

    def _field(self, group: Group) -> FieldSpec:
        kind = group.text("type")
        terms = self._terms(group)
        use = group.text("use")
        if kind == GROUP:
            if use and use not in self.shared:
                self._add(
                    group,
                    "use",
                    "there is no shared group of this name",
                    use,
                    nearest_names(use, self.shared),
                )
            if bool(use) == bool(group.groups("fields")):
                self._add(group, "", "a group has either fields or the name of a shared group under use")
        else:
            if FIELD_TYPES[kind].needs_choices != bool(terms):
                need = "lists its choices, or names a vocabulary" if not terms else "has no choices"
                self._add(group, "type", f"a field of type {kind} {need}", kind)
            for key in ("fields", "use", "repeats", "at_least", "matched_by", "recognised_by"):
                if group.has(key):
                    self._add(group, key, f"only a group has {key}")
        limits = {
            key: group.number(key) for key in ("hard_minimum", "hard_maximum", "soft_minimum", "soft_maximum")
        }
        order = [limits[key] for key in ("hard_minimum", "soft_minimum", "soft_maximum", "hard_maximum")]
        known = [limit for limit in order if limit is not None]
        if known != sorted(known):
            self._add(group, "", "limits must rise: hard minimum, soft minimum, soft maximum, hard maximum")
        return FieldSpec(
            name=group.text("name"),
            type=kind,
            label=group.text("label") or plain_words(group.text("name")),
            help=group.text("help"),
            example=group.text("example"),
            unit=group.text("unit"),
            required=bool(group.flag("required")),
            required_when=tuple(
                Condition(field=item.text("field"), values=item.words("is"), fact=item.text("fact"))
                for item in group.groups("required_when")
            ),
            may_be_missing=group.flag("may_be_missing") is not False,
            terms=terms,
            refers_to=group.text("refers_to"),
            repeats=bool(group.flag("repeats")),
            at_least=group.integer("at_least") or 0,
            matched_by=group.words("matched_by"),
            recognised_by=group.words("recognised_by"),
            per_person=bool(group.flag("per_person")),
            side_by_side=bool(group.flag("side_by_side")),
            fields=self.fields(group.groups("fields")),
            shared=use if use in self.shared else "",
            place=group.place,
            hard_minimum=limits["hard_minimum"],
            hard_maximum=limits["hard_maximum"],
            soft_minimum=limits["soft_minimum"],
            soft_maximum=limits["soft_maximum"],
        )

    def _terms(self, group: Group) -> Mapping[str, Term]:
        terms = _words(*group.words("choices"))
        if group.has("words_of"):
            terms |= self._described(group, terms)
        for name in group.words("vocabulary"):
            try:
                terms |= self.find_vocabulary(name).terms
            except UnknownNameError as error:
                self._add(group, "vocabulary", str(error), name)
        return terms

    def _described(self, group: Group, terms: Mapping[str, Term]) -> Mapping[str, Term]:
        """Return the choices as the terms of the vocabulary that describes them."""
        name = group.text("words_of")
        try:
            known = self.find_vocabulary(name)
        except UnknownNameError as error:
            self._add(group, "words_of", str(error), name)
            return terms
        for term in terms:
            if term not in known:
                self._add(group, "choices", f"no term of {name}", term)
        return {term: known.terms.get(term, terms[term]) for term in terms}

    def _add(self, group: Group, path: str, what: str, found: str = "", hint: str = "") -> None:
        self.problems.append(group.problem(path, what, severity="error", found=found, hint=hint))


def structure_problems(form: Form, needs_of_rules: Mapping[str, Sequence[str]]) -> list[Problem]:
    """Find what does not fit together in a form: references, conditions, rules, groups inside themselves.

    Parameters
    ----------
    form : Form
        The form as built.
    needs_of_rules : mapping of str to sequence of str
        Fields that each known rule needs.
    """
    problems: list[Problem] = []

    def add(spec: FieldSpec | None, what: str, found: str = "", hint: str = "") -> None:
        place = spec.place if spec else None
        problems.append(
            Problem(
                file=form.file,
                what=what,
                line=place.line if place else 1,
                column=place.column if place else 1,
                field=spec.name if spec else "rules",
                found=found,
                hint=hint,
            )
        )

    def look(specs: Sequence[FieldSpec], inside: tuple[str, ...]) -> None:
        for spec in specs:
            if spec.refers_to and form.find(spec.refers_to) is None:
                add(spec, "refers_to names no field of this form", spec.refers_to)
            for condition in spec.required_when:
                if (
                    not any(s.name == condition.field.split(".")[0] for s in specs)
                    and form.find(condition.field) is None
                ):
                    add(spec, "required_when names no field of this form", condition.field)
            if spec.type != GROUP:
                continue
            if spec.shared and spec.shared in inside:
                add(spec, "a shared group cannot stand inside itself", spec.shared)
                continue
            look(form.fields_of(spec), (*inside, spec.shared) if spec.shared else inside)

    look(form.sections, ())
    for rule in form.rules:
        if rule not in needs_of_rules:
            add(None, "there is no rule of this name", rule, nearest_names(rule, needs_of_rules))
            continue
        lacking = [path for path in needs_of_rules[rule] if form.find(path) is None]
        if lacking:
            add(None, f"the rule needs fields that the form lacks: {', '.join(lacking)}", rule)
    return problems
