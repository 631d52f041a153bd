"""Implant survival at a stated time in one arm, from a Kaplan-Meier estimate with its interval or error."""

from __future__ import annotations

from metakit.core.notes import Assumption
from metakit.core.records import Arm
from metakit.core.values import OutcomeValue
from metakit.errors import MetakitError
from metakit.measures.survival import survival_error_from_interval
from metakit.synthesis.gathering.dependence import inflated_error
from metakit.synthesis.gathering.rows import UnusableError


def survival_and_error(
    name: str, arm: Arm, value: OutcomeValue, *, icc: float
) -> tuple[dict[str, float], dict[str, float], list[Assumption]]:
    """Return `survival` (a fraction) with `standard_error` as typed or derived, and after the design effect.

    Parameters
    ----------
    name : str
        The study as shown.
    arm, value : Arm, OutcomeValue
        With the survival in percent, and its interval or Greenwood's standard error, in percent too.
    icc : float
        Correlation between the thumbs of one patient; the error is inflated where patients have two.

    Raises
    ------
    UnusableError
        Without a survival at a stated time or without its error, and for a survival of exactly 0 or 100 %.

    References
    ----------
    Cochrane Handbook, section 23.1.5 (inflated standard errors).
    """
    if value.percent is None:
        raise UnusableError(f"{arm.label}: no survival in percent is typed")
    if value.months is None:
        raise UnusableError(f"{arm.label}: the time of the survival is not stated")
    survival = value.percent / 100
    total = float(value.n or value.total or arm.thumbs or 0)
    shown = {"total": total} if total else {}
    log: list[Assumption] = []
    if survival in (0.0, 1.0):
        raise UnusableError(
            f"{arm.label}: a survival of exactly {value.percent:g} % has no value on the complementary "
            "log-log scale; a rate per thumb-year can take it"
        )
    if value.standard_error is not None:
        error = value.standard_error / 100
        if error <= 0:
            raise UnusableError(f"{arm.label}: a standard error of 0 gives the survival no weight")
    elif value.interval_lower is not None and value.interval_upper is not None:
        level = 0.95 if value.interval_level is None else value.interval_level
        limits = value.interval_lower / 100, value.interval_upper / 100
        try:
            derived = survival_error_from_interval(survival, *limits, level=level)
        except MetakitError as problem:
            raise UnusableError(f"{arm.label}: {problem}") from problem
        error = derived.value
        step = derived.assumption(name)
        log.append(
            Assumption(
                study=name,
                rule=step.rule,
                inputs=f"{arm.label}: {step.inputs}",
                reference=step.reference,
            )
        )
    else:
        raise UnusableError(f"{arm.label}: the survival has neither an interval nor a standard error")
    inflated, more = inflated_error(name, [arm], [value], error, icc=icc)
    return (
        {"survival": survival, "standard_error": error, **shown},
        {"survival": survival, "standard_error": inflated, **shown},
        [*log, *more],
    )
