"""A unit's answer as JSON: every number of the page, fractions rather than percent, unknown = null."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from metakit.decision.one_unit.expected import CountRange, Range
from metakit.decision.one_unit.unit_answer import Burden, Expectation, YearCount
from metakit.decision.one_unit.unit_audit import AuditPlan, YearsToTell
from metakit.decision.one_unit.unit_cells import Cell
from metakit.decision.one_unit.unit_decision import UnitDecision
from metakit.decision.one_unit.unit_drivers import Drivers
from metakit.decision.one_unit.unit_evidence import CellEvidence
from metakit.decision.one_unit.unit_learning import FirstYear
from metakit.decision.one_unit.unit_scenarios import STATED, ScenarioRow
from metakit.decision.one_unit.unit_words import cautions, is_thin, summary_lines
from metakit.decision.one_unit.unit_work import Amounts, Workload
from metakit.forms.library import asks
from metakit.synthesis.answers import finite

MP_OPTION = "arms.mp_option"
"""Field of study records that tells of the MP joint."""


def decision_json(found: UnitDecision) -> dict[str, Any]:
    """Return everything that a unit's page shows as JSON, without NaN or infinities."""
    unit = found.unit
    answer = {
        "unit": {
            "name": unit.name,
            "date": unit.date or None,
            "invented": unit.invented,
            "thumbs_a_year": unit.volume.value,
            "years_followed": unit.years.value,
            "years_operating": unit.years_operating,
            "current_technique": unit.current,
            "techniques": [{"id": item.id, "label": item.label} for item in unit.techniques],
            "baselines": [
                {
                    "outcome": item.term.id,
                    "events": item.baseline.events,
                    "total": item.baseline.total,
                    "per": item.baseline.unit,
                    "value": item.baseline.value,
                    "interval": [item.baseline.lower, item.baseline.upper],
                    "source": item.baseline.source,
                    "years": [asdict(row) for row in item.years],
                }
                for item in unit.outcomes
                if item.baseline is not None
            ],
            "sha256": unit.sha256,
        },
        "review": {
            "id": found.protocol.id,
            "title": found.protocol.title,
            "invented": found.protocol.invented,
        },
        "cautions": list(cautions(found)),
        "question": found.first.question,
        "answer": found.first.answer,
        "ranges": found.first.ranges or None,
        "techniques": [
            {"technique": line.technique.id, "compared": line.compared, "text": line.text}
            for line in found.first.lines
        ],
        "summary": list(summary_lines(found)),
        "expected": [_expectation(item) for item in found.expectations],
        "without_answer": [
            {"outcome": cell.outcome.term.id, "technique": cell.technique.id, "reason": cell.reason}
            for cell in found.cells
            if not cell.answered
        ],
        "weighted": [_burden(item) for item in found.burdens],
        "workload": [_workload(item) for item in found.workloads],
        "first_years_with_stated_learning": [_first_year(item) for item in found.first_years],
        "own_audit_could_tell": [_to_tell(item) for item in found.to_tell],
        "audit_plans": [_audit(item) for item in found.audits],
        "drivers": [_drivers(item) for item in found.drivers],
        "scenarios": {"stated": STATED, "rows": [_scenario(row) for row in found.scenarios]},
        "evidence": [_evidence(item) for item in found.evidence],
        "returns_by_cause": asdict(found.returns) if found.returns else None,
        "returns_by_source": [
            {
                "technique": item.technique.id,
                "studies": item.studies,
                "rows": [asdict(row) for row in item.rows],
            }
            for item in found.by_source
        ],
        **({"mp_options_by_band": [asdict(item) for item in found.by_band]} if asks(MP_OPTION) else {}),
        "simulation": {
            "draws": found.draws,
            "seed": unit.seed,
            "largest_move_of_a_limit_between_halves": found.moved,
        },
        "questions": [str(problem) for problem in unit.questions],
        "versions": dict(found.findings.versions),
        "inputs": dict(found.findings.inputs),
    }
    return {key: finite(item) for key, item in answer.items()}


