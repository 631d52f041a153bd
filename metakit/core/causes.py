"""Why thumbs come back: what studies count, and what pooling answers.

Shares are fractions of the thumbs that came back; rates are per thumb or per thumb-year.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from metakit.core.limits import Limits
from metakit.core.notes import Assumption, SetAside

NOT_STATED = "not_stated"
ModelName = Literal["logistic_normal", "dirichlet_multinomial", "beta_binomial", "single_study"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyReturns:
    """What one study (or one arm of it) says of the thumbs that came back.

    `counts` are thumbs by stated cause; `returned` are all thumbs that came back, `not_stated` those of them
    whose cause the report does not give. `overlap` says that a thumb may stand under several causes. `thumbs`
    were operated, `time` are their thumb-years; None where unknown.
    """

    study: str
    counts: Mapping[str, int]
    returned: int
    not_stated: int = 0
    overlap: bool = False
    technique: str = ""
    thumbs: float | None = None
    time: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A share or a rate: posterior mean and median, interval, and where a new centre is expected.

    Means of parts add up to the mean of the whole; medians, which are shown, need not. For one study alone
    mean and median are what it counted, the interval is exact, `prediction` is None and `wider` is the
    interval for the mean of centres like it.
    """

    mean: float
    median: float
    interval: Limits
    prediction: Limits | None = None
    wider: Limits | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseAnswer:
    """One cause: the thumbs counted under it in `studies` studies, its share, and how often it occurs.

    `share` is among the thumbs whose cause is stated. `share_with_overlapping` is the same by a model of this
    cause alone that also holds the studies whose causes overlap, None where no study stands beside.
    `share_if_none` and `share_if_all` are among all thumbs that came back, as if none, or all, of those
    without a stated cause came back for this one; None where every cause is stated.

    Rates by cause are the share times the rate of all causes: `per_thumb` and `per_thumb_year` count none of
    the thumbs without a stated cause, `..._if_all` all of them. `share_beside` is `share` by the second
    model, None where the answer rests on one study or on that model alone.
    """

    cause: str
    label: str
    thumbs: int
    studies: int
    share: Estimate
    share_with_overlapping: Estimate | None = None
    share_if_none: Estimate | None = None
    share_if_all: Estimate | None = None
    per_thumb: Estimate | None = None
    per_thumb_if_all: Estimate | None = None
    per_thumb_year: Estimate | None = None
    per_thumb_year_if_all: Estimate | None = None
    share_beside: Estimate | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CausesResult:
    """Why thumbs come back after one technique, or after all of them (`technique` is empty then).

    `studies` are those in which thumbs came back. `thumbs_returned` counts all thumbs that came back,
    `not_stated` those without a stated cause, `thumbs_stated` those among which shares are answered.
    `overlapping` are the studies in which a thumb may stand under several causes, with `overlapping_thumbs`
    that came back. Where `exclusive`, shares are answered without them and add up to 1; where not, each cause
    has a model of its own and shares do not. The rates of all causes hold every study. `tau` is the spread
    between studies with its interval, None for one study and for separate models. `not_stated_*` complete the
    rates by cause to the whole. `model` is the one to be read, `model_beside` that of `share_beside` of the
    causes and of `tau_beside`. `sampling_error` is the largest Monte Carlo error of a limit of a share
    against the width of its interval, None where nothing is drawn.
    """

    technique: str
    model: ModelName
    level: float
    exclusive: bool
    studies: tuple[str, ...]
    thumbs_returned: int
    not_stated: int
    thumbs_stated: int
    causes: tuple[CauseAnswer, ...]
    overlapping: tuple[str, ...] = ()
    overlapping_thumbs: int = 0
    tau: Estimate | None = None
    model_beside: ModelName | None = None
    tau_beside: Estimate | None = None
    sampling_error: float | None = None
    all_per_thumb: Estimate | None = None
    all_per_thumb_year: Estimate | None = None
    not_stated_per_thumb: Estimate | None = None
    not_stated_per_thumb_year: Estimate | None = None
    rate_studies: Mapping[str, int] = field(default_factory=dict)
    set_aside: tuple[SetAside, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    notes: tuple[str, ...] = ()
    references: tuple[str, ...] = ()

    @property
    def k(self) -> int:
        """Number of studies in which thumbs came back."""
        return len(self.studies)

    def to_json(self) -> dict[str, Any]:
        """Return the answer for `--json`; shares are fractions, rates per thumb and per thumb-year."""
        answer = {name: value for name, value in asdict(self).items() if name != "rate_studies"}
        return {
            **answer,
            "k": self.k,
            "rate_studies": dict(self.rate_studies),
            "assumptions": [str(item) for item in self.assumptions],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Causes:
    """Answers for all techniques together and, where studies name several, for each."""

    overall: CausesResult
    by_technique: tuple[CausesResult, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the answers for `--json`."""
        return {
            "overall": self.overall.to_json(),
            "by_technique": [result.to_json() for result in self.by_technique],
        }
