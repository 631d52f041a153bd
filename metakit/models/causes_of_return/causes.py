"""`causes`: why thumbs come back, pooled over studies."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from metakit.core.causes import (
    CauseAnswer,
    Causes,
    CausesResult,
    ModelName,
    StudyReturns,
)
from metakit.core.notes import Assumption, SetAside
from metakit.errors import NotEstimableError, UsageError
from metakit.forms.library import vocabulary
from metakit.measures.cells import RawTable, raw_table
from metakit.models.causes_of_return.causes_dirichlet import (
    CauseModels,
    cause_models,
    lost_share,
    share_with_all,
)
from metakit.models.causes_of_return.causes_logistic import LogisticGroup
from metakit.models.causes_of_return.causes_rates import PER, SIZES, Size, WholeRate
from metakit.models.causes_of_return.causes_table import returns_of_table

if TYPE_CHECKING:
    import pandas as pd

OTHER = "other"
UNLIKE = (
    "In simulated reviews of two to eight studies where half of the centres see another kind of trouble "
    "than the others, the Dirichlet-multinomial's interval of the commonest cause held the truth in 82 to "
    "86 % instead of 95 %: read it as too narrow."
)
TWO_MODELS = (
    "Two models answer. Read the first number of each cause: its model (logistic-normal spread between "
    "centres) was chosen by simulations whose plan was fixed beforehand. Beside it stands the "
    "Dirichlet-multinomial. In simulated reviews of two to eight studies where half of the centres see "
    "another kind of trouble than the others, the interval of the commonest cause held the truth in 87 to "
    "89 % by the first and in 82 to 86 % by the second, instead of 95 %: there both are too narrow. On "
    "average the two agree."
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
    >>> [(answer.cause, round(answer.share.mean, 2)) for answer in found.causes]
    [('residual_bone', 0.57), ('mp_hyperextension', 0.43)]
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
    exclusive = not any(study.overlap for study in pooled)
    single = sum(_stated([study]) > 0 for study in pooled) == 1
    rates = {size: WholeRate(studies, size, level) for size in SIZES}
    rates = {size: rate for size, rate in rates.items() if rate.k}
    of_many = {size: rate for size, rate in rates.items() if rate.k > 1}
    of_one = {size: rate for size, rate in rates.items() if rate.k == 1}
    second: ModelName = "dirichlet_multinomial" if exclusive else "beta_binomial"
    models = [cause_models(pooled, names, place, level, exclusive=exclusive) for place in range(len(names))]
    drawn, told_of_draws = (None, []) if single else _drawn(pooled, names, level, exclusive=exclusive)
    answers = []
    for place, (name, model) in enumerate(zip(names, models, strict=True)):
        answers.append(
            CauseAnswer(
                cause=name,
                label=vocabulary("return_causes")[name].label,
                thumbs=sum(study.counts.get(name, 0) for study in pooled),
                studies=sum(study.counts.get(name, 0) > 0 for study in pooled),
                share_with_overlapping=share_with_all(told, names, place, level) if beside else None,
                **(model.numbers(of_many) if drawn is None else drawn.numbers(place, of_many)),
                **_of_one_study(of_one, name),
                share_beside=None if drawn is None else model.stated.estimate(predicted=False),
            )
        )
    return CausesResult(
        technique=technique,
        model="single_study" if single else second if drawn is None else "logistic_normal",
        level=level,
        exclusive=exclusive,
        studies=tuple(study.study for study in told),
        overlapping=tuple(study.study for study in told if study.overlap),
        overlapping_thumbs=sum(study.returned for study in told if study.overlap),
        thumbs_returned=sum(study.returned for study in told),
        not_stated=sum(study.not_stated for study in told),
        thumbs_stated=_stated(pooled),
        causes=tuple(answers),
        **_spreads(models[0], drawn, second, exclusive=exclusive),
        **_whole_rates(pooled, names, level, drawn, rates),
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
        notes=(*notes, *told_of_draws, *_few(told)),
        references=_references(drawn, single=single),
    )


def _drawn(
    pooled: Sequence[StudyReturns], names: Sequence[str], level: float, *, exclusive: bool
) -> tuple[LogisticGroup | None, list[str]]:
    """Return the model to be read, and what is to be said of the two; None where it could not be drawn."""
    try:
        return LogisticGroup(pooled, names, level, exclusive=exclusive), [TWO_MODELS]
    except NotEstimableError as error:
        return None, [f"{error} (logistic-normal). {UNLIKE}"]


def _spreads(
    model: CauseModels, drawn: LogisticGroup | None, second: ModelName, *, exclusive: bool
) -> dict[str, Any]:
    """Return the spread between studies by model, and what the draws are worth."""
    tau = model.stated.tau() if exclusive else None
    if drawn is None:
        return {"tau": tau}
    return {
        "tau": drawn.tau if exclusive else None,
        "model_beside": second,
        "tau_beside": tau,
        "sampling_error": drawn.error,
    }


def _of_one_study(rates: Mapping[Size, WholeRate], name: str) -> dict[str, Any]:
    """Return rates of a cause that only one study gives the size for: what it counted, with exact limits."""
    found = {}
    for size, rate in rates.items():
        study = rate.known[0]
        found[PER[size]] = rate.exact(study.counts.get(name, 0))
        if study.not_stated:
            found[f"{PER[size]}_if_all"] = rate.exact(study.counts.get(name, 0) + study.not_stated)
    return found


def _whole_rates(
    pooled: Sequence[StudyReturns],
    names: Sequence[str],
    level: float,
    drawn: LogisticGroup | None,
    rates: Mapping[Size, WholeRate],
) -> dict[str, Any]:
    """Return the rates of all causes, and of thumbs without a stated one, which complete the parts."""
    found: dict[str, Any] = {f"all_{PER[size]}": rate.estimate() for size, rate in rates.items()}
    if not any(study.not_stated for study in pooled):
        return found
    for size, rate in rates.items():
        if rate.k == 1:
            found[f"not_stated_{PER[size]}"] = rate.exact(rate.known[0].not_stated)
        elif drawn is not None:
            found[f"not_stated_{PER[size]}"] = drawn.lost_rate(rate)
        else:
            found[f"not_stated_{PER[size]}"] = rate.part(lost_share(pooled, names, level))
    return found


def _references(drawn: LogisticGroup | None, *, single: bool) -> tuple[str, ...]:
    if single:
        return ("clopper_pearson_1934",)
    beside = ("mosimann_1962", "berger_2015")
    return beside if drawn is None else ("aitchison_shen_1980", "hesterberg_1995", *beside)


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


def _few(told: Sequence[StudyReturns]) -> list[str]:
    returned = sum(study.returned for study in told)
    return [f"Only {returned} thumbs came back in all: shares say little."] if returned < FEW_RETURNS else []
