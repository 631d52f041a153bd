"""One file against its form: read, converted, checked by the form's rules."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from metakit.errors import Problem, Severity, UnknownNameError, nearest_names
from metakit.forms.addresses import Addresses
from metakit.forms.answers import settle
from metakit.forms.library import Library
from metakit.forms.reading import RULES_OF_READING, read_fields
from metakit.forms.rules.registry import run_rules
from metakit.forms.specs import Form
from metakit.forms.tree import Group
from metakit.forms.yaml_nodes import Document, MapNode, ScalarNode, read_document

MOST_PROBLEMS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What a file says. `group` is None when nothing could be read; `unreadable` tells that from bad data.

    `addresses` names its fields, found once for all who ask; None where `group` is.
    """

    file: str
    group: Group | None
    form: Form | None
    problems: tuple[Problem, ...]
    sha256: str = ""
    unreadable: bool = False
    addresses: Addresses | None = field(default=None, repr=False, compare=False)

    @property
    def sound(self) -> bool:
        """Whether the record can be used: read, and without an error."""
        return self.group is not None and all(problem.severity != "error" for problem in self.problems)


def read_record(
    path: Path, library: Library, *, shown: str | None = None, form: Form | None = None
) -> Reading:
    """Read one record and find everything that is wrong or unusual in it.

    Parameters
    ----------
    path : Path
        A YAML file that starts with `form:` and `form_version:`.
    library : Library
        Where the form of that name is.
    shown : str, optional
        How messages name the file.
    form : Form, optional
        A form of one's own, used instead of the library's.

    Returns
    -------
    Reading
        Never raises for what the file holds; a broken form raises as in `Library.form`.
    """
    document = read_document(path, shown)
    if document.root is None:
        return _reading(document, None, None, document.problems, unreadable=True)
    problems = list(document.problems)
    chosen = _form_of(document.root, library, form, problems)
    if chosen is None:
        return _reading(document, None, None, problems)
    group, found = read_fields(document.root, chosen)
    problems += found
    problems += run_rules(group, chosen)
    addresses = Addresses(group, chosen)
    problems = settle(problems, addresses, (*chosen.rules, *RULES_OF_READING))
    return _reading(document, addresses, chosen, problems)


def _reading(
    document: Document,
    addresses: Addresses | None,
    form: Form | None,
    problems: Sequence[Problem],
    *,
    unreadable: bool = False,
) -> Reading:
    unique = sorted(dict.fromkeys(problems), key=lambda problem: (problem.line or 0, problem.column or 0))
    if len(unique) > MOST_PROBLEMS:
        # Errors before questions, so that what must be mended is never what is cut.
        kept = sorted(unique, key=lambda problem: problem.severity != "error")[:MOST_PROBLEMS]
        rest = len(unique) - MOST_PROBLEMS
        worst = any(problem.severity == "error" for problem in kept)
        severity: Severity = "error" if worst else "question"
        more = Problem(file=document.file, what=f"and {rest} more problems in this file", severity=severity)
        unique = [*sorted(kept, key=lambda problem: (problem.line or 0, problem.column or 0)), more]
    return Reading(
        file=document.file,
        group=addresses.record if addresses is not None else None,
        form=form,
        problems=tuple(unique),
        sha256=document.sha256,
        unreadable=unreadable,
        addresses=addresses,
    )


def _form_of(root: MapNode, library: Library, own: Form | None, problems: list[Problem]) -> Form | None:
    name, version = root.get("form"), root.get("form_version")

    def add(
        what: str, node: object, field: str, *, found: str = "", allowed: str = "", hint: str = ""
    ) -> None:
        place = node.place if isinstance(node, ScalarNode) else root.place
        problems.append(
            Problem(
                file=place.file,
                what=what,
                line=place.line,
                column=place.column,
                field=field,
                found=found,
                allowed=allowed,
                hint=hint,
            )
        )

    names = (own.name,) if own else library.form_names()
    if not isinstance(name, ScalarNode) or not name.text.strip():
        add("the record does not say which form it follows", name, "form", allowed=", ".join(names))
        return None
    if own is not None and name.text != own.name:
        add("the record follows another form", name, "form", found=name.text, allowed=own.name)
        return None
    try:
        form = own or library.form(name.text.strip())
    except UnknownNameError:
        add(
            "there is no form of this name",
            name,
            "form",
            found=name.text,
            hint=nearest_names(name.text, names),
        )
        return None
    typed = version.text.strip() if isinstance(version, ScalarNode) else ""
    if typed != str(form.version):
        add(
            "the record was made with another version of the form"
            if typed
            else "the version of the form is missing",
            version,
            "form_version",
            found=typed,
            allowed=str(form.version),
            hint="compare the record with an empty one from 'metakit new', then change the number"
            if typed
            else "",
        )
    return form
