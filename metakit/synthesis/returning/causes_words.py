"""Why thumbs come back, in words: shares of the returns, rates, bounds, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.core.causes import CauseAnswer, Causes, CausesResult, Estimate
from metakit.core.limits import Limits
from metakit.core.written import count, fixed, listed, per_100

CAUTION = (
    "A report names the cause that somebody saw: residual bone and arthritis next door are found only where "
    "they are looked for, and a low number of returns may be reluctance to operate again."
)


def _hundred(share: float) -> str:
    """Write a share per 100; what is nearly nothing as such, not as a power of ten."""
    return "under 0.01" if 0 < 100 * share < 0.005 else per_100(100 * share)


def limits_words(limits: Limits) -> str:
    """Write an interval per 100."""
    return f"{_hundred(limits.lower)} to {_hundred(limits.upper)}"


def estimate_words(estimate: Estimate) -> str:
    """Write a share or rate per 100 with its interval."""
    return f"{_hundred(estimate.median)} ({limits_words(estimate.interval)})"


def rate_words(estimate: Estimate) -> str:
    """Write a rate per 100 with its interval, two decimals below 1."""
    low, high = estimate.interval
    return f"{_rate(estimate.median)} ({_rate(low)} to {_rate(high)})"


def rate_limits_words(limits: Limits) -> str:
    """Write an interval of a rate per 100."""
    return f"{_rate(limits.lower)} to {_rate(limits.upper)}"


def _rate(value: float) -> str:
    return fixed(100 * value, 2) if 100 * value < 0.995 else per_100(100 * value)


def kind_of_interval(result: CausesResult) -> str:
    """Say once what kind of interval the answers have, and what it assumes."""
    percent = f"{100 * result.level:g} %"
    if result.model == "single_study":
        return (
            f"One study: what it counted, with exact {percent} limits. Other centres are not in them; the "
            "wider limits are those for the mean of centres like it."
        )
    return (
        f"Medians with {percent} credible intervals: the share lies between the limits with that "
        "probability, if all causes together weigh as much as one return beforehand and centres differ as "
        "assumed (spread tau below 1.96 with 95 % prior probability)."
    )


def overlap_sentence(result: CausesResult) -> str:
    """Say what studies whose causes overlap do to the sum of the shares; empty where there are none."""
    if not result.overlapping:
        return ""
    it = "it" if len(result.overlapping) == 1 else "them"
    where = (
        f"In {listed(list(result.overlapping))} ({count(result.overlapping_thumbs, 'thumb')} that came back)"
    )
    if result.exclusive:
        return (
            f"{where} a thumb may stand under several causes. Shares are answered without {it} and add up to "
            f"100; with {it}, each cause has a model of its own, and the sum is no longer 100."
        )
    return (
        f"{where} a thumb may stand under several causes: each cause has a model of its own, so that shares "
        "do not add up to 100, nor rates by cause to the rate of all causes."
    )


def spread_sentence(result: CausesResult) -> str:
    """Say how much studies differ; empty for one study and for separate models."""
    if result.tau is None:
        return ""
    return f"Studies differ by a spread tau of {_tau(result.tau)}{_tau_beside(result)}."


def _tau(tau: Estimate) -> str:
    low, high = tau.interval
    return f"{tau.median:.2g} ({low:.2g} to {high:.2g})"


def _tau_beside(result: CausesResult) -> str:
    return f"; {model_beside(result)} {_tau(result.tau_beside)}" if result.tau_beside else ""


def draws_sentence(result: CausesResult) -> str:
    """Say how exact drawn limits are; empty where nothing is drawn."""
    if result.sampling_error is None:
        return ""
    percent = fixed(100 * result.sampling_error, 1)
    return (
        "Limits of the first model come from draws with a fixed seed; the standard error of the least exact "
        f"one is {percent} % of the width of its interval."
    )


def counted_words(answer: CauseAnswer, result: CausesResult) -> str:
    """Say what was counted and what that is of 100, which is no answer: large studies weigh most in it."""
    studies = count(answer.studies, "study", "studies")
    text = f"{answer.thumbs} of {count(result.thumbs_stated, 'thumb')} in {studies}"
    if not answer.thumbs:
        return text
    return f"{text}, added up {per_100(100 * answer.thumbs / result.thumbs_stated)} of 100"


def cause_sentence(answer: CauseAnswer, result: CausesResult) -> str:
    """Say one cause: its share with interval and prediction, bounds, and rates."""
    of = "whose cause is stated" if result.not_stated else "that come back"
    share = answer.share
    text = (
        f"{answer.label}: {_hundred(share.median)} of 100 thumbs {of} "
        f"({100 * result.level:g} % interval {limits_words(share.interval)}"
    )
    if share.prediction is not None:
        text += f"; in a new centre {limits_words(share.prediction)}"
    if share.wider is not None:
        text += f"; for the mean of centres like it {limits_words(share.wider)}"
    if answer.share_with_overlapping is not None:
        text += f"; with overlapping causes {estimate_words(answer.share_with_overlapping)}"
    text += f"); counted {counted_words(answer, result)}." if answer.thumbs else "); never counted."
    if answer.share_if_none and answer.share_if_all:
        text += (
            f" Of all thumbs that come back {estimate_words(answer.share_if_none)} of 100 if none of those "
            f"without a stated cause came back for it, {estimate_words(answer.share_if_all)} if all did."
        )
    rates = [
        f"{rate_words(rate)} {size}"
        for rate, size in (
            (answer.per_thumb, "of 100 operated thumbs"),
            (answer.per_thumb_year, "per 100 thumb-years"),
        )
        if rate is not None
    ]
    if rates:
        text += f" That is {listed(rates)}."
    beside = answer.share_beside
    if beside is not None:
        text += f" Beside, by the {model_beside(result)}: {estimate_words(beside)} of 100."
    return text


def model_beside(result: CausesResult) -> str:
    """Name the model that stands beside."""
    return (result.model_beside or "").replace("_", "-").replace("dirichlet", "Dirichlet")


def head_sentence(result: CausesResult) -> str:
    """Say how many thumbs came back in how many studies."""
    lost = f", {result.not_stated} of them without a stated cause" if result.not_stated else ""
    return (
        f"{count(result.thumbs_returned, 'thumb')} came back in {count(result.k, 'study', 'studies')}{lost}."
    )


def result_lines(result: CausesResult) -> list[str]:
    """Return everything that is said of one group, a line each."""
    lines = [head_sentence(result), *(cause_sentence(answer, result) for answer in result.causes)]
    told = (
        overlap_sentence(result),
        spread_sentence(result),
        kind_of_interval(result),
        draws_sentence(result),
    )
    return [*lines, *(line for line in told if line)]


def causes_text(found: Causes) -> str:
    """Return the whole answer as text for the terminal."""
    several = bool(found.by_technique)
    lines = ["All techniques together" if several else "Why thumbs come back", *_block(found.overall)]
    for result in found.by_technique:
        lines += ["", result.technique, *_block(result, found.overall.notes)]
    if several:
        lines += ["", "Differences between techniques rest on different studies: they are not effects."]
    return "\n".join([*lines, "", CAUTION])


def _block(result: CausesResult, said: Sequence[str] = ()) -> list[str]:
    lines = [f"  {line}" for line in result_lines(result)]
    for title, items in (
        ("Set aside", [f"{item.study}: {item.reason}" for item in result.set_aside]),
        ("Assumed", [str(item) for item in result.assumptions]),
        ("Notes", [note for note in result.notes if note not in said]),
    ):
        if items:
            lines += [f"  {title}", *(f"    {item}" for item in items)]
    return lines
