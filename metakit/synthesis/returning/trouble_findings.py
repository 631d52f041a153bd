"""What a review says about the sources of trouble: found, treated, reason to return, studied or not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from metakit.core.causes import CauseAnswer
from metakit.core.notes import Assumption, SetAside
from metakit.core.results import PoolResult
from metakit.synthesis.returning.option_contrasts import OptionContrast
from metakit.synthesis.returning.returns import ReturnsFound


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundShare:
    """How often something was looked for, found, treated or left: `thumbs` of `total` in `studies`.

    `total` counts the thumbs of the arms that tell it; `result` pools the proportions, None with `reason`
    where it cannot.
    """

    finding: str
    label: str
    role: str
    studies: tuple[str, ...]
    thumbs: int
    total: int
    result: PoolResult | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceCell:
    """What bears on one option and one outcome: studies, thumbs with the option, how many are randomised.

    `comparing` are the studies that hold the option against another one within themselves.
    """

    studies: tuple[str, ...]
    thumbs: int
    randomised: int
    comparing: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceRow:
    """One option at a source of trouble; a cell of None is an outcome that no study has for it."""

    source: str
    option: str
    label: str
    cells: Mapping[str, EvidenceCell | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleArms:
    """How often an outcome occurs in the arms with one option: `thumbs` of `total`, of whatever design.

    Arms of different studies differ in more than the option: naive, and never subtracted.
    """

    option: str
    label: str
    outcome: str
    studies: tuple[str, ...]
    thumbs: int
    total: int
    result: PoolResult | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFinding:
    """One source of trouble. `analyses` are ids of the plan's analyses that compare its options.

    `contrasts` are all other comparisons of two options that studies hold within themselves.
    """

    source: str
    label: str
    shares: tuple[FoundShare, ...]
    cause: CauseAnswer | None
    analyses: tuple[str, ...]
    rows: tuple[EvidenceRow, ...]
    single_arms: tuple[SingleArms, ...] = ()
    contrasts: tuple[OptionContrast, ...] = ()

    @property
    def not_studied(self) -> tuple[str, ...]:
        """Labels of options that no study holds against another one, in any outcome."""
        return tuple(
            row.label for row in self.rows if not any(cell and cell.comparing for cell in row.cells.values())
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleArm:
    """Change of the MP angle in one arm, or a part of it: degrees of hyperextension, negative is less.

    `whole` says that it is the whole arm.
    """

    study: str
    arm: str
    technique: str
    option: str
    band: str
    thumbs: int
    before: float | None
    after: float | None
    change: float
    standard_deviation: float
    whole: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleChange:
    """Pooled change of the angle in one group of arms; `varied` holds it at other correlations."""

    group: str
    arms: tuple[AngleArm, ...]
    result: PoolResult | None
    reason: str = ""
    correlation: float = 0.5
    varied: Mapping[float, PoolResult] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OverLimit:
    """Thumbs over a published limit after surgery: `fewest` to `most` of `total`, as coarse bands allow.

    `lower` and `upper` pool the proportions of the fewest and of the most.
    """

    limit: str
    label: str
    source: str
    group: str
    studies: tuple[str, ...]
    fewest: int
    most: int
    total: int
    lower: PoolResult | None
    upper: PoolResult | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecurrenceRow:
    """Hyperextension back, by the report's own limit: one arm at one time."""

    study: str
    arm: str
    option: str
    option_label: str
    months: float | None
    time: str
    limit: str
    events: int
    total: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleFindings:
    """MP angles: change where the joint was left alone, what is over each limit, what came back."""

    left_alone: tuple[AngleChange, ...] = ()
    by_option: tuple[AngleChange, ...] = ()
    over_limits: tuple[OverLimit, ...] = ()
    recurrence: tuple[RecurrenceRow, ...] = ()
    set_aside: tuple[SetAside, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TroubleFindings:
    """All that a review says about why thumbs come back; `outcomes` are the columns of the evidence map."""

    returns: ReturnsFound
    lived_with: ReturnsFound
    sources: tuple[SourceFinding, ...]
    outcomes: tuple[str, ...]
    angles: AngleFindings

    @property
    def told(self) -> bool:
        """Whether any record says anything of it."""
        shares = any(source.shares for source in self.sources)
        cells = any(cell for source in self.sources for row in source.rows for cell in row.cells.values())
        return bool(self.returns.rows or self.lived_with.rows) or shares or cells

    def to_json(self) -> dict[str, Any]:
        """Return the findings as JSON values."""
        return {
            "returns": _returns_json(self.returns),
            "lived_with": _returns_json(self.lived_with),
            "sources": [_source_json(source) for source in self.sources],
            "angles": {
                "left_alone": [_change_json(item) for item in self.angles.left_alone],
                "by_option": [_change_json(item) for item in self.angles.by_option],
                "over_limits": [
                    {
                        **{k: v for k, v in _plain(item).items() if k not in ("lower", "upper")},
                        "if_fewest": _answer(item.lower),
                        "if_most": _answer(item.upper),
                    }
                    for item in self.angles.over_limits
                ],
                "recurrence": [asdict(row) for row in self.angles.recurrence],
                "set_aside": [asdict(item) for item in self.angles.set_aside],
                "assumptions": [str(item) for item in self.angles.assumptions],
            },
        }


def _plain(item: Any) -> dict[str, Any]:
    return {name: getattr(item, name) for name in item.__dataclass_fields__}


def _answer(result: PoolResult | None) -> dict[str, Any] | None:
    if result is None:
        return None
    found = result.to_json()
    return {key: found[key] for key in ("measure", "model", "k", "back_transformed", "level")}


def _returns_json(found: ReturnsFound) -> dict[str, Any]:
    return {
        "causes": found.causes.to_json() if found.causes else None,
        "reason": found.reason,
        "set_aside": [asdict(item) for item in found.set_aside],
        "reports": [
            {"study": row.study, "arm": row.arm, "technique": row.technique, **asdict(row.entry)}
            for row in found.rows
        ],
    }


def _source_json(source: SourceFinding) -> dict[str, Any]:
    return {
        "source": source.source,
        "label": source.label,
        "found_and_done": [
            {**{k: v for k, v in _plain(share).items() if k != "result"}, "answer": _answer(share.result)}
            for share in source.shares
        ],
        "cause": asdict(source.cause) if source.cause else None,
        "single_arms_naive": [
            {**{k: v for k, v in _plain(item).items() if k != "result"}, "answer": _answer(item.result)}
            for item in source.single_arms
        ],
        "analyses": list(source.analyses),
        "outside_the_plan": [
            {**{k: v for k, v in _plain(item).items() if k != "result"}, "pooled": _answer(item.result)}
            for item in source.contrasts
        ],
        "map": [
            {
                "option": row.option,
                "label": row.label,
                "outcomes": {name: asdict(cell) if cell else None for name, cell in row.cells.items()},
            }
            for row in source.rows
        ],
    }


def _change_json(item: AngleChange) -> dict[str, Any]:
    return {
        "group": item.group,
        "arms": [asdict(arm) for arm in item.arms],
        "answer": _answer(item.result),
        "reason": item.reason,
        "correlation": item.correlation,
        "at_other_correlations": {f"{r:g}": _answer(result) for r, result in (item.varied or {}).items()},
    }
