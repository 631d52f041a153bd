"""Cases of the rule about places in papers, for the table in `test_registry.py`."""

from __future__ import annotations

REPORT = "0123456789abcdef" * 4
ADDRESS = "outcomes[A/any_complication/12/months].events"
PLACES = f"""
places:
  - {{field: "{ADDRESS}", page: 4, box: "127 361 175 368", quote: "4/30 (13.3 %)", report: {REPORT}}}
  - {{field: "arms[A].women", page: 2, box: "10 20 30 40", report: {REPORT}}}
"""
PLACE_CASES = [
    ("places_fit", '"127 361 175 368"', '"127 361 100 368"', "error", "no box on a page", "places[1].box"),
    ("places_fit", '"127 361 175 368"', '"127 361 175"', "error", "no box on a page", "places[1].box"),
    ("places_fit", REPORT, "abc", "error", "no SHA-256", "places[1].report"),
    ("places_fit", "12/months].events", "24/months].events", "question", "does not stand in the record", "places[1].field"),
    ("places_fit", "4/30 (13.3 %)", "5/30 (17 %)", "question", "from page 4 do not hold 4", "outcomes[1].events"),
    ("places_fit", "4/30 (13.3 %)", "four of 30", "question", "from page 4 do not hold 4", "outcomes[1].events"),
    ("places_fit", "4/30 (13.3 %)", "four", "", "", ""),
    ("places_fit", ', quote: "4/30 (13.3 %)"', "", "", "", ""),
    ("places_fit", "women: 25", "women: many", "", "", ""),
]  # fmt: skip
