"""Why thumbs came back, what was found and done the first time, and MP angles in bands: typed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from metakit.core.values import Band, OutcomeValue

NOT_STATED = "not_stated"


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseCount:
    """Thumbs of one cause (an id of the form's causes), with the report's own words; months after surgery."""

    cause: str
    thumbs: int
    as_reported: str = ""
    months: float | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondOperation:
    """Thumbs that had one second operation; `cause` is empty where the report does not tie them."""

    operation: str
    thumbs: int
    cause: str = ""
    as_reported: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmReturns:
    """Thumbs of one arm that came back up to the last follow-up.

    `thumbs` of `total` came back (`total` None: not typed, the arm's own number then counts).
    `causes` are those that the report states, without `not_stated`, which is a number of its own: thumbs
    typed under that word. `causes_overlap` is None where the report is silent. Times are in months.
    """

    arm: str
    kind: Literal["operation", "lived_with"]
    thumbs: int | None
    total: int | None
    causes: tuple[CauseCount, ...] = ()
    not_stated: int = 0
    causes_overlap: bool | None = None
    operations: tuple[SecondOperation, ...] = ()
    months_mean: float | None = None
    months_median: float | None = None
    months_shortest: float | None = None
    months_longest: float | None = None
    author_definition: str = ""
    source: str = ""

    @property
    def stated(self) -> int:
        """Sum of the stated causes; more than `thumbs` where they overlap."""
        return sum(count.thumbs for count in self.causes)

    @property
    def unaccounted(self) -> int:
        """Thumbs that came back and stand under no cause, typed as not stated or simply missing.

        Where causes overlap, the least number that the counts allow.
        """
        if self.thumbs is None:
            return self.not_stated
        return max(self.thumbs - self.stated, self.not_stated, 0)

    @property
    def adds_up(self) -> bool:
        """Whether the causes with `not_stated` make up the thumbs, or overlap and say so."""
        whole = self.stated + self.not_stated
        if self.thumbs is None:
            return False
        return whole == self.thumbs or (bool(self.causes_overlap) and whole > self.thumbs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What was looked for, found, treated or left at the first operation, in `thumbs` of `total`.

    `finding` is an id of `index_findings`; `option` says how, "" for all options together. `limit` is the
    report's own limit of an angle.
    """

    arm: str
    finding: str
    thumbs: int
    total: int | None
    option: str = ""
    limit: Band | None = None
    as_reported: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleBand:
    """Thumbs whose MP hyperextension lies in one band, of `total` measured.

    `mp_option` "" counts all thumbs of the band, else those that had the option. Months 0 is before surgery.
    Bands are in degrees of hyperextension. `unusable` says why a band cannot enter an analysis (its sign is
    unclear).
    """

    arm: str
    band: Band
    thumbs: int
    total: int | None
    months: float | None
    time_label: str
    mp_option: str = ""
    bands_overlap: bool | None = None
    measured: str = ""
    unusable: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SubgroupValue:
    """An outcome of part of an arm; what is "" or None does not restrict it."""

    value: OutcomeValue
    mp_option: str = ""
    st_option: str = ""
    osteophyte_option: str = ""
    mp_before: Band | None = None
