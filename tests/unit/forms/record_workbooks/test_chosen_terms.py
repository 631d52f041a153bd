"""Abbreviations typed into workbooks become the terms that they stand for."""

from __future__ import annotations

from metakit.forms.library import shipped
from metakit.forms.record_text import record_text
from metakit.forms.record_workbooks.chosen_terms import in_terms
from metakit.forms.yaml_nodes import read_bytes

TYPED = """form: protocol
note: RR and MD stay in words
comparisons:
  - {id: MD, label: LRTI, technique: [HDA, lrti], comparator: [no such thing]}
analyses:
  - {id: a, outcome: any_complication, measure: RR}
  - {id: b, outcome: pain_activity, measure: mean_difference}
  - {id: c, outcome: any_complication, measure: HR, level: 0.95}
"""


def test_only_choices_are_changed_and_only_known_words() -> None:
    root = read_bytes(TYPED.encode(), "protocol.yaml").root
    assert root is not None
    text = record_text(in_terms(root, shipped().form("protocol")))
    for words in ("measure: risk_ratio", "measure: mean_difference", "measure: hazard_ratio"):
        assert words in text
    assert "[haematoma_distraction, lrti]" in text
    assert "RR and MD stay in words" in text
    assert "id: MD" in text and "no such thing" in text and "level: 0.95" in text
