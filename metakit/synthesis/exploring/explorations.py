"""Why the studies of an analysis may differ: meta-regressions and subgroups on moderators of their records.

A plan in the protocol, written before results were known, makes an exploration planned; anything else is
exploratory and says so. What cannot be fitted (too few studies, one study in a level, moderators that tell
the same) is refused in words by the models, and the refusal is the finding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from metakit.core.effects import EffectTable
from metakit.core.notes import SetAside
from metakit.core.plans import ExplorationPlan
from metakit.errors import ConvergenceError, NotEstimableError, UsageError
from metakit.models.differing.meta_regression import meta_regression
from metakit.models.differing.meta_regression_result import MetaRegressionResult
from metakit.models.differing.residual_tau2 import RESIDUAL_TAU2_ESTIMATORS
from metakit.models.differing.subgroups import SubgroupResult, subgroups
from metakit.models.inference import DEFAULT_INFERENCE
from metakit.synthesis.exploring.moderator_shapes import ModeratorColumn

PERMUTATIONS = 1000
"""Random reorderings for the permutation p value (all orders where there are fewer), with a fixed seed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exploration:
    """One meta-regression or set of subgroups of an analysis, answered or refused.

    `moderators` are the columns that it used, with every study's value and how it was obtained. `planned` is
    False for anything added when results were known. Exactly one of `meta_regression`, `subgroups` and
    `reason` (why there is no answer) is filled.
    """

    id: str
    kind: Literal["meta_regression", "subgroups"]
    planned: bool
    moderators: tuple[ModeratorColumn, ...]
    expected: str = ""
    meta_regression: MetaRegressionResult | None = None
    subgroups: SubgroupResult | None = None
    reason: str = ""

    @property
    def label(self) -> str:
        """What was asked, in words."""
        what = "Subgroups by" if self.kind == "subgroups" else "Meta-regression on"
        return f"{what} {', '.join(column.label for column in self.moderators)}"

    @property
    def standing(self) -> str:
        """`planned` or `exploratory`."""
        return "planned" if self.planned else "exploratory"

    @property
    def missing(self) -> tuple[SetAside, ...]:
        """Studies left out because a moderator is missing, with what their reports lack."""
        return tuple(dict.fromkeys(item for column in self.moderators for item in column.missing))

    def to_json(self) -> dict[str, Any]:
        """Return the exploration as JSON."""
        return {
            "id": self.id,
            "kind": self.kind,
            "standing": self.standing,
            "label": self.label,
            "expected": self.expected or None,
            "moderators": [column.to_json() for column in self.moderators],
            "missing": [{"study": item.study, "reason": item.reason} for item in self.missing],
            "meta_regression": self.meta_regression.to_json() if self.meta_regression else None,
            "subgroups": self.subgroups.to_json() if self.subgroups else None,
            "reason_not_estimable": self.reason or None,
        }


def explorations_of(
    analysis: str,
    plans: Sequence[ExplorationPlan],
    table: EffectTable | None,
    columns: Sequence[ModeratorColumn],
    *,
    tau2: str | None,
    inference: str = DEFAULT_INFERENCE,
    level: float,
) -> tuple[Exploration, ...]:
    """Carry out what the protocol asks to explore in one analysis.

    Parameters
    ----------
    analysis : str
        Id of the analysis; a plan that names no analyses is for all of them.
    table : EffectTable or None
        With the moderators attached; None without a usable study.
    columns : sequence of ModeratorColumn
        The moderators of its studies.
    tau2, inference, level : str or None, str, float
        As the analysis has them; a named estimator that regressions lack leaves the inference to answer.
    """
    asked = [plan for plan in plans if not plan.analyses or analysis in plan.analyses]
    return tuple(
        exploration(plan, table, columns, tau2=tau2, inference=inference, level=level) for plan in asked
    )


def exploration(
    plan: ExplorationPlan,
    table: EffectTable | None,
    columns: Sequence[ModeratorColumn],
    *,
    tau2: str | None = None,
    inference: str = DEFAULT_INFERENCE,
    level: float = 0.95,
) -> Exploration:
    """Carry out one exploration; see `explorations_of` for the parameters.

    Examples
    --------
    Anything a reader asks beyond the plan is exploratory::

        plan = ExplorationPlan(id="age", kind="meta_regression", moderators=("age",), data_seen=True)
        exploration(plan, finding.table, finding.moderators)
    """
    by_name = {column.name: column for column in columns}
    used = tuple(by_name[name] for name in plan.moderators if name in by_name)
    absent = [name for name in plan.moderators if name not in by_name]
    regression, groups, reason = None, None, ""
    estimator = tau2 if tau2 and tau2 in RESIDUAL_TAU2_ESTIMATORS else None
    if table is None:
        reason = "no study of this review has a usable result for it"
    elif absent:
        reason = f"no study of this analysis has {' or '.join(absent)}"
    else:
        try:
            if plan.kind == "subgroups":
                groups = subgroups(
                    table, plan.moderators[0], common_tau2=estimator is not None, tau2=estimator,
                    inference=inference, level=level,
                )  # fmt: skip
            else:
                regression = meta_regression(
                    table, plan.moderators, tau2=estimator, inference=inference, level=level,
                    permutations=PERMUTATIONS,
                )  # fmt: skip
        except (NotEstimableError, ConvergenceError, UsageError) as error:
            reason = str(error)
    return Exploration(
        id=plan.id,
        kind=plan.kind,
        planned=not plan.data_seen,
        moderators=used,
        expected=plan.expected,
        meta_regression=regression,
        subgroups=groups,
        reason=reason,
    )
