"""Terms of a field's list, found while somebody types."""

from __future__ import annotations

from starlette.responses import JSONResponse, Response

from metakit.core.nouns import nouns
from metakit.desk.page import Asked, Page, shown


def _terms(asked: Asked) -> Response:
    """Return the ten terms of a field that fit what is typed best: by id, label or synonym."""
    spec = asked.desk.library.form(asked.query.get("form", "study")).find(asked.query.get("path", ""))
    wanted = " ".join(asked.query.get("q", "").replace("_", " ").casefold().split())
    ranked = []
    for number, term in enumerate(spec.terms.values() if spec is not None else ()):
        words = [text.replace("_", " ").casefold() for text in (term.id, term.label, *term.synonyms)]
        starts = any(text.startswith(wanted) for text in words)
        holds = any(wanted in text for text in words)
        if holds or all(any(part in text for text in words) for part in wanted.split()):
            ranked.append((not starts, not holds, number, term))
    found = [
        {
            "id": term.id,
            "label": nouns().said(term.label or term.id.replace("_", " ")),
            "definition": nouns().said(term.definition),
        }
        for *_, term in sorted(ranked, key=lambda row: row[:3])[:10]
    ]
    return JSONResponse({"terms": found})


PAGE = Page(name="terms", routes=(shown("/terms", _terms),), scripts=("terms.js",))
