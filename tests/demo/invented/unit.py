"""An invented hand unit that asks the invented review what it can expect."""

from __future__ import annotations

from typing import Any

from invented.writer import OneLine

AUDIT = "audit of the invented unit, 2019 to 2025 (invented)"


def unit() -> dict[str, Any]:
    """Return the tree of unit.yaml."""
    return {
        "form": "unit",
        "form_version": 1,
        "unit": {
            "name": "Invented hand unit of Halvarn",
            "date": "2026-02-10",
            "invented": True,
            "note": "every number of this unit is invented",
        },
        "volume": OneLine(thumbs_a_year=120, lowest=95, highest=140),
        "time": OneLine(years_followed=5, lowest=2, highest=8, years_operating=10),
        "techniques": [
            OneLine(
                id="trapeziectomy_alone",
                technique="trapeziectomy",
                label="trapeziectomy alone",
                theatre_minutes=50,
                cost=2100,
            ),
            OneLine(id="lrti", technique="lrti", label="LRTI", theatre_minutes=80, cost=2900),
            OneLine(
                id="prosthesis",
                technique="prosthesis_dual_mobility",
                label="dual-mobility prosthesis",
                theatre_minutes=70,
                cost=5200,
            ),
        ],
        "current_technique": "trapeziectomy_alone",
        "currency": "invented crowns",
        "outcomes": [
            {
                "outcome": "revision_index",
                "weight": 10,
                "weight_lowest": 5,
                "weight_highest": 20,
                "baseline": OneLine(events=8, thumb_years=640, kind="unit_audit", source=AUDIT),
                "theatre_minutes": 95,
                "cost": 4800,
                "effects": [
                    OneLine(technique="lrti", analysis="revision_lrti"),
                    OneLine(technique="prosthesis", analysis="revision_prosthesis"),
                ],
            },
            {
                "outcome": "any_complication",
                "weight": 2,
                "baseline": OneLine(events=21, thumbs=96, months=12, kind="unit_audit", source=AUDIT),
                "effects": [
                    OneLine(technique="lrti", analysis="complications_lrti"),
                    OneLine(technique="prosthesis", analysis="complications_prosthesis"),
                ],
            },
            {
                "outcome": "dash",
                "weight": 0.05,
                "effects": [
                    OneLine(technique="lrti", analysis="dash_lrti"),
                    OneLine(technique="prosthesis", analysis="dash_prosthesis"),
                ],
            },
        ],
        "case_mix": [
            {
                "id": "mp_over_30",
                "label": "MP hyperextension over 30 degrees",
                "kind": "mp_hyperextension",
                "share": 18,
                "share_instead": 30,
                "effects": [
                    OneLine(
                        outcome="revision_index",
                        rate_ratio=2,
                        lowest=1,
                        highest=4,
                        source="assumption of the unit's surgeons (invented)",
                    )
                ],
            },
            {
                "id": "up_to_55",
                "label": "Age up to 55 years",
                "kind": "age",
                "share": 22,
                "effects": [
                    OneLine(
                        outcome="revision_index",
                        rate_ratio=1.8,
                        lowest=1.2,
                        highest=2.7,
                        source="assumption of the unit's surgeons (invented)",
                    )
                ],
            },
        ],
        "seed": 20260210,
    }
