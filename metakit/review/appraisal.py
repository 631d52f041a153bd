"""How far a study can be trusted: the appraisal typed in its record, for each outcome.

Judgements may hold for all outcomes or for one; the one made for an outcome counts before the general one.
The overall level is the person's; what the instrument's rule proposes stays beside it. Where a person has not
given an overall judgement, the proposal is used and says that nobody has confirmed it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from metakit.core.records import StudyRecord
from metakit.forms.library import vocabulary
from metakit.forms.overall_judgement import OVERALL, domains_asked, has_overall, propose

ALL = "all"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """One domain judged; `outcome` is 'all' or the outcome that it was made for. `page` is as typed."""

    domain: str
    outcome: str
    level: str
    reason: str
    page: str
    changed_because: str = ""

    @property
    def domain_label(self) -> str:
        """The domain in words."""
        return vocabulary("appraisal_domains")[self.domain].label

    @property
    def label(self) -> str:
        """The level in words."""
        return vocabulary("appraisal_levels")[self.level].label

    @property
    def concern(self) -> str:
        """Concern that the level means: `low`, `some`, `high`, `not_known` or `not_asked`."""
        return vocabulary("appraisal_levels")[self.level].facts.text("concern")

    def to_json(self) -> dict[str, Any]:
        """Return the judgement as JSON."""
        return {
            "domain": self.domain,
            "outcome": self.outcome,
            "level": self.level,
            "concern": self.concern,
            "reason": self.reason,
            "page": self.page or None,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Overall:
    """The overall judgement of a study for an outcome.

    `proposed` and `basis` come from the instrument's rule; `judged` is the person's row. Both are empty where
    the instrument has no overall level; `basis` then holds its sum or count. `incomplete` says that domains
    have no judgement; `basis` then names them.
    """

    outcome: str
    proposed: str
    basis: str
    judged: Judgement | None = None
    incomplete: bool = False

    @property
    def level(self) -> str:
        """The person's level, the proposed one where nobody has judged."""
        return self.judged.level if self.judged else self.proposed

    @property
    def label(self) -> str:
        """The level in words; the sum or count where the instrument has no level."""
        return vocabulary("appraisal_levels")[self.level].label if self.level else self.basis

    @property
    def concern(self) -> str:
        """Concern that the level means; empty where there is no level."""
        return vocabulary("appraisal_levels")[self.level].facts.text("concern") if self.level else ""

    @property
    def changed(self) -> bool:
        """Whether a person gave another level than the rule proposes."""
        return self.judged is not None and self.judged.level != self.proposed

    @property
    def confirmed(self) -> bool:
        """Whether a person has judged."""
        return self.judged is not None

    def to_json(self) -> dict[str, Any]:
        """Return the overall judgement as JSON, the proposal beside the person's level."""
        return {
            "outcome": self.outcome,
            "level": self.level or None,
            "concern": self.concern or None,
            "proposed": self.proposed or None,
            "basis": self.basis,
            "confirmed": self.confirmed,
            "changed_because": self.judged.changed_because or None if self.judged else None,
            "reason": self.judged.reason if self.judged else None,
            "page": (self.judged.page or None) if self.judged else None,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyAppraisal:
    """The appraisal of one study: its instrument, who judged, and every judgement typed."""

    study: str
    design_group: str
    instrument: str
    assessor: str
    judgements: tuple[Judgement, ...]

    @property
    def instrument_label(self) -> str:
        """The instrument in words."""
        return vocabulary("appraisal_instruments")[self.instrument].label

    @property
    def source(self) -> str:
        """Where the instrument was published."""
        return vocabulary("appraisal_instruments")[self.instrument].facts.text("source")

    @property
    def domains(self) -> tuple[str, ...]:
        """Domains that the instrument asks of this design, in order, without the overall one."""
        return domains_asked(vocabulary("appraisal_instruments")[self.instrument], self.design_group)

    @property
    def outcomes(self) -> tuple[str, ...]:
        """Outcomes judged apart, in the order of the record."""
        return tuple(dict.fromkeys(row.outcome for row in self.judgements if row.outcome != ALL))

    def for_outcome(self, outcome: str) -> tuple[Judgement, ...]:
        """Return the judgements that count for an outcome, in the order of the instrument; gaps left out."""
        found = self._rows(outcome)
        return tuple(found[domain] for domain in self.domains if domain in found)

    def overall(self, outcome: str) -> Overall:
        """Return the overall judgement for an outcome.

        A person's overall judgement made for all outcomes counts for one whose domains were not judged apart.
        """
        instrument = vocabulary("appraisal_instruments")[self.instrument]
        rows = self.for_outcome(outcome)
        own = [row for row in self.judgements if row.domain == OVERALL and row.outcome == outcome]
        if not own and outcome not in self.outcomes:
            own = [row for row in self.judgements if row.domain == OVERALL and row.outcome == ALL]
        lacking = [domain for domain in self.domains if domain not in {row.domain for row in rows}]
        if lacking:
            names = vocabulary("appraisal_domains")
            proposed, basis = "", f"not judged: {', '.join(names[name].label for name in lacking)}"
        else:
            found = propose(
                instrument,
                {row.domain: row.level for row in rows},
                vocabulary("appraisal_domains"),
                vocabulary("appraisal_levels"),
            )
            proposed, basis = found.level, found.basis
        judged = own[0] if own and has_overall(instrument) else None
        return Overall(
            outcome=outcome, proposed=proposed, basis=basis, judged=judged, incomplete=bool(lacking)
        )

    def _rows(self, outcome: str) -> dict[str, Judgement]:
        general = {row.domain: row for row in self.judgements if row.outcome == ALL}
        return general | {row.domain: row for row in self.judgements if row.outcome == outcome}

    def to_json(self) -> dict[str, Any]:
        """Return the appraisal as JSON, with the overall judgement of each outcome judged apart."""
        return {
            "study": self.study,
            "instrument": self.instrument,
            "source": self.source,
            "assessor": self.assessor or None,
            "judgements": [row.to_json() for row in self.judgements if row.domain != OVERALL],
            "overall": [self.overall(outcome).to_json() for outcome in (ALL, *self.outcomes)],
        }


def appraisal_of(study: StudyRecord) -> StudyAppraisal | None:
    """Return the appraisal in a study's record, None when it was not appraised."""
    typed = study.fields.get("appraisal")
    if not isinstance(typed, Mapping) or typed.get("instrument") not in vocabulary("appraisal_instruments"):
        return None
    rows = typed.get("judgements")
    judgements = tuple(_judgement(row) for row in rows) if isinstance(rows, list) else ()
    if not judgements:
        return None
    return StudyAppraisal(
        study=study.id,
        design_group=study.design_group,
        instrument=str(typed["instrument"]),
        assessor=str(typed.get("assessor", "")),
        judgements=judgements,
    )


def overall_of(study: StudyRecord, outcome: str) -> Overall | None:
    """Return a study's overall judgement for an outcome, None when it was not appraised."""
    appraisal = appraisal_of(study)
    return appraisal.overall(outcome) if appraisal else None


def _judgement(row: Mapping[str, Any]) -> Judgement:
    return Judgement(
        domain=str(row["domain"]),
        outcome=str(row["outcome"]),
        level=str(row["judgement"]),
        reason=str(row["reason"]),
        page=str(row.get("page", "")),
        changed_because=str(row.get("changed_because", "")),
    )
