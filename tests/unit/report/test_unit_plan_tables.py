"""Hours and money of a unit's page as texts."""

from __future__ import annotations

from pathlib import Path

import pytest
from scipy import stats

from metakit.report.unit_plan_tables import audit_tables, has_money, work_lines, work_title
from tests.unit.decision.units import HEAD, REVISIONS, decided

NOW, LRTI = "theatre_minutes: 50, cost: 1000", "theatre_minutes: 80, cost: 1500"


@pytest.mark.parametrize(
    ("typed", "money"),
    [
        (HEAD, ("180000", "–", "180000", "+60000")),
        (HEAD.replace("cost: 1500", "implant_price: 200"), ("–", "24000", "–", "cost not typed")),
        (HEAD.replace(NOW, "theatre_minutes: 50"), ("180000", "–", "180000", "cost as now not typed")),
        (HEAD.replace(LRTI, "theatre_minutes: 80"), ("–", "–", "–", "")),
    ],
)
def test_what_was_typed_in_part_is_shown_and_what_is_missing_said(
    typed: str, money: tuple[str, ...], tmp_path: Path
) -> None:
    now, lrti = work_lines(decided(tmp_path, REVISIONS, head=typed))
    plain = [cell.replace("\N{NARROW NO-BREAK SPACE}", "").replace("\N{NO-BREAK SPACE}", "") for cell in lrti]
    assert tuple(cell.replace(" ", "") if cell[:1] in "+1" else cell for cell in
                 (plain[5], plain[6], plain[8], plain[9])) == money  # fmt: skip
    assert now[4] == now[9] == ""
    assert plain[4].startswith("+60")


def test_an_audit_says_for_which_true_rate_its_limits_hold(tmp_path: Path) -> None:
    """8 in 640 thumb-years: planned with 8.5 / 640 after Jeffreys' prior; ends from scipy.stats.gamma."""
    ((_, said, _, _),) = audit_tables(decided(tmp_path, REVISIONS))
    low, high = (f"{100 * stats.gamma(8.5, scale=1 / 640).ppf(end):.3g}" for end in (0.025, 0.975))
    assert f"hold for a true rate now of {100 * 8.5 / 640:.3g} per 100 thumb-years; " in said
    assert f"were it {low} or {high}, as your count allows, " in said


def test_hours_without_money_are_called_hours_and_whole_ones_written_whole(tmp_path: Path) -> None:
    plain = HEAD.replace(", cost: 1000", "").replace(", cost: 1500", "")
    lines = work_lines(decided(tmp_path, REVISIONS, head=plain))
    assert not has_money(lines) and work_title(lines) == "Theatre hours"
    assert lines[1][4] == "+60"
    both = work_lines(decided(tmp_path, REVISIONS, head=HEAD))
    assert has_money(both) and work_title(both) == "Theatre hours and money"
    alone = HEAD.replace("theatre_minutes: 50, ", "").replace("theatre_minutes: 80, ", "")
    assert work_title(work_lines(decided(tmp_path, REVISIONS, head=alone))) == "Money"
