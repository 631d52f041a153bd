"""`causes`: why thumbs come back, pooled over studies."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from metakit.core.causes import CauseAnswer, Causes, CausesResult, Estimate, ModelName, StudyReturns
from metakit.core.notes import Assumption, SetAside
from metakit.errors import NotEstimableError, UsageError
from metakit.forms.library import vocabulary
from metakit.measures.cells import RawTable, raw_table
from metakit.models.causes_of_return.causes_rates import Size, WholeRate
from metakit.models.causes_of_return.causes_shares import SharePool
from metakit.models.causes_of_return.causes_table import returns_of_table

if TYPE_CHECKING:
    import pandas as pd

OTHER = "other"
SIZES: tuple[Size, ...] = ("thumbs", "time")
PER: Mapping[Size, str] = {"thumbs": "per_thumb", "time": "per_thumb_year"}
UNLIKE = (
    "In simulated reviews of two to eight studies where half of the centres see another kind of trouble "
    "than the others, the interval of the commonest cause held the truth in 82 to 86 % instead of 95 %: "
    "read it as too narrow. The simulation chose another model (logistic-normal spread between centres, "
    "87 to 89 % there), which is not computed here yet; on average the two agree."
)
"""Said of every answer of two studies or more (tests/simulation, second protocol, results of the causes)."""
FEW_RETURNS = 10
"""Returns below which shares say little: common practice, no source."""


def causes(frame: pd.DataFrame | Mapping[str, Sequence[object]], *, level: float = 0.95) -> Causes:
    """Pool the reasons for which thumbs came back.

    Parameters
    ----------
    frame : DataFrame or mapping of str to sequence
        One row a study and cause: `study`, `cause` (an id, label or synonym of the vocabulary
        `return_causes`), `thumbs` that came back for it, `total` thumbs operated; optional `technique`,
        `time` in thumb-years, `overlap` (yes where a thumb may stand under several causes). The cause
        `all_causes` counts the thumbs that came back at all.
    level : float
        Level of the intervals.

    Returns
    -------
    Causes
        Of all studies together, and of each technique where several are named.

    Raises
    ------
    DataError
        With every problem of the table.
    NotEstimableError
        When no thumb came back, or no study states a cause.

    References
    ----------
    Mosimann JE (1962). Biometrika 49:65-82.

    Examples
    --------
    >>> table = {
    ...     "study": ["A", "A", "B", "B"],
    ...     "cause": ["residual bone", "MP collapse", "residual bone", "MP collapse"],
    ...     "thumbs": [4, 2, 3, 3],
    ...     "total": [60, 60, 80, 80],
    ... }
    >>> found = causes(table).overall
    >>> [(answer.cause, round(answer.share.mean, 3)) for answer in found.causes]
    [('residual_bone', 0.568), ('mp_hyperextension', 0.432)]
    """
    return causes_of_table(raw_table(frame), level=level)


def causes_of_table(table: RawTable, *, level: float = 0.95) -> Causes:
    """Pool the reasons of a table file; as `causes`, with places of that file in messages."""
    if not 0 < level < 1:
        raise UsageError(f"the level of an interval lies between 0 and 1, not {level:g}")
    read = returns_of_table(table)
    techniques = tuple(dict.fromkeys(study.technique for study in read.studies))
    named = len(techniques) > 1
    overall = pool_causes(merged(read.studies), level=level, assumptions=read.assumptions, notes=read.notes)
    cells = tuple(answer.cause for answer in overall.causes)
    return Causes(
        overall=overall,
        by_technique=tuple(
            pool_causes(
                [study for study in read.studies if study.technique == technique],
                level=level, technique=technique or "technique not named", cells=cells,
            )
            for technique in techniques
            if any(s.returned > s.not_stated for s in read.studies if s.technique == technique)
        )
        if named
        else (),
    )  # fmt: skip


def merged(studies: Sequence[StudyReturns]) -> list[StudyReturns]:
    """Return one entry a study, its techniques added up; a size that one of them lacks is unknown."""
    groups: dict[str, list[StudyReturns]] = {}
    for study in studies:
        groups.setdefault(study.study, []).append(study)
    found = []
    for name, arms in groups.items():
        causes_here = dict.fromkeys(cause for arm in arms for cause in arm.counts)
        found.append(
            StudyReturns(
                study=name,
                counts={cause: sum(arm.counts.get(cause, 0) for arm in arms) for cause in causes_here},
                returned=sum(arm.returned for arm in arms),
                not_stated=sum(arm.not_stated for arm in arms),
                overlap=any(arm.overlap for arm in arms),
                thumbs=_added([arm.thumbs for arm in arms]),
                time=_added([arm.time for arm in arms]),
            )
        )
    return found


def _added(sizes: Sequence[float | None]) -> float | None:
    known = [size for size in sizes if size is not None]
    return sum(known) if len(known) == len(sizes) else None


def pool_causes(
    studies: Sequence[StudyReturns],
    *,
    level: float = 0.95,
    technique: str = "",
    cells: Sequence[str] = (),
    assumptions: Sequence[Assumption] = (),
    notes: Sequence[str] = (),
) -> CausesResult:
    """Pool the causes of one group of studies.

    Parameters
    ----------
    studies : sequence of StudyReturns
        One entry a study.
    level : float
        Level of the intervals.
    technique : str
        How the group is called, "" for all techniques.
    cells : sequence of str
        Causes to answer for, also those that no study of the group counted; all that any counted by default.
    assumptions, notes
        What is known before, kept with the result.

    Raises
    ------
    NotEstimableError
        When no thumb came back, or no study states a cause.
    """
    names = _ordered({cause for study in studies for cause in study.counts} | set(cells))
    told = [study for study in studies if study.returned > 0]
    if not told:
        raise NotEstimableError("no thumb came back in any study: there is no cause to pool")
    if not any(_stated([study]) for study in told) or not names:
        raise NotEstimableError("no study states why thumbs came back")
    pooled, beside = _apart(told)
    stating = [study for study in pooled if _stated([study])]
    exclusive = not any(study.overlap for study in pooled)
    cells_of = _exclusive_cells if exclusive else _overlapping_cells
    models = [cells_of(pooled, names, place, level) for place in range(len(names))]
    rates = {size: WholeRate(studies, size, level) for size in SIZES}
    rates = {size: rate for size, rate in rates.items() if rate.k}
    lost = _not_stated(pooled, names, level) if any(study.not_stated for study in pooled) else None
    answers = tuple(
        CauseAnswer(
            cause=name,
            label=vocabulary("return_causes")[name].label,
            thumbs=sum(study.counts.get(name, 0) for study in pooled),
            studies=sum(study.counts.get(name, 0) > 0 for study in pooled),
            share=model.stated.estimate(),
            share_with_overlapping=_with_overlapping(told, names, place, level) if beside else None,
            share_if_none=model.none.estimate(predicted=False) if model.none else None,
            share_if_all=model.most.estimate(predicted=False) if model.most else None,
            **_rates(model, rates),
        )
        for place, (name, model) in enumerate(zip(names, models, strict=True))
    )
    single = len(stating) == 1
    model: ModelName = "dirichlet_multinomial" if exclusive else "beta_binomial"
    return CausesResult(
        technique=technique,
        model="single_study" if single else model,
        level=level,
        exclusive=exclusive,
        studies=tuple(study.study for study in told),
        overlapping=tuple(study.study for study in told if study.overlap),
        overlapping_thumbs=sum(study.returned for study in told if study.overlap),
        thumbs_returned=sum(study.returned for study in told),
        not_stated=sum(study.not_stated for study in told),
        thumbs_stated=_stated(pooled),
        causes=answers,
        tau=models[0].stated.tau() if exclusive else None,
        **{f"all_{PER[size]}": rate.estimate() for size, rate in rates.items()},
        **{f"not_stated_{PER[size]}": rate.part(lost) for size, rate in rates.items() if lost},
        rate_studies={PER[size]: rate.k for size, rate in rates.items()},
        set_aside=(
            *(SetAside(study=s.study, reason="no thumb came back") for s in studies if s.returned == 0),
            *(
                SetAside(study=s.study, reason="the report states no cause for any thumb")
                for s in told
                if not _stated([s])
            ),
        ),
        assumptions=tuple(assumptions),
        notes=(*notes, *_notes(told, len(stating))),
        references=("clopper_pearson_1934",) if single else ("mosimann_1962", "berger_2015"),
    )


def _rates(model: _Models, rates: Mapping[Size, WholeRate]) -> dict[str, Estimate]:
    """Return the rates of one cause by the names of their fields."""
    found = {}
    for size, rate in rates.items():
        found[PER[size]] = rate.part(model.none or model.stated)
        if model.most is not None:
            found[f"{PER[size]}_if_all"] = rate.part(model.most, predicted=False)
    return found


def _not_stated(told: Sequence[StudyReturns], names: Sequence[str], level: float) -> SharePool:
    """Return the share of thumbs without a stated cause, which completes the parts to the whole."""
    missing = np.array([study.not_stated for study in told])
    if any(study.overlap for study in told):
        return SharePool.of(np.vstack([missing, np.array([s.returned for s in told]) - missing]), 0, level)
    every = np.array([[study.counts.get(name, 0) for study in told] for name in names])
    return SharePool.of(np.vstack([every, missing[None]]), len(names), level)


def _ordered(names: Iterable[str]) -> list[str]:
    """Return causes in the order of the vocabulary; one cause alone gets all others for company."""
    found = set(names) | ({OTHER} if len(set(names)) == 1 else set())
    return [term.id for term in vocabulary("return_causes") if term.id in found]


def _stated(studies: Sequence[StudyReturns]) -> int:
    """Return how many of the thumbs that came back have a stated cause."""
    return sum(study.returned - study.not_stated for study in studies)


def _apart(told: Sequence[StudyReturns]) -> tuple[list[StudyReturns], list[StudyReturns]]:
    """Return the studies that shares are answered from, and those with overlapping causes that stand beside.

    Shares add up to the whole where each thumb has one cause. While such studies hold more of the stated
    returns than those with overlapping causes, and saw every cause that those saw, shares are answered from
    them, and the others are told beside; else every study enters, each cause with a model of its own (both
    limits are our own: no source).
    """
    single = [study for study in told if not study.overlap]
    overlapping = [study for study in told if study.overlap]
    apart = _stated(single) > _stated(overlapping) and _seen(overlapping) <= _seen(single)
    return (single, overlapping) if apart else (list(told), [])


def _seen(studies: Sequence[StudyReturns]) -> set[str]:
    """Return the causes for which a thumb came back."""
    return {cause for study in studies for cause, thumbs in study.counts.items() if thumbs}


def _with_overlapping(
    told: Sequence[StudyReturns], names: Sequence[str], place: int, level: float
) -> Estimate:
    """Return the share of one cause over all studies, by a model of its own."""
    return _overlapping_cells(told, names, place, level).stated.estimate(predicted=False)


def _notes(told: Sequence[StudyReturns], k: int) -> list[str]:
    returned = sum(study.returned for study in told)
    notes = []
    if k > 1:
        notes.append(UNLIKE)
    if returned < FEW_RETURNS:
        notes.append(f"Only {returned} thumbs came back in all: shares say little.")
    return notes


@dataclass(frozen=True, slots=True)
class _Models:
    """One cause among the stated ones; and if none, or all, of the thumbs without a cause were its own."""

    stated: SharePool
    none: SharePool | None
    most: SharePool | None


def _exclusive_cells(
    told: Sequence[StudyReturns],
    names: Sequence[str],
    place: int,
    level: float,
) -> _Models:
    """Return the models of one cause where every thumb has one: all causes are cells of one model."""
    every = np.array([[study.counts.get(name, 0) for study in told] for name in names])
    missing = np.array([study.not_stated for study in told])
    stated = SharePool.of(every, place, level)
    if not missing.any():
        return _Models(stated, None, None)
    raised = every.copy()
    raised[place] += missing
    none = SharePool.of(np.vstack([every, missing[None]]), place, level)
    return _Models(stated, none, SharePool.of(raised, place, level))


def _overlapping_cells(
    told: Sequence[StudyReturns],
    names: Sequence[str],
    place: int,
    level: float,
) -> _Models:
    """Return the models of one cause where thumbs may have several: this cause against all else."""
    own = np.array([study.counts.get(names[place], 0) for study in told])
    returned = np.array([study.returned for study in told])
    missing = np.array([study.not_stated for study in told])
    pools = [
        SharePool.of(np.vstack([events, total - events]), 0, level)
        for events, total in ((own, returned - missing), (own, returned), (own + missing, returned))
    ]
    return _Models(pools[0], *(pools[1:] if missing.any() else (None, None)))
