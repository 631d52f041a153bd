"""What `metakit explore` and `metakit causes` found as tables to save: a row an item, a column a number.

Every number is the text that the terminal shows, in a cell of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from metakit.core.causes import CauseAnswer, Causes, CausesResult, Estimate
from metakit.core.effects import EffectTable
from metakit.core.written import per_100
from metakit.models.differing.exploring import Natural, heading_of, lines_of, say_natural
from metakit.report.answer_files import AnswerTable
from metakit.synthesis.returning.causes_words import CAUTION, model_beside, rate_words, result_lines

LIMITS = ("Lower limit", "Upper limit")
Rows = tuple[tuple[str, ...], ...]
Maker = Callable[[Any, Natural], tuple[tuple[str, ...], Rows]]


def exploring_tables(answer: Mapping[str, Any], effects: EffectTable) -> tuple[AnswerTable, ...]:
    """Return a table for each question that was explored; what is no row of it stands below as a note."""
    natural, unit = say_natural(effects)
    tests = {key: found for key, found in answer.items() if _is_test(key, found)}
    tables = []
    for key, found in answer.items():
        if key in ("measure", "set_aside", "notes") or (key in tests and key != next(iter(tests))):
            continue
        if key in tests:
            tables.append(_tests(tests))
            continue
        headings, rows = TABLES[key](found, natural)
        own = found.get("notes", ()) if isinstance(found, Mapping) else ()
        title = f"{heading_of(key)} ({unit})" if unit else heading_of(key)
        tables.append(
            AnswerTable(title=title, headings=headings, rows=rows, notes=(*_told(key, found, effects), *own))
        )
    aside = tuple((item["study"], item["reason"]) for item in answer.get("set_aside", ()))
    if aside:
        tables.append(AnswerTable(title="Set aside", headings=("Study", "Set aside, because"), rows=aside))
    return tuple(tables)


def _is_test(key: str, found: Any) -> bool:
    return key not in TABLES and isinstance(found, Mapping) and "p_value" in found


def _tests(tests: Mapping[str, Mapping[str, Any]]) -> AnswerTable:
    rows = tuple(
        (
            heading_of(key), f"{found['estimate']:.3g}",
            "" if found["standard_error"] is None else f"{found['standard_error']:.3g}",
            f"{found['p_value']:.3g}", str(found["k"]),
        )
        for key, found in tests.items()
    )  # fmt: skip
    return AnswerTable(
        title="Tests of small-study effects",
        headings=("Test", "Estimate", "Standard error", "p", "Studies"),
        rows=rows,
        notes=tuple(dict.fromkeys(note for found in tests.values() for note in found.get("notes", ()))),
    )


def _regression(found: Mapping[str, Any], natural: Natural) -> tuple[tuple[str, ...], Rows]:
    def row(item: Mapping[str, Any], way: str) -> tuple[str, ...]:
        low, high = item["interval"]
        by_permutation, p = item.get("permutation_p"), item.get("p_value")
        return (
            item["term"], way, f"{item['estimate']:.4g}", f"{low:.4g}", f"{high:.4g}",
            "" if p is None else f"{p:.3g}", "" if by_permutation is None else f"{by_permutation:.3g}",
        )  # fmt: skip

    rows = [row(item, "as asked") for item in found["coefficients"]]
    rows += [row(item, f"beside it: {way}") for way, items in found["beside"].items() for item in items[1:]]
    return ("Term", "Way", "Coefficient", *LIMITS, "p", "p by permutation"), tuple(rows)


def _estimate(item: Mapping[str, Any], natural: Natural) -> tuple[str, str, str]:
    low, high = item["interval"]
    return natural(item["estimate"]), natural(low), natural(high)


def _subgroups(found: Mapping[str, Any], natural: Natural) -> tuple[tuple[str, ...], Rows]:
    rows = ((str(item["level"]), *_estimate(item, natural), str(item["k"])) for item in found["levels"])
    return ("Group", "Estimate", *LIMITS, "Studies"), tuple(rows)


def _answers(found: Sequence[Mapping[str, Any]], natural: Natural) -> tuple[tuple[str, ...], Rows]:
    rows = (
        (item["study"], *_estimate(item, natural), str(item["k"]), "")
        if item["interval"]
        else (item["study"], "", "", "", "", str(item["reason_not_estimable"]))
        for item in found
    )
    return ("Study", "Estimate", *LIMITS, "Studies", "No answer, because"), tuple(rows)


def _influence(found: Sequence[Mapping[str, Any]], natural: Natural) -> tuple[tuple[str, ...], Rows]:
    rows = (
        (
            item["study"], f"{item['studentised']:.2f}", f"{100 * item['hat']:.1f}", f"{item['cook']:.2f}",
            ", ".join(item["flagged"]),
        )
        for item in found
    )  # fmt: skip
    return ("Study", "Studentised residual", "Weight (%)", "Shift of the mean", "Marked for"), tuple(rows)


def _fragility(found: Mapping[str, Any], natural: Natural) -> tuple[tuple[str, ...], Rows]:
    rows = (
        (
            flip["study"], str(flip["arm"]), "one event more" if flip["change"] > 0 else "one event less",
            *_estimate(flip, natural),
        )
        for flip in found["one_event"]["flips"]
    )  # fmt: skip
    return ("Study", "Arm", "Change", "Estimate", *LIMITS), tuple(rows)


def _filled(found: Mapping[str, Any], natural: Natural) -> tuple[tuple[str, ...], Rows]:
    rows = ((str(found["side"]), str(found["number_missing"]), *_estimate(found, natural)),)
    return ("Side", "Filled in", "Estimate", *LIMITS), rows


def _adjusted(found: Mapping[str, Any], natural: Natural) -> tuple[tuple[str, ...], Rows]:
    low, high = (
        sign if limit is None else natural(limit)
        for sign, limit in zip(("−∞", "∞"), found["interval"], strict=True)
    )
    return ("Adjusted estimate", *LIMITS, "Studies"), (
        (natural(found["estimate"]), low, high, str(found["k"])),
    )


def _cloud(found: Mapping[str, Any], natural: Natural) -> tuple[tuple[str, ...], Rows]:
    def row(name: str, cloud: Mapping[str, float]) -> tuple[str, ...]:
        return (name, *(natural(cloud[part]) for part in ("0.5", "0.025", "0.975")))

    rows = [row("all subsets", found["estimate"])]
    for mark in found["chosen"]:
        rows.append(row(f"with {mark['study']}", mark["with_it"]))
        rows.append(row(f"without {mark['study']}", mark["without_it"]))
    return ("Subsets", "Median", "2.5 %", "97.5 %"), tuple(rows)


TABLES: Mapping[str, Maker] = {
    "meta_regression": _regression,
    "subgroups": _subgroups,
    "leave_one_out": _answers,
    "cumulative": _answers,
    "influence": _influence,
    "fragility": _fragility,
    "trim_and_fill": _filled,
    "pet_peese": _adjusted,
    "selection_model": _adjusted,
    "limit_meta_analysis": _adjusted,
    "all_subsets": _cloud,
}
TOLD: Mapping[str, slice] = {
    "meta_regression": slice(-1, None),
    "subgroups": slice(-1, None),
    "selection_model": slice(1, None),
    "all_subsets": slice(1),
}
"""Lines of the terminal that say more than the rows of the table: they stand below it."""


def _told(key: str, found: Any, effects: EffectTable) -> tuple[str, ...]:
    lines = lines_of(key, found, effects)
    if key == "fragility":  # its changes of one event are rows
        return tuple(line.strip() for line in lines if not line.startswith("    "))
    return tuple(line.strip() for line in lines[TOLD[key]]) if key in TOLD else ()


def causes_tables(found: Causes) -> tuple[AnswerTable, ...]:
    """Return shares, bounds and rates of each cause for all techniques together, then for each technique."""
    several = bool(found.by_technique)
    overall = "All techniques together" if several else "Why thumbs come back"
    groups = [(overall, found.overall), *((result.technique, result) for result in found.by_technique)]
    last = "Differences between techniques rest on different studies: they are not effects."
    tables = [table for title, result in groups for table in _causes(title, result)]
    closing = AnswerTable(
        title="Cautions", headings=("Cautions",), rows=(*(((last,),) if several else ()), (CAUTION,))
    )
    return (*tables, closing)


Column = tuple[str, Callable[[CauseAnswer], str]]


def _causes(title: str, result: CausesResult) -> tuple[AnswerTable, ...]:
    size = 1 + len(result.causes)
    lines = result_lines(result)
    aside = [f"Set aside: {item.study}: {item.reason}" for item in result.set_aside]
    counted: list[Column] = [
        ("Thumbs", lambda item: str(item.thumbs)),
        ("Studies", lambda item: str(item.studies)),
        *_columns(result, "Of 100 that come back", "share", _share),
        *_columns(result, f"Beside, {model_beside(result)}", "share_beside", _share),
        *_columns(result, "With overlapping causes", "share_with_overlapping", _share),
    ]
    if any(item.share.prediction is not None for item in result.causes):
        counted += [(f"New centre: {head.lower()}", _ahead(place)) for place, head in enumerate(LIMITS)]
    bounds = [
        *_columns(result, "If none without a stated cause came for it", "share_if_none", _share),
        *_columns(result, "If all without a stated cause came for it", "share_if_all", _share),
    ]
    rates = [
        *_columns(result, "Of 100 operated thumbs", "per_thumb", _rate),
        *_columns(result, "Per 100 thumb-years", "per_thumb_year", _rate),
    ]
    notes = (*lines[size:], *aside, *map(str, result.assumptions), *result.notes)
    tables = [
        replace(_table(title, counted, result), sentence=" ".join(lines[:size]), notes=notes),
        _table(f"{title}: of 100 thumbs that come back, with those without a stated cause", bounds, result),
        _table(f"{title}: how often", rates, result),
    ]
    return tuple(table for table in tables if len(table.headings) > 1)


def _table(title: str, columns: Sequence[Column], result: CausesResult) -> AnswerTable:
    return AnswerTable(
        title=title,
        headings=("Cause", *(name for name, _ in columns)),
        rows=tuple((item.label, *(write(item) for _, write in columns)) for item in result.causes),
    )


def _columns(
    result: CausesResult, name: str, of: str, words: Callable[[Estimate], tuple[str, str, str]]
) -> list[Column]:
    """Return a value with its limits in three columns, none where no cause has it."""
    if all(getattr(item, of) is None for item in result.causes):
        return []

    def writer(place: int) -> Callable[[CauseAnswer], str]:
        def write(item: CauseAnswer) -> str:
            estimate = getattr(item, of)
            return "" if estimate is None else words(estimate)[place]

        return write

    heads = (name, *(f"{name}: {limit.lower()}" for limit in LIMITS))
    return [(head, writer(place)) for place, head in enumerate(heads)]


def _ahead(place: int) -> Callable[[CauseAnswer], str]:
    def write(item: CauseAnswer) -> str:
        ahead = item.share.prediction
        return "" if ahead is None else per_100(100 * ahead[place])

    return write


def _share(estimate: Estimate) -> tuple[str, str, str]:
    low, high = estimate.interval
    return per_100(100 * estimate.median), per_100(100 * low), per_100(100 * high)


def _rate(estimate: Estimate) -> tuple[str, str, str]:
    value, _, rest = rate_words(estimate).partition(" (")
    low, _, high = rest.removesuffix(")").partition(" to ")
    return value, low, high
