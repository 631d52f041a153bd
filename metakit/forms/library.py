"""Loading forms and vocabularies from their folder."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

from metakit.core.nouns import use
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

    A library of a review of another joint (`fallback`) takes from the shipped forms what its folder lacks.

    Parameters
    ----------
    folder : Path
        Holds the form files and, if any, a folder `vocabularies`.
    """

    def __init__(self, folder: Path, *, fallback: bool = False) -> None:
        self.folder = folder
        self.fallback = fallback
        self._vocabularies: dict[str, Vocabulary] = {}
        self._forms: dict[str, Form] = {}

    def form_names(self) -> tuple[str, ...]:
        """Return the names of the forms."""
        folders = (self.folder, forms_folder()) if self.fallback else (self.folder,)
        return tuple(sorted({path.stem for folder in folders for path in folder.glob("*.yaml")}))

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
            own = self.folder / f"{name}.yaml"
            self._forms[name] = self.load_form(own if own.is_file() else forms_folder() / own.name)
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
                self._vocabularies[name] = _base().vocabulary(name)
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
def _base() -> Library:
    return Library(forms_folder())


_own: list[Library] = []
_forgetting: list[Callable[[], None]] = []
NOUNS = "nouns"
FORMS = "forms"
"""Folder of a review that brings its own."""


def shipped() -> Library:
    """Return the library in force: that of the review in hand where it brings forms, else the shipped one."""
    return _own[-1] if _own else _base()


def use_forms_of(review: Path) -> None:
    """Put the forms of a review in force: its folder `forms`, where there is one, else the shipped ones.

    Vocabularies of the same name go before the shipped ones. The vocabulary `nouns` says what the review is
    about: `thumb` with the label `toe`.

    Raises
    ------
    DataError, UnreadableError
        When the vocabulary of nouns has problems.
    """
    folder = review / FORMS
    own = folder / "vocabularies"
    if not own.is_dir():
        if _own:
            _own.clear()
            use({})
            _forget()
        return
    if _own and _own[-1].folder == folder:
        return
    use({})
    library = Library(folder, fallback=True)
    if (own / f"{NOUNS}.yaml").is_file():
        terms = library.vocabulary(NOUNS)
        use({term.id.replace("_", " "): term.label for term in terms})
    _own[:] = [library]
    _forget()


def _forget() -> None:
    for forget in _forgetting:
        forget()


def forgotten_with_forms(forget: Callable[[], None]) -> None:
    """Name something that remembers words of vocabularies, to be forgotten when other forms come in force."""
    _forgetting.append(forget)


def asks(path: str) -> bool:
    """Say whether the study form in force has a field, such as `arms.mp_option`."""
    return shipped().form("study").find(path) is not None


def vocabulary(name: str) -> Vocabulary:
    """Return a vocabulary in force, such as 'outcomes'."""
    return shipped().vocabulary(name)