def _range(found: Range | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {"mean": found.mean, "median": found.median, "range": [found.lower, found.upper]}


def _counts(found: CountRange | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "mean": found.mean,
        "median": found.median,
        "range": [found.lower, found.upper],
        "level": found.level,
        "share_with_none": found.none,
        "share_of_draws_below_mean": found.below,
    }


def _years(items: tuple[YearCount, ...]) -> list[dict[str, Any]]:
    return [{"year": item.year, "events": _counts(item.counts)} for item in items]


def _expectation(item: Expectation) -> dict[str, Any]:
    cell = item.cell
    return {
        "outcome": cell.outcome.term.id,
        "technique": cell.technique.id,
        "current": cell.is_current,
        "analysis": cell.link.plan.id if cell.link else None,
        "kind": "score_difference"
        if cell.outcome.scored
        else "rate_per_thumb_year"
        if cell.per_year
        else "risk",
        "at_the_estimates": cell.value,
        "compares": cell.compares,
        "new_centre": cell.centre.note if cell.centre else None,
        "new_centre_from_prediction_interval": cell.centre.predicted if cell.centre else None,
        "per_thumb": _range(item.per_thumb),
        "events_of_one_years_thumbs": _counts(item.cohort),
        "by_years_since_operation": _years(item.by_year),
        "by_calendar_year": _years(item.calendar),
        "difference_to_current": _range(item.change),
        "share_of_draws_better_than_current": item.better_share,
        "too_few_studies_or_events": is_thin(cell),
        "notes": list(cell.notes),
    }


def _kind(cell: Cell) -> str:
    if cell.outcome.scored:
        return "score_difference"
    return "rate_per_thumb_year" if cell.per_year else "risk"


def _burden(item: Burden) -> dict[str, Any]:
    return {
        "technique": item.technique.id,
        "per_100_thumbs": _range(item.total),
        "parts": dict(item.parts),
        "difference_to_current": _range(item.change),
        "share_of_draws_lower_than_current": item.better_share,
        "reason_without_sum": item.reason or None,
    }


def _workload(item: Workload) -> dict[str, Any]:
    return {
        "technique": item.technique.id,
        "theatre_hours": _amounts(item.hours),
        "cost": _amounts(item.cost),
    }


def _amounts(found: Amounts) -> dict[str, Any]:
    return {
        "operations": found.first,
        "implants": found.implants,
        "events": _range(found.events),
        "total": _range(found.total),
        "difference_to_current": _range(found.change),
        "difference_of_operations_alone": found.change_first,
        "why_no_difference": found.why_not or None,
    }


def _first_year(item: FirstYear) -> dict[str, Any]:
    return {
        "technique": item.technique.id,
        "thumbs": item.thumbs,
        "theatre_hours_added": item.hours,
        "events": [
            {"outcome": label, "events": _counts(counts), "added": added}
            for label, counts, added in item.events
        ],
        "typed_source": item.source,
    }


def _to_tell(item: YearsToTell) -> dict[str, Any]:
    if item.why_not:
        return {"outcome": item.outcome.term.id, "why_not": item.why_not}
    return {
        "outcome": item.outcome.term.id,
        "risk_now": item.now,
        "other_risk": item.other,
        "thumbs_in_both_groups": item.thumbs,
        "years": item.years,
        "years_of_following_after": item.follow_up,
        "difference_typed_by_the_unit": item.typed,
    }


def _audit(item: AuditPlan) -> dict[str, Any]:
    if item.why_not:
        return {"outcome": item.outcome.term.id, "why_not": item.why_not}
    return {
        "outcome": item.outcome.term.id,
        "expected_rate" if item.per_year else "expected_risk": item.rate,
        "critical_value": item.critical,
        "chance_of_leaving_if_double": item.alarm_if_double,
        "chance_of_leaving_if_half": item.alarm_if_half,
        "chance_of_leaving_at_limits_of_own_interval": list(item.alarm_if_own),
        "limits": [
            {"year": year, "expected": row.expected, "too_many_from": row.above, "too_few_to": row.below}
            for year, row in enumerate(item.rows, start=1)
        ],
        "running_totals": {
            name: [
                {
                    "year": row.year, "observed": row.observed, "expected": row.expected,
                    "too_many_from": row.limits.above, "too_few_to": row.limits.below, "side": row.side,
                }
                for row in rows
            ]
            for name, rows in (item.totals or {}).items()
        },
    }  # fmt: skip


def _drivers(item: Drivers) -> dict[str, Any]:
    return {
        "technique": item.technique.id,
        "quantity": item.quantity,
        "difference_at_estimates": item.difference,
        "bars": [
            {
                "input": bar.name,
                "limits": [bar.low, bar.high],
                "basis": bar.basis,
                "difference_at_limits": [bar.at_low, bar.at_high],
                "other_technique_ahead_at_one_end": bar.turns,
            }
            for bar in item.bars
        ],
        "ties": [
            {
                "input": tie.name,
                "now": tie.now,
                "tie": tie.value,
                "technique_ahead": tie.favours or None,
                "within_limits_of_input": tie.inside,
            }
            for tie in item.ties
        ],
        "weighted_outcomes_without_answer": list(item.missing),
    }


def _scenario(row: ScenarioRow) -> dict[str, Any]:
    ratio = row.effect.rate_ratio
    return {
        "scenario": row.scenario.id,
        "label": row.scenario.label,
        "kind": row.scenario.kind,
        "share": row.scenario.share,
        "share_instead": row.scenario.share_instead,
        "outcome": row.cell.outcome.term.id,
        "technique": row.cell.technique.id,
        "typed_rate_ratio": {"value": ratio.value, "limits": [ratio.lowest, ratio.highest]},
        "typed_source": row.effect.source,
        "risk_in_part": _range(row.part),
        "risk_in_rest": _range(row.rest),
        "events_in_part": _counts(row.events),
        "events_of_all_thumbs_now": row.all_now,
        "events_of_all_thumbs_with_other_share": _range(row.all_instead),
    }


def _evidence(item: CellEvidence) -> dict[str, Any]:
    missing = item.missing
    return {
        "outcome": item.cell.outcome.term.id,
        "technique": item.cell.technique.id,
        "analysis": item.cell.link.plan.id if item.cell.link else None,
        "studies": item.studies,
        "designs": item.designs,
        "certainty": item.certainty,
        "signed": item.signed,
        "flags": list(item.flags),
        "information": {
            "needed": missing.needed,
            "present": missing.present,
            "more": missing.more,
            "unit": missing.unit or None,
            "inputs": missing.inputs or None,
            "why_not": missing.why_not or None,
        },
    }
