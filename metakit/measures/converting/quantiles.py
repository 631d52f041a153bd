"""Mean and standard deviation from a median with range, quartiles, or both.

The formulas assume normal data. `skewness` says when the five numbers contradict that; then the study is
better left as a median.

References
----------
Wan X, Wang W, Liu J, Tong T (2014). BMC Med Res Methodol 14:135 (standard deviation).
Luo D, Wan X, Liu J, Tong T (2018). Stat Methods Med Res 27:1785-1805 (mean; formulas from memory).
Shi J, Luo D, Weng H, et al. (2020). Res Synth Methods 11:641-654 (standard deviation from all five numbers).
Shi J, Luo D, Wan X, et al. (2023). Stat Methods Med Res 32:1338-1360 (skewness; formulas from memory).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

from scipy import special

from metakit.errors import NotEstimableError, UsageError
from metakit.measures.converting.derived import Derived, required_size, shown
from metakit.measures.converting.order_statistics import expected_normal_order_statistic

Constants = Literal["formula", "exact"]
Pattern = Literal["range", "quartiles", "five_numbers"]


class Skewness(NamedTuple):
    """Shi's statistic, its 5 % critical value, and whether the statistic exceeds it."""

    statistic: float
    critical: float
    skewed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantiles:
    """A median with what stands beside it in a report, of `total` observations.

    Raises
    ------
    UsageError
        When the numbers are out of order, when neither range nor quartiles are complete, or n is too small.
    """

    total: float
    median: float
    minimum: float | None = None
    first_quartile: float | None = None
    third_quartile: float | None = None
    maximum: float | None = None

    def __post_init__(self) -> None:
        required_size("the number behind a median", self.total, fewest=3)
        _ = self.pattern  # raises when neither pair is complete
        order = [
            (name, value)
            for name in ("minimum", "first_quartile", "median", "third_quartile", "maximum")
            if (value := getattr(self, name)) is not None
        ]
        for name, value in order:
            if not math.isfinite(value):
                raise UsageError(f"{name.replace('_', ' ')} must be a finite number, not {value:g}")
        for (low_name, low), (high_name, high) in itertools.pairwise(order):
            if low > high:
                raise UsageError(
                    f"{low_name.replace('_', ' ')} {low:g} lies above {high_name.replace('_', ' ')} {high:g}"
                )
        if order[0][1] == order[-1][1]:
            raise UsageError("the quantiles are all equal, so that no spread follows from them")

    @property
    def pattern(self) -> Pattern:
        """Which of the three patterns is complete; all five numbers where they are."""
        quartiles = self.first_quartile is not None and self.third_quartile is not None
        ends = self.minimum is not None and self.maximum is not None
        if quartiles and ends:
            return "five_numbers"
        if quartiles:
            return "quartiles"
        if ends:
            return "range"
        raise UsageError("a median needs both quartiles or both ends of the range beside it")

    @property
    def range_width(self) -> float:
        """Maximum minus minimum."""
        return float(self.maximum or 0.0) - float(self.minimum or 0.0)

    @property
    def quartile_width(self) -> float:
        """Third minus first quartile."""
        return float(self.third_quartile or 0.0) - float(self.first_quartile or 0.0)

    @property
    def middle_of_range(self) -> float:
        """Mean of minimum and maximum."""
        return (float(self.minimum or 0.0) + float(self.maximum or 0.0)) / 2

    @property
    def middle_of_quartiles(self) -> float:
        """Mean of the quartiles."""
        return (float(self.first_quartile or 0.0) + float(self.third_quartile or 0.0)) / 2

    def __str__(self) -> str:
        text = f"median {shown(self.median)}"
        if self.pattern != "range":
            text += f", quartiles {self.first_quartile:.6g} and {self.third_quartile:.6g}"
        if self.pattern != "quartiles":
            text += f", range {self.minimum:.6g} to {self.maximum:.6g}"
        return f"{text}, n {shown(self.total)}"


def range_constant(total: float, constants: Constants = "formula") -> float:
    """Return xi(n), the expected range of n standard normal observations.

    `exact` computes twice the expected largest value (Wan's table 1 to all digits); `formula` is Blom's
    approximation 2 Phi^-1((n - 0.375)/(n + 0.25)), 4.5 % above it at n = 2 and within 1 % from n = 7.

    Examples
    --------
    >>> round(range_constant(10, "exact"), 3)
    3.078
    """
    if constants == "exact" and total == int(total):
        return 2 * expected_normal_order_statistic(int(total), int(total))
    return 2 * float(special.ndtri((total - 0.375) / (total + 0.25)))


