"""What a script asks of one table of effects beside the pooled answer; every number is that of `pool`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from metakit.core.answers import Answers, NamedAnswer
from metakit.core.effects import EffectTable
from metakit.core.results import PoolResult
from metakit.errors import ConvergenceError, NotEstimableError
from metakit.models.differing.again import Again, growing, method_of, without_each
from metakit.models.differing.exploring import numbers_of
from metakit.models.pool import pool
from metakit.models.registry import MODELS
from metakit.models.small_studies.small_study import SmallStudyTest, small_study_test, suitable_test


def compare(effects: EffectTable, ways: Mapping[str, Mapping[str, Any]] | Sequence[str]) -> Answers:
    """Pool the same studies in several ways.

    Parameters
    ----------
    effects : EffectTable
    ways : mapping of str to mapping, or sequence of str
        Options of `pool` by a name of one's own: ``{"REML": {"tau2": "reml"}}``; or names of models and of
        estimators of the between-study variance.

    Returns
    -------
    Answers
        In the order given; a way without an answer stands there with its reason.

    Raises
    ------
    UsageError
        For a name that is none, or an option that a model does not have.

    Examples
    --------
    >>> from metakit import effect_sizes
    >>> table = {"study": ["A", "B", "C"], "effect": [0.1, 0.3, 0.2], "variance": [0.01, 0.02, 0.04]}
    >>> answers = compare(effect_sizes(table, measure="generic"), ["reml", "common_effect"])
    >>> answers.to_frame()["estimate"].round(3).tolist()
    [0.171, 0.171]
    """
    if not isinstance(ways, Mapping):
        ways = {name: {"model": name} if name in MODELS else {"tau2": name} for name in ways}
    return Answers(
        what="method", answers=tuple(_asked(name, effects, dict(how)) for name, how in ways.items())
    )


def _asked(name: str, effects: EffectTable, how: dict[str, Any]) -> NamedAnswer:
    try:
        return NamedAnswer(name=name, result=pool(effects, **how))
    except (NotEstimableError, ConvergenceError) as error:
        return NamedAnswer(name=name, result=None, reason=str(error))


def leave_one_out(effects: EffectTable, result: PoolResult | None = None) -> Answers:
    """Pool all studies but one, for each in turn.

    Parameters
    ----------
    effects : EffectTable
    result : PoolResult, optional
        The answer whose method is asked again; the default answer without it.

    Returns
    -------
    Answers
        One row a study that carries information, named by the study left out.

    Raises
    ------
    NotEstimableError
        With fewer than 3 such studies.
    """
    method = method_of(result if result is not None else pool(effects))
    return _answers("without", without_each(effects, method))


def cumulative(effects: EffectTable, by: str | Sequence[float], result: PoolResult | None = None) -> Answers:
    """Pool the first study, the first two, and so on.

    Parameters
    ----------
    effects : EffectTable
    by : str or sequence of float
        A moderator of numbers, such as "year", or one number a study; smallest first.
    result : PoolResult, optional
        The answer whose method is asked again; the default answer without it.

    Raises
    ------
    NotEstimableError
        With fewer than 2 studies, or where `by` is missing for one.
    """
    order = numbers_of(effects, by) if isinstance(by, str) else by
    method = method_of(result if result is not None else pool(effects))
    return _answers("up to", growing(effects, order, method))


def small_study_tests(
    effects: EffectTable, tests: Sequence[str] | None = None, *, force: bool = False
) -> tuple[SmallStudyTest, ...]:
    """Run tests of whether small studies differ.

    Parameters
    ----------
    effects : EffectTable
    tests : sequence of str, optional
        Names in SMALL_STUDY_TESTS; the one that suits the measure without them.
    force : bool
        Run a test that does not suit the data; its notes say so.

    Raises
    ------
    NotEstimableError
        For fewer than 10 studies, unless forced.
    UsageError
        For a test that does not suit the measure, unless forced.
    """
    names = [suitable_test(effects.measure)] if tests is None else list(tests)
    return tuple(small_study_test(effects, name, force=force) for name in names)


def _answers(what: str, found: Sequence[Again]) -> Answers:
    return Answers(
        what=what,
        answers=tuple(NamedAnswer(name=a.study, result=a.result, reason=a.reason) for a in found),
    )
