"""Topics about pooling: inverse-variance models, Mantel-Haenszel and Peto."""

from __future__ import annotations

import sys
from collections.abc import Iterator

from mpmath import mpf

from . import cases, pooling, stratified

Records = list[dict[str, object]]


def _pooled(source: Iterator[cases.Case]) -> Records:
    records: Records = []
    for case in source:
        print("  ", case.name, file=sys.stderr, flush=True)
        inputs: dict[str, object] = (
            {"doubles": True, "effect": case.texts[0], "variance": case.texts[1]}
            if case.texts
            else {"doubles": False, "effect": case.effect, "variance": case.variance}
        )
        origin = {"table": case.table, "measure": case.measure} if case.table else {}
        answers = pooling.certify(case.effect, case.variance, mpf(case.level))
        records.append({"name": case.name, "source": case.source, **origin, **inputs, **answers})
    return records


def pooling_published() -> tuple[str, Records]:
    """Pool every published table."""
    return "pooling of the published tables, effects in full precision", _pooled(cases.published())


def pooling_draws() -> tuple[str, Records]:
    """Pool the seeded draws."""
    return f"pooling of {cases.DRAWS} seeded draws from wide ranges", _pooled(cases.draws())


def pooling_hard() -> tuple[str, Records]:
    """Pool the hard cases."""
    return "pooling of cases that break floating-point code", _pooled(cases.hard())


def stratified_tables() -> tuple[str, Records]:
    """Certify Mantel-Haenszel and Peto on the published tables and on sparse invented ones."""
    tables: list[tuple[str, list[tuple[object, ...]]]] = [
        (name, cases.columns(cases.table(name), *cases.TWO_COUNTS))
        for name in (
            "aspirin_fleiss",
            "bcg",
            "betablockers",
            "borenstein_or",
            "china_smoking",
            "lanza_smallk",
            "magnesium",
            "nicotine_gum",
            "rabbits_zero_cells",
            "streptokinase_cumulative",
        )
    ]
    tables += [
        ("invented: one study", [(3, 20, 5, 22)]),
        ("invented: no event in arm 1", [(0, 20, 4, 25), (0, 31, 2, 30), (0, 12, 1, 14)]),
        ("invented: no event at all", [(0, 20, 0, 25), (0, 31, 0, 30)]),
        ("invented: only events", [(20, 20, 25, 25), (31, 31, 30, 30)]),
        (
            "invented: sparse, double-zero inside",
            [(0, 20, 1, 25), (2, 31, 0, 30), (0, 12, 0, 14), (1, 40, 3, 39)],
        ),
    ]
    records: Records = []
    for name, rows in tables:
        record: dict[str, object] = {"name": name, "rows": rows}
        for label, rule in (
            ("odds_ratio", stratified.odds_ratio),
            ("risk_ratio", stratified.risk_ratio),
            ("risk_difference", stratified.risk_difference),
        ):
            answer = rule(rows)
            record[label] = None if answer is None else {"estimate": answer[0], "standard_error": answer[1]}
        peto = stratified.peto(rows)
        record["peto"] = (
            None if peto is None else {"estimate": peto[0], "standard_error": peto[1], "q": peto[2]}
        )
        if peto is not None:
            record["test"] = {
                "plain": stratified.mantel_haenszel_test(rows, continuity=False),
                "with_continuity_correction": stratified.mantel_haenszel_test(rows, continuity=True),
            }
        records.append(record)
    for name, rows in (
        ("doctors_irr", cases.columns(cases.table("doctors_irr"), *cases.TWO_RATES)),
        ("invented: rates with zeros", [(0, "120.5", 2, "98"), (1, "40", 0, "55.25"), (0, "10", 0, "12")]),
    ):
        answer = stratified.rate_ratio(rows)
        record = {
            "name": name,
            "rows": rows,
            "rate_ratio": None if answer is None else {"estimate": answer[0], "standard_error": answer[1]},
        }
        records.append(record)
    return "Mantel-Haenszel and Peto, no correction of zero cells", records