def quartile_constant(total: float, constants: Constants = "formula") -> float:
    """Return eta(n), the expected distance of the quartiles of n standard normal observations.

    `exact` gives the expectation where n = 4Q + 1, for which the quartiles are observations (Wan's table 2);
    elsewhere, and with `formula`, 2 Phi^-1((0.75 n - 0.125)/(n + 0.25)).
    """
    if constants == "exact" and total == int(total) and int(total) % 4 == 1 and total >= 5:
        return 2 * expected_normal_order_statistic(3 * (int(total) // 4) + 1, int(total))
    return 2 * float(special.ndtri((0.75 * total - 0.125) / (total + 0.25)))


def sd_from_quantiles(
    given: Quantiles, *, rule: Literal["wan", "shi"] | None = None, constants: Constants = "formula"
) -> Derived[float]:
    """Return the standard deviation behind quantiles.

    Parameters
    ----------
    given : Quantiles
        The report's numbers.
    rule : {"wan", "shi"}, optional
        Default: Shi's weighted form where all five numbers are given, Wan's else. Wan's form for five numbers
        is the plain average of his other two.
    constants : {"formula", "exact"}
        Published approximation of the normal constants, or their exact values.

    Returns
    -------
    Derived of float
        `doubt` is set when the quantiles contradict normal data.

    References
    ----------
    Wan et al. (2014); Shi et al. (2020).

    Examples
    --------
    >>> five = Quantiles(total=60, minimum=2, first_quartile=7, median=10, third_quartile=14, maximum=30)
    >>> round(sd_from_quantiles(five, rule="wan").value, 4)
    5.6855
    """
    n, pattern = given.total, given.pattern
    rule = rule or ("shi" if pattern == "five_numbers" else "wan")
    if rule == "shi" and pattern != "five_numbers":
        raise UsageError("Shi's standard deviation needs the quartiles and both ends of the range")
    by_range = given.range_width / range_constant(n, constants)
    by_quartiles = given.quartile_width / quartile_constant(n, constants)
    if pattern == "five_numbers":
        weight = 1 / (1 + 0.07 * n**0.6) if rule == "shi" else 0.5
        value = weight * by_range + (1 - weight) * by_quartiles
    else:
        value = by_range if pattern == "range" else by_quartiles
    if value <= 0:
        raise NotEstimableError("the quartiles are equal, so that no spread follows from them")
    return Derived(
        value=value,
        rule=f"standard deviation from the {_WORDS[pattern]}, assuming normal data",
        inputs=f"{given} -> SD {shown(value)}",
        reference="shi_2020" if rule == "shi" else "wan_2014",
        doubt=doubt_of(given),
    )


def mean_from_quantiles(given: Quantiles, *, rule: Literal["luo", "wan"] = "luo") -> Derived[float]:
    """Return the mean behind quantiles.

    Parameters
    ----------
    given : Quantiles
        The report's numbers.
    rule : {"luo", "wan"}
        Luo's weights, which depend on n, or the fixed ones that Wan took over from earlier work.

    Returns
    -------
    Derived of float
        `doubt` is set when the quantiles contradict normal data.

    References
    ----------
    Luo et al. (2018); Wan et al. (2014).

    Examples
    --------
    >>> quartiles = Quantiles(total=60, first_quartile=7, median=10, third_quartile=14)
    >>> round(mean_from_quantiles(quartiles).value, 5)
    10.35325
    """
    n, pattern = given.total, given.pattern
    ends, quartiles = given.middle_of_range, given.middle_of_quartiles
    of_ends = of_quartiles = 0.0
    if rule == "wan":
        of_ends, of_quartiles = {"range": (0.5, 0.0), "quartiles": (0.0, 2 / 3), "five_numbers": (0.25, 0.5)}[
            pattern
        ]
    elif pattern == "range":
        of_ends = 4 / (4 + n**0.75)
    elif pattern == "quartiles":
        of_quartiles = 0.7 + 0.39 / n
    else:
        of_ends, of_quartiles = 2.2 / (2.2 + n**0.75), 0.7 - 0.72 / n**0.55
    value = of_ends * ends + of_quartiles * quartiles + (1 - of_ends - of_quartiles) * given.median
    return Derived(
        value=value,
        rule=f"mean from the {_WORDS[pattern]}, assuming normal data",
        inputs=f"{given} -> mean {shown(value)}",
        reference="luo_2018" if rule == "luo" else "wan_2014",
        doubt=doubt_of(given),
    )


def skewness(given: Quantiles) -> Skewness:
    """Test at the 5 % level whether quantiles can come from normal data.

    The statistic compares the two sides of the median. Exceeding the critical value means: do not turn these
    numbers into a mean and standard deviation. Not exceeding it proves nothing in a small study.

    Parameters
    ----------
    given : Quantiles
        The report's numbers.

    Returns
    -------
    Skewness

    References
    ----------
    Shi J, Luo D, Wan X, Liu Y, Liu J, Bian Z, Tong T (2023). Stat Methods Med Res 32:1338-1360. The formulas
    are from memory; their size under normal data is tested by simulation.
    """
    n = given.total
    of_range = of_quartiles = 0.0
    if given.pattern != "quartiles" and given.range_width > 0:
        of_range = 2 * abs(given.middle_of_range - given.median) / given.range_width
    if given.pattern != "range" and given.quartile_width > 0:
        of_quartiles = 2 * abs(given.middle_of_quartiles - given.median) / given.quartile_width
    if given.pattern == "range":
        statistic, critical = of_range, 1.01 / math.log(n + 9) + 2.43 / (n + 1)
    elif given.pattern == "quartiles":
        statistic, critical = of_quartiles, 2.66 / math.sqrt(n) - 5.92 / n**2
    else:
        statistic = max(2.65 * math.log(0.6 * n) / math.sqrt(n) * of_range, of_quartiles)
        critical = 2.97 / math.sqrt(n) - 39.1 / n**3
    return Skewness(statistic, critical, statistic > critical)


def doubt_of(given: Quantiles) -> str:
    """Return what to tell the reader when the quantiles look skewed, "" when they do not."""
    test = skewness(given)
    if not test.skewed:
        return ""
    return (
        f"the numbers look skewed (statistic {test.statistic:.2f} above {test.critical:.2f}): do not "
        "convert them; "
        "keep the median, or show the analysis without this study"
    )


_WORDS = {
    "range": "median and range",
    "quartiles": "median and quartiles",
    "five_numbers": "median, quartiles and range",
}
