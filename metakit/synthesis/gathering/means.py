"""Mean, standard deviation and number of one arm, from whatever the report gives.

The spread is taken from the first of these that is reported: standard deviation, standard error, interval of
the mean, quartiles or range, what the report says about the difference of the arms. Every derivation becomes
a row of the assumption log.
"""

from __future__ import annotations

from metakit.core.notes import Assumption
from metakit.core.records import Arm, StudyRecord
from metakit.core.values import OutcomeValue
from metakit.errors import MetakitError
from metakit.measures.converting.derived import Derived
from metakit.measures.converting.quantiles import Quantiles, doubt_of, mean_from_quantiles, sd_from_quantiles
from metakit.measures.converting.spread import sd_from_interval, sd_from_standard_error
from metakit.synthesis.gathering.contrasts import sd_behind_contrast
from metakit.synthesis.gathering.rows import Choices, UnusableError


def mean_and_spread(
    name: str, study: StudyRecord, arm: Arm, value: OutcomeValue, choices: Choices
) -> tuple[dict[str, float], list[Assumption]]:
    """Return `mean`, `sd` and `total` of one arm with the steps that led there.

    Raises
    ------
    UnusableError
        When mean or spread do not follow from the report: no spread at all, skewed quartiles, a mean outside
        its own interval.
    """
    log: list[Assumption] = []
    total = _number(name, arm, value, log)
    if value.mean is None and value.median is None:
        raise UnusableError(f"{arm.label}: neither a mean nor a median is reported")
    _check_interval(arm, value)
    try:
        mean = (
            value.mean if value.mean is not None else _from_quantiles(name, arm, value, total, choices, log)
        )
        sd = _spread(name, study, arm, value, total, choices, log)
    except MetakitError as error:
        raise UnusableError(f"{arm.label}: {error}") from error
    return {"mean": float(mean), "sd": sd, "total": total}, log


def _number(name: str, arm: Arm, value: OutcomeValue, log: list[Assumption]) -> float:
    if value.n is not None:
        number = value.n
    else:
        patients = value.unit_of_analysis == "patients"
        taken = arm.patients if patients else arm.thumbs
        if taken is None:
            raise UnusableError(f"{arm.label}: the number behind the mean is not reported")
        number = taken
        log.append(
            Assumption(
                study=name,
                rule=f"number of {'patients' if patients else 'thumbs'} taken from the arm, since the "
                f"outcome gives none",
                inputs=f"{arm.label}: {taken}",
            )
        )
    if number < 2:
        raise UnusableError(f"{arm.label}: {number} measured; a spread needs two")
    return float(number)


def _check_interval(arm: Arm, value: OutcomeValue) -> None:
    lower, upper = value.interval_lower, value.interval_upper
    if value.mean is None or lower is None or upper is None or lower <= value.mean <= upper:
        return
    raise UnusableError(
        f"{arm.label}: the mean {value.mean:g} lies outside its own interval, {lower:g} to {upper:g}; "
        "one of them has a wrong sign or number"
    )


def _spread(
    name: str,
    study: StudyRecord,
    arm: Arm,
    value: OutcomeValue,
    total: float,
    choices: Choices,
    log: list[Assumption],
) -> float:
    if value.standard_deviation is not None:
        if value.standard_deviation <= 0:
            raise UnusableError(
                f"{arm.label}: a standard deviation of {value.standard_deviation:g} is impossible"
            )
        return float(value.standard_deviation)
    if value.standard_error is not None:
        return _logged(name, arm, sd_from_standard_error(value.standard_error, total), log)
    if value.interval_lower is not None and value.interval_upper is not None:
        level = value.interval_level if value.interval_level is not None else 0.95
        return _logged(
            name, arm, sd_from_interval(value.interval_lower, value.interval_upper, total, level=level), log
        )
    quantiles = _quantiles(arm, value, total)
    if quantiles is not None:
        _refuse_unless_allowed(arm, quantiles, choices)
        return _logged(name, arm, sd_from_quantiles(quantiles), log)
    behind = sd_behind_contrast(study, arm, value)
    if behind is not None:
        return _logged(name, arm, behind, log)
    if choices.borrowed_sd is not None:
        log.append(
            Assumption(
                study=name,
                rule="standard deviation borrowed from the other studies of the same outcome (their median)",
                inputs=f"{arm.label}: SD {choices.borrowed_sd:.3g}",
                reference="handbook",
            )
        )
        return choices.borrowed_sd
    raise UnusableError(
        f"{arm.label}: a mean without any spread (no SD, standard error, interval or quartiles)"
    )


def _from_quantiles(
    name: str, arm: Arm, value: OutcomeValue, total: float, choices: Choices, log: list[Assumption]
) -> float:
    quantiles = _quantiles(arm, value, total)
    if quantiles is None:
        raise UnusableError(f"{arm.label}: a median without quartiles or range gives no mean")
    _refuse_unless_allowed(arm, quantiles, choices)
    return _logged(name, arm, mean_from_quantiles(quantiles), log)


def _refuse_unless_allowed(arm: Arm, quantiles: Quantiles, choices: Choices) -> None:
    if not choices.derive_from_median:
        raise UnusableError(f"{arm.label}: only a median is reported")
    doubt = doubt_of(quantiles)
    if doubt:
        raise UnusableError(f"{arm.label}: {doubt}")


def _quantiles(arm: Arm, value: OutcomeValue, total: float) -> Quantiles | None:
    quartiles = value.first_quartile is not None and value.third_quartile is not None
    ends = value.minimum is not None and value.maximum is not None
    if value.median is None or not (quartiles or ends):
        return None
    return Quantiles(
        total=total,
        median=value.median,
        minimum=value.minimum if ends else None,
        first_quartile=value.first_quartile if quartiles else None,
        third_quartile=value.third_quartile if quartiles else None,
        maximum=value.maximum if ends else None,
    )


def _logged(name: str, arm: Arm, derived: Derived[float], log: list[Assumption]) -> float:
    step = derived.assumption(name)
    log.append(
        Assumption(
            study=step.study, rule=step.rule, inputs=f"{arm.label}: {step.inputs}", reference=step.reference
        )
    )
    return float(derived.value)
