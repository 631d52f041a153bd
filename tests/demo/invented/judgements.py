"""Invented judgements of certainty: some signed, one on an answer that has changed since, one a draft.

The answers and proposals are what the software showed on the invented day of the judgement; most analyses have
no judgement at all, so that the report shows proposals that nobody signed.
"""

from __future__ import annotations

from typing import Any

from invented.writer import OneLine

DOMAINS = (
    "risk_of_bias",
    "inconsistency",
    "indirectness",
    "imprecision",
    "publication_bias",
    "large_effect",
    "dose_response",
    "opposing_confounding",
)
ADA, BRAM = "Ada Quillfeather (invented)", "Bram Overlook (invented)"


def _entry(
    analysis: str,
    answer: str,
    proposed: dict[str, int],
    judged: dict[str, tuple[int, str]],
    *,
    start_because: str = "",
    signed: tuple[str, str] | None = None,
    note: str = "",
) -> dict[str, Any]:
    lines = []
    for domain in DOMAINS:
        line = OneLine(domain=domain, proposed=proposed.get(domain, 0))
        if domain in judged:
            line |= {"judged": judged[domain][0], "because": judged[domain][1]}
        lines.append(line)
    entry: dict[str, Any] = {"analysis": analysis, "answer": answer, "start": "high"}
    if start_because:
        entry["start_because"] = start_because
    entry["domains"] = lines
    if signed:
        entry |= {"signed_by": signed[0], "signed_on": signed[1]}
    return entry | ({"note": note} if note else {})


def certainty() -> dict[str, Any]:
    """Return the tree of certainty.yaml."""
    return {
        "form": "certainty",
        "form_version": 1,
        "judgements": [
            _entry(
                "complications_lrti",
                "risk ratio 1.38 (0.88 to 2.18), 5 studies",
                {"risk_of_bias": -2, "inconsistency": -1, "imprecision": -3},
                {
                    "imprecision": (-2, "only very large effects at the far end would change what we do"),
                    "inconsistency": (
                        0,
                        "the five studies point the same way; their small spread is counted as imprecision",
                    ),
                    "indirectness": (0, "patients and surgeons are those of our unit"),
                },
                signed=(ADA, "2026-03-02"),
                note="Judged in a meeting of two; both agreed.",
            ),
            _entry(
                "dash_lrti",
                "mean difference −0.2 (−7.5 to 7.1), 3 studies",
                {"risk_of_bias": -2},
                {
                    "risk_of_bias": (
                        -1,
                        "concern is about losses at five years; this answer is about one year",
                    )
                },
                signed=(BRAM, "2026-03-02"),
            ),
            _entry(
                "complications_button",
                "risk ratio 0.55 (0.31 to 0.98), 1 study",
                {"risk_of_bias": -2, "imprecision": -1},
                {},
                signed=(ADA, "2026-02-10"),
                note="Signed before the second cohort was extracted.",
            ),
            _entry(
                "complications_ball",
                "risk ratio 0.95 (0.42 to 2.13), 1 study",
                {"imprecision": -2},
                {
                    "imprecision": (
                        -3,
                        "one trial; its interval holds a third fewer and twice as many complications",
                    )
                },
                signed=(BRAM, "2026-03-03"),
            ),
            _entry(
                "pain_prosthesis",
                "mean difference −0.18 (−0.87 to 0.52), 3 studies",
                {"risk_of_bias": -2},
                {
                    "publication_bias": (
                        -1,
                        "two of three studies have ties to a maker, and a registered trial never appeared",
                    )
                },
                note="A draft; to be discussed.",
            ),
        ],
    }
