"""An empty record, written from its form, so that the two are never out of step.

Required fields stand with nothing behind the colon; optional ones stand as comments, ready to be uncommented.
Every field is explained in the line above it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from functools import cache

from metakit.core.nouns import nouns
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.field_words import limits_words
from metakit.forms.library import forgotten_with_forms, shipped
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.forms.tree import Missing

CAUTIONS = (
    "Study-level numbers only: never enter data of identifiable patients.",
    "Decision support for licensed clinicians; it does not replace judgement, local codes or policy.",
)
WIDTH = 110
EXPLAIN = "#: "  # explanations, apart from '# ' that hides an optional field
HIDDEN = "# "
LONG_LIST = 12


def empty_record(form: Form, heading: Sequence[str] = ()) -> str:
    """Return the YAML text of an empty record of a form.

    Parameters
    ----------
    form : Form
        The form.
    heading : sequence of str
        Lines to explain the file, before everything else.

    Returns
    -------
    str
        Deleting every '# ' gives a record with all fields; the lines of '#:' are explanations.
    """
    writer = _Writer(form)
    codes = ", ".join(code.value for code in Missing)
    writer.explain(f"{form.title}: {form.about}", "")
    for text in heading:
        writer.explain(text, "")
    writer.explain(
        "Fields without '# ' before them are required; remove '# ' before an optional field to use it. "
        "Inside a block that is optional, each field says whether it is required where the block is used. "
        f"Where a report gives no value, write one of: {codes}. Nothing is filled in from silence.",
        "",
    )
    writer.lines += [f"form: {form.name}", f"form_version: {form.version}"]
    for spec in form.sections:
        writer.lines.append("")
        writer.field(spec, "", hidden=not spec.required)
    return nouns().said("\n".join(writer.lines) + "\n")


@cache
def first_record() -> str:
    """Return the empty study record of a new review."""
    copy = "Copy this file for each report, name the copy after the study, fill it in."
    return empty_record(shipped().form("study"), (*CAUTIONS, copy))


forgotten_with_forms(first_record.cache_clear)


class _Writer:
    def __init__(self, form: Form) -> None:
        self.form = form
        self.lines: list[str] = []
        self.listed: set[str] = set()  # choices of long lists that were spelled out already

    def explain(self, text: str, indent: str) -> None:
        prefix = indent + EXPLAIN
        self.lines += textwrap.wrap(
            text,
            WIDTH,
            initial_indent=prefix,
            subsequent_indent=prefix,
            break_long_words=False,
            break_on_hyphens=False,
        )

    def field(
        self, spec: FieldSpec, indent: str, *, hidden: bool, dash: str = "", inside: bool = False
    ) -> None:
        """Write one field; `dash` starts an entry of a list, `inside` says that its block is optional."""
        text = self._explanation(spec)
        if inside:
            text = f"{'Required here.' if spec.required else 'Optional.'} {text}".strip()
        if text:
            self.explain(text, indent + " " * len(dash))
        # '# ' stands where the field begins, so that removing it leaves the field in its place.
        self.lines.append(f"{indent}{HIDDEN if hidden else ''}{dash}{spec.name}:")
        if spec.type != GROUP:
            return
        inner = indent + " " * len(dash) + "  "
        for index, field in enumerate(self.form.fields_of(spec)):
            # The first field of a list entry carries the dash: it is shown whenever the list is.
            first = spec.repeats and index == 0
            after = inner if first or not spec.repeats else inner + "  "
            shown = field.required or first
            self.field(field, after, hidden=hidden or not shown, dash="- " if first else "", inside=hidden)

    def _explanation(self, spec: FieldSpec) -> str:
        if spec.type == GROUP:
            parts = [_sentence(spec.help), "A list: one entry after each dash." if spec.repeats else ""]
            return " ".join(part for part in parts if part)
        parts = [_sentence(spec.help)]
        if spec.terms:
            parts.append(self._choices(spec))
        else:
            unit = f", in {spec.unit}" if spec.unit else ""
            parts.append(_sentence(FIELD_TYPES[spec.type].label + unit))
            if spec.example:
                parts.append(f"Such as: {spec.example}")
        limits = limits_words(spec)
        parts.insert(2, f"{limits.capitalize()}." if limits else "")
        if spec.required_when:
            wanted = (
                f"{c.field}{' ' + c.fact if c.fact else ''} is {' or '.join(c.values)}"
                for c in spec.required_when
            )
            parts.append(_sentence(f"required when {' and '.join(wanted)}"))
        return " ".join(part for part in parts if part)

    def _choices(self, spec: FieldSpec) -> str:
        several = "Some" if FIELD_TYPES[spec.type].many else "One"
        names = list(spec.terms)
        if len(names) > LONG_LIST and self.listed.issuperset(names):
            return f"{several} of the terms listed above."
        if len(names) > LONG_LIST or names[0] not in self.listed:
            self.listed.update(names)
        return f"{several} of: {', '.join(names)}."


def _sentence(text: str) -> str:
    text = text.strip().rstrip(".")
    if not text:
        return ""
    # The id of a term keeps its small letter.
    return f"{text}." if "_" in text.split()[0] else f"{text[0].upper()}{text[1:]}."
