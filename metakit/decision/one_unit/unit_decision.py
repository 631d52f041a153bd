"""The whole of a unit's page as numbers: a review, a unit file, and everything computed from the two."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from metakit.core.plans import Protocol
from metakit.decision.certainty import all_certainties
from metakit.decision.one_unit.expected import DRAWS
from metakit.decision.one_unit.unit import Unit
from metakit.decision.one_unit.unit_answer import Burden, Expectation, burdens, expectations
from metakit.decision.one_unit.unit_audit import AuditPlan, YearsToTell, audit_plans, years_to_tell
from metakit.decision.one_unit.unit_causes import (
    OptionByBand,
    TechniqueReturns,
    options_by_band,
    returns_by_source,
)
from metakit.decision.one_unit.unit_cells import Cell, cells_of
from metakit.decision.one_unit.unit_drivers import Drivers, drivers
from metakit.decision.one_unit.unit_evidence import CellEvidence, evidence
from metakit.decision.one_unit.unit_first import FirstScreen, first_screen
from metakit.decision.one_unit.unit_learning import FirstYear, first_years
from metakit.decision.one_unit.unit_links import asked_only, links
from metakit.decision.one_unit.unit_scenarios import ScenarioRow, scenario_rows
from metakit.decision.one_unit.unit_work import Workload, workloads
from metakit.decision.unit_returns import UnitReturns, unit_returns
from metakit.review.folder import ReviewFolder
from metakit.synthesis.findings import Findings
from metakit.synthesis.run import synthesise


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitDecision:
    """Everything that a unit's page shows. It recommends nothing."""

    unit: Unit
    protocol: Protocol
    findings: Findings
    cells: tuple[Cell, ...]
    expectations: tuple[Expectation, ...]
    burdens: tuple[Burden, ...]
    workloads: tuple[Workload, ...]
    drivers: tuple[Drivers, ...]
    evidence: tuple[CellEvidence, ...]
    scenarios: tuple[ScenarioRow, ...]
    draws: int
    first: FirstScreen
    first_years: tuple[FirstYear, ...] = ()
    to_tell: tuple[YearsToTell, ...] = ()
    audits: tuple[AuditPlan, ...] = ()
    returns: UnitReturns | None = None
    by_source: tuple[TechniqueReturns, ...] = ()
    by_band: tuple[OptionByBand, ...] = ()

    @property
    def invented(self) -> bool:
        """Whether the unit or the review is invented."""
        return self.unit.invented or self.protocol.invented

    @property
    def moved(self) -> float:
        """The largest move of any shown limit of a count between two halves of the draws, in events."""
        counts = [item.cohort for item in self.expectations if item.cohort is not None]
        counts += [part.counts for item in self.expectations for part in (*item.by_year, *item.calendar)]
        counts += [row.events for row in self.scenarios]
        return max((count.moved for count in counts), default=0.0)

    def expectation(self, outcome: str, technique: str) -> Expectation | None:
        """Return what to expect of an outcome with a technique, None without an answer."""
        return next(
            (
                item
                for item in self.expectations
                if (item.cell.outcome.term.id, item.cell.technique.id) == (outcome, technique)
            ),
            None,
        )

    def evidence_of(self, cell: Cell) -> CellEvidence | None:
        """Return what a cell rests on, None for the current technique."""
        return next((item for item in self.evidence if item.cell is cell), None)


def decide(
    folder: ReviewFolder,
    unit: Unit,
    *,
    draws: int = DRAWS,
    progress: Callable[[str], None] | None = None,
) -> UnitDecision:
    """Apply a review's answers to a unit.

    Parameters
    ----------
    folder : ReviewFolder
        Only the analyses that the unit names are carried out.
    unit : Unit
        From `read_unit`.
    draws : int
        Of the simulation; the random numbers start at the unit's seed.
    progress : callable, optional
        Gets a line of text before each step.

    Returns
    -------
    UnitDecision

    Raises
    ------
    DataError
        When the unit names analyses that the review lacks, or that do not speak about its techniques.
    NotEstimableError
        When none of the analyses named has an answer.
    """
    say = progress or (lambda text: None)
    chosen = links(unit, folder.protocol)
    asked = replace(folder, protocol=asked_only(folder.protocol, chosen))
    findings = synthesise(asked, progress=progress, extraction=False)
    say(f"drawing {draws} times")
    random = np.random.default_rng(unit.seed)
    cells = cells_of(unit, chosen, findings, random=random, size=draws)
    certainties = {item.body.analysis: item for item in all_certainties(findings)}
    expected = expectations(unit, cells, random=random)
    rests = evidence(unit, cells, certainties, folder.protocol)
    work = workloads(unit, expected)
    return UnitDecision(
        unit=unit,
        protocol=folder.protocol,
        findings=findings,
        cells=cells,
        first=first_screen(unit, cells, expected, rests, work),
        expectations=expected,
        burdens=burdens(unit, cells),
        workloads=work,
        scenarios=scenario_rows(unit, cells, random=random),
        first_years=first_years(unit, expected, random=random),
        drivers=drivers(unit, cells),
        evidence=rests,
        to_tell=years_to_tell(unit, expected, folder.protocol),
        audits=audit_plans(unit, cells),
        draws=draws,
        returns=unit_returns(unit, findings),
        by_source=returns_by_source(unit, findings),
        by_band=options_by_band(findings),
    )
