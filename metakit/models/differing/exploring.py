"""All exploring methods of one table in one answer, one key a method."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from metakit.core.effects import EffectTable
from metakit.core.sharing import Mapper
from metakit.core.written import decimals_for, on_axis
from metakit.errors import UnknownNameError, UsageError
from metakit.measures.natural import natural_of
from metakit.models.differing import again
from metakit.models.differing import all_subsets as subsets
from metakit.models.differing import fragility as fragile
from metakit.models.differing import influence as influences
from metakit.models.differing.meta_regression import meta_regression
from metakit.models.differing.residual_tau2 import test_of_interval
from metakit.models.differing.subgroups import subgroups
from metakit.models.inference import DEFAULT_INFERENCE, INFERENCES, likelihood_of
from metakit.models.small_studies import trim_and_fill as filling
from metakit.models.small_studies.small_study import SMALL_STUDY_TESTS, small_study_test, suitable_test
from metakit.models.small_studies.small_study_adjustments import (
    SMALL_STUDY_ADJUSTMENTS,
    AdjustmentOptions,
    small_study_adjustment,
)

SUITABLE = "suitable"


@dataclass(frozen=True, slots=True, kw_only=True)
class SubsetRequest:
    """What is asked of the subsets: studies to mark, estimator, seed, and where the work is done."""

    chosen: tuple[str, ...] = ()
    tau2: str = "dersimonian_laird"
    seed: int = subsets.SEED
    mapper: Mapper = map
    progress: Callable[[float], None] | None = None


def explore(
    table: EffectTable,
    *,
    moderators: Sequence[str] = (),
    permutations: int = 0,
    subgroup: str | None = None,
    common_tau2: bool = False,
    tests: Sequence[str] = (),
    force: bool = False,
    leave_one_out: bool = False,
    influence: bool = False,
    fragility: bool = False,
    cumulative: str | None = None,
    trim_and_fill: str | None = None,
    cut_points: tuple[float, ...] | None = None,
    favoured: str | None = None,
    all_subsets: SubsetRequest | None = None,
    tau2: str | None = None,
    interval: str | None = None,
    inference: str = DEFAULT_INFERENCE,
    level: float = 0.95,
) -> dict[str, Any]:
    """Run what is asked for and return the answers by method, ready for JSON.

    `tests` names small-study tests and adjustments (PET-PEESE, selection model, limit meta-analysis);
    `cut_points` belong to the selection model, `favoured` to it and to PET-PEESE. A named `tau2`
    or `interval` is that of every answer, coefficients of regressions included; with neither, the `inference`
    answers.

    Raises
    ------
    UsageError
        If nothing was asked for.
    """
    answer: dict[str, Any] = {"measure": table.measure}
    mean_interval, estimator = interval or "hartung_knapp_floor", tau2 or "reml"
    if moderators:
        found = meta_regression(
            table,
            moderators,
            tau2=tau2,
            test=test_of_interval(interval) if interval else None,
            inference=inference,
            level=level,
            permutations=permutations,
        )
        answer["meta_regression"] = found.to_json()
    if subgroup:
        grouped = subgroups(
            table,
            subgroup,
            common_tau2=common_tau2,
            tau2=tau2,
            interval=interval,
            inference=inference,
            level=level,
        )
        answer["subgroups"] = grouped.to_json()
    method = _method(table, tau2, interval, inference, level)
    if leave_one_out:
        answer["leave_one_out"] = [row.to_json() for row in again.without_each(table, method)]
    if influence:
        how = tau2 or ("reml" if interval or inference != influences.HALF_NORMAL else influences.HALF_NORMAL)
        answer["influence"] = [asdict(row) for row in influences.influence(table, tau2=how)]
    if fragility:
        usable = table.select(again.usable(table))
        answer["fragility"] = fragile.fragility(usable, method.pool(usable, beside=True)).to_json()
    if cumulative:
        added = again.growing(table, numbers_of(table, cumulative), method)
        answer["cumulative"] = [row.to_json() for row in added]
    for name in tests:
        chosen = suitable_test(table.measure) if name == SUITABLE else name
        if chosen in SMALL_STUDY_ADJUSTMENTS:
            options = AdjustmentOptions(level=level, tau2=estimator, cut_points=cut_points, favoured=favoured)
            adjusted = small_study_adjustment(table, chosen, force=force, options=options)
            answer[chosen] = adjusted.to_json()
        elif chosen in SMALL_STUDY_TESTS:
            answer[chosen] = small_study_test(table, chosen, force=force).to_json()
        else:
            valid = (*SMALL_STUDY_TESTS.names(), *SMALL_STUDY_ADJUSTMENTS.names())
            raise UnknownNameError("small-study test or adjustment", chosen, valid)
    if trim_and_fill:
        usable = table.select(table.estimable)
        filled = filling.trim_and_fill(
            usable.effect,
            usable.variance,
            estimator=trim_and_fill,
            tau2=tau2,
            interval=mean_interval,
            level=level,
        )
        answer["trim_and_fill"] = filled.to_json()
    if all_subsets is not None:
        cloud = subsets.all_subsets(
            table,
            tau2=all_subsets.tau2,
            seed=all_subsets.seed,
            mapper=all_subsets.mapper,
            progress=all_subsets.progress,
        )
        answer["all_subsets"] = cloud.to_json(all_subsets.chosen)
    if len(answer) == 1:
        raise UsageError(
            "nothing to explore was named; ask for moderators, a subgroup, tests, leave-one-out, influence, "
            "fragility, a cumulative order, trim and fill or all subsets"
        )
    answer["set_aside"] = [{"study": item.study, "reason": item.reason} for item in table.set_aside]
    return answer


def _method(
    table: EffectTable, tau2: str | None, interval: str | None, inference: str, level: float
) -> again.Method:
    """Return the method of every answer that is asked again; how counts enter is decided for all studies."""
    if tau2 or interval:
        return again.Method(model="random_effects", tau2=tau2, interval=interval, level=level)
    return again.Method(inference=INFERENCES[inference].name, likelihood=likelihood_of(table), level=level)


def numbers_of(table: EffectTable, column: str) -> list[float]:
    """Return a moderator as numbers to put studies in order, NaN where it is missing."""
    if column not in table.moderators:
        raise UnknownNameError("column to add studies by", column, table.moderators)
    numbers = []
    for study, value in zip(table.study, table.moderators[column], strict=True):
        if value is None or value == "":
            numbers.append(math.nan)
        elif isinstance(value, (int, float)):
            numbers.append(float(value))
        else:
            raise UsageError(f"{column} of {study} is {value!r}; an order needs numbers")
    return numbers


def exploring_text(answer: Mapping[str, Any], table: EffectTable) -> str:
    """Say the answers in plain text, in natural units where the scale allows it."""
    unit = say_natural(table)[1]
    lines: list[str] = ["", f"{natural_of(table).heading}, in {unit}"] if unit else []
    for key, found in answer.items():
        if key in ("measure", "set_aside"):
            continue
        lines += ["", heading_of(key), *lines_of(key, found, table)]
        lines += [f"  {note}" for note in (found.get("notes", ()) if isinstance(found, dict) else ())]
    if answer.get("set_aside"):
        lines += ["", "Set aside", *(f"  {item['study']}: {item['reason']}" for item in answer["set_aside"])]
    return "\n".join(lines[1:])


def say_natural(table: EffectTable) -> tuple[Natural, str]:
    """Return what writes a value of the analysis scale in natural units, all alike, and the unit."""
    units = natural_of(table)
    known, half = table.effect[table.estimable], 1.96 * np.sqrt(table.variance[table.estimable])
    with np.errstate(over="ignore"):  # a limit beyond numbers has no decimals
        widths = np.abs(units.values(known + half) - units.values(known - half))
    decimals = decimals_for((100 if units.axis == "percent" else 1) * widths)

    def natural(value: float) -> str:
        return on_axis(units.value(value), units.axis, decimals)

    return natural, units.unit or ("%" if units.axis == "percent" else "")


def lines_of(key: str, found: Any, table: EffectTable) -> list[str]:
    """Return the lines that tell one question that was explored."""
    natural, _ = say_natural(table)
    writer: Writer = _WRITERS.get(key, _test_lines)
    return writer(found, natural, lambda pair: f"{natural(pair[0])} to {natural(pair[1])}")


def heading_of(key: str) -> str:
    """Return what a question is called."""
    label = SMALL_STUDY_ADJUSTMENTS[key].label if key in SMALL_STUDY_ADJUSTMENTS else key.replace("_", " ")
    return label[:1].upper() + label[1:]


Natural = Callable[[float], str]
Pair = Callable[[Sequence[float]], str]
Writer = Callable[[Any, Natural, Pair], list[str]]


def _regression_lines(found: Mapping[str, Any], natural: Natural, limits: Pair) -> list[str]:
    lines = [
        f"  {row['term']}: {row['estimate']:.4g} ({row['interval'][0]:.4g} to {row['interval'][1]:.4g}), "
        f"p {row['p_value']:.3g}"
        + (f", by permutation {row['permutation_p']:.3g}" if row["permutation_p"] is not None else "")
        for row in found["coefficients"]
    ]
    share = "" if found["r2"] is None else f"; moderators take away {100 * found['r2']:.0f} % of tau\u00b2"
    for name, rows in found["beside"].items():
        slopes = ", ".join(
            f"{row['term']} {row['estimate']:.4g} ({row['interval'][0]:.4g} to {row['interval'][1]:.4g})"
            for row in rows[1:]
        )
        lines.append(f"  beside it, {INFERENCES[name].label}: {slopes}")
    lines.append(f"  residual tau {math.sqrt(found['tau2']):.3g}{share}; {found['k']} studies")
    return lines


def _subgroup_lines(found: Mapping[str, Any], natural: Natural, limits: Pair) -> list[str]:
    lines = [
        f"  {row['level']}: {natural(row['estimate'])} ({limits(row['interval'])}), "
        f"{row['k']} {'study' if row['k'] == 1 else 'studies'}"
        for row in found["levels"]
    ]
    between = found["between"]
    lines.append(
        f"  between groups: Q {between['value']:.4g} on {between['df']:g} degrees of freedom, "
        f"p {between['p_value']:.3g}"
    )
    return lines


def _subset_lines(found: Sequence[Mapping[str, Any]], natural: Natural, limits: Pair) -> list[str]:
    return [
        f"  {row['study']}: {natural(row['estimate'])} ({limits(row['interval'])})"
        if row["interval"]
        else f"  {row['study']}: no answer, {row['reason_not_estimable']}"
        for row in found
    ]


def _influence_lines(found: Sequence[Mapping[str, Any]], natural: Natural, limits: Pair) -> list[str]:
    return [
        f"  {row['study']}: residual {row['studentised']:.2f}, weight {100 * row['hat']:.1f} %, "
        f"shift of the mean {row['cook']:.2f}" + (f" ({', '.join(row['flagged'])})" if row["flagged"] else "")
        for row in found
    ]


def _test_lines(found: Mapping[str, Any], natural: Natural, limits: Pair) -> list[str]:
    error = "" if found["standard_error"] is None else f" (standard error {found['standard_error']:.3g})"
    return [f"  {found['estimate']:.3g}{error}, p {found['p_value']:.3g}, {found['k']} studies"]


def _fragility_lines(found: Mapping[str, Any], natural: Natural, limits: Pair) -> list[str]:
    events = found["one_event"]
    if events["reason"]:
        lines = [f"  single events were not tried: {events['reason']}"]
    else:
        lead = "hangs on one event" if events["flips"] else "does not hang on one event"
        lines = [
            f"  {lead}: {events['tried']} changes of one event give {natural(events['lowest'])} to "
            f"{natural(events['highest'])}"
        ]
        lines += [
            f"    {flip['study']}, one event {'more' if flip['change'] > 0 else 'less'} in arm "
            f"{flip['arm']}: {natural(flip['estimate'])} ({limits(flip['interval'])})"
            for flip in events["flips"]
        ]
    for key, what in (("spread", "how spread is treated"), ("empty_arms", "how empty arms are treated")):
        if found[f"depends_on_{key}"]:
            lines.append(f"  depends on {what}: {', '.join(found[key])} on the other side")
    return lines


def _filled_lines(found: Mapping[str, Any], natural: Natural, limits: Pair) -> list[str]:
    return [
        f"  {found['number_missing']} filled in on the {found['side']}: {natural(found['estimate'])} "
        f"({limits(found['interval'])})"
    ]


def _adjusted_lines(found: Mapping[str, Any], natural: Natural, limits: Pair) -> list[str]:
    low, high = (
        math.copysign(math.inf, side) if limit is None else limit
        for side, limit in zip((-1, 1), found["interval"], strict=True)
    )
    lines = [f"  {natural(found['estimate'])} ({limits((low, high))}), {found['k']} studies"]
    for step in found.get("steps", ()):
        lines.append(
            f"  p above {step['p_above']:g} up to {step['p_up_to']:g}: {step['studies']} studies, "
            f"relative weight {step['weight']:.2f}"
        )
    if "selection_test" in found:
        lines.append(f"  likelihood-ratio test of selection: p {found['selection_test']['p_value']:.3g}")
    return lines


def _cloud_lines(found: Mapping[str, Any], natural: Natural, limits: Pair) -> list[str]:
    def spread(cloud: Mapping[str, float]) -> str:
        return f"{natural(cloud['0.5'])} (middle 95 %: {limits((cloud['0.025'], cloud['0.975']))})"

    which = "all of them" if found["all_of_them"] else f"drawn at random, seed {found['seed']}"
    lines = [f"  {found['subsets']} subsets ({which}): median {spread(found['estimate'])}"]
    for mark in found["chosen"]:
        lines.append(f"  with {mark['study']}: median {spread(mark['with_it'])}")
        lines.append(f"  without {mark['study']}: median {spread(mark['without_it'])}")
    return lines


_WRITERS: dict[str, Writer] = {
    "pet_peese": _adjusted_lines,
    "selection_model": _adjusted_lines,
    "limit_meta_analysis": _adjusted_lines,
    "all_subsets": _cloud_lines,
    "meta_regression": _regression_lines,
    "subgroups": _subgroup_lines,
    "leave_one_out": _subset_lines,
    "cumulative": _subset_lines,
    "influence": _influence_lines,
    "fragility": _fragility_lines,
    "trim_and_fill": _filled_lines,
}
