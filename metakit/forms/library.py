"""Loading forms and vocabularies from their folder."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from metakit.errors import DataError, Problem, UnknownNameError, UnreadableError
from metakit.forms.bundled import forms_folder
from metakit.forms.language import FORM_OF_FORMS, SpecBuilder, form_of_vocabularies, structure_problems
from metakit.forms.reading import read_fields
from metakit.forms.rules.registry import RULES
from metakit.forms.specs import Form, Term, Vocabulary
from metakit.forms.tree import Group
from metakit.forms.yaml_nodes import MapNode, ScalarNode, read_document


class Library:
    """Forms of one folder; vocabularies of its folder `vocabularies`, else those that are shipped.

    Parameters
    ----------
    folder : Path
        Holds the form files and, if any, a folder `vocabularies`.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._vocabularies: dict[str, Vocabulary] = {}
        self._forms: dict[str, Form] = {}

    def form_names(self) -> tuple[str, ...]:
        """Return the names of the forms."""
        return tuple(sorted(path.stem for path in self.folder.glob("*.yaml")))

    def vocabulary_names(self) -> tuple[str, ...]:
        """Return the names of all vocabularies that can be used."""
        folders = dict.fromkeys((self.folder / "vocabularies", forms_folder() / "vocabularies"))
        return tuple(sorted({path.stem for folder in folders for path in folder.glob("*.yaml")}))

    def form(self, name: str) -> Form:
        """Return the form of this name.

        Raises
        ------
        UnknownNameError
            When there is none.
        DataError, UnreadableError
            When the form itself has problems.
        """
        if name not in self._forms:
            if name not in self.form_names():
                raise UnknownNameError("form", name, self.form_names())
            self._forms[name] = self.load_form(self.folder / f"{name}.yaml")
        return self._forms[name]

    def vocabulary(self, name: str) -> Vocabulary:
        """Return the vocabulary of this name; errors as for `form`."""
        if name not in self._vocabularies:
            if name not in self.vocabulary_names():
                raise UnknownNameError("vocabulary", name, self.vocabulary_names())
            own = self.folder / "vocabularies" / f"{name}.yaml"
            if own.is_file() or self.folder == forms_folder():
                self._vocabularies[name] = self._load_vocabulary(own)
            else:
                self._vocabularies[name] = shipped().vocabulary(name)
        return self._vocabularies[name]

    def load_form(self, path: Path) -> Form:
        """Read and check a form file."""
        root = _root(path)
        problems: list[Problem] = []
        name = root.get("form")
        if not isinstance(name, ScalarNode) or not name.text:
            problems.append(
                Problem(file=str(path), line=1, column=1, field="form", what="a form starts with its name")
            )
        group, found = read_fields(root, FORM_OF_FORMS)
        problems += found
        shared = [item.text("name") for item in group.groups("shared_groups")]
        builder = SpecBuilder(self.vocabulary, shared)
        form = Form(
            name=name.text if isinstance(name, ScalarNode) else "",
            version=group.integer("version") or 0,
            title=group.text("title"),
            about=group.text("about"),
            sections=builder.fields(group.groups("sections")),
            shared_groups={
                item.text("name"): builder.fields(item.groups("fields"))
                for item in group.groups("shared_groups")
            },
            rules=group.words("rules"),
            file=str(path),
        )
        problems += builder.problems
        if not problems:
            problems += structure_problems(form, {rule.name: rule.needs for rule in RULES})
        _raise_errors(problems)
        return form

    def _load_vocabulary(self, path: Path) -> Vocabulary:
        root = _root(path)
        # The facts of the terms are declared in the same file: read it once for them, once with them.
        header = MapNode(tuple(entry for entry in root.entries if entry[0].text != "terms"), root.place)
        declared, _ = read_fields(header, form_of_vocabularies(()))
        builder = SpecBuilder(self.vocabulary)
        facts = builder.fields(declared.groups("term_fields"))
        group, problems = read_fields(root, form_of_vocabularies(facts))
        problems += builder.problems
        terms: dict[str, Term] = {}
        for item in group.groups("terms"):
            term = _term(item)
            if term.id in terms:
                problems.append(item.problem("id", "two terms with this id", found=term.id, severity="error"))
            terms[term.id] = term
        _raise_errors(problems)
        return Vocabulary(
            name=group.text("vocabulary"),
            about=group.text("about"),
            version=group.integer("version") or 0,
            terms=terms,
            file=str(path),
        )


def _term(item: Group) -> Term:
    return Term(
        id=item.text("id"),
        label=item.text("label"),
        definition=item.text("definition"),
        synonyms=item.words("synonyms"),
        facts=item,
    )


def _root(path: Path) -> MapNode:
    document = read_document(path)
    if document.root is None:
        raise UnreadableError(document.problems)
    _raise_errors(list(document.problems))
    return document.root


def _raise_errors(problems: list[Problem]) -> None:
    if any(problem.severity == "error" for problem in problems):
        raise DataError(problems)


@cache
def shipped() -> Library:
    """Return the library of the shipped forms and vocabularies."""
    return Library(forms_folder())


def vocabulary(name: str) -> Vocabulary:
    """Return a shipped vocabulary, such as 'outcomes'."""
    return shipped().vocabulary(name)
