"""How many more cases would settle it? Sizes at which an interval clears a threshold or a difference is shown."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from outcomes.estimates.binomial import exact_limits, wilson_limits
from outcomes.estimates.estimate import Estimate

MOST = 1_000_000
_LIMITS = {"exact": exact_limits, "wilson": wilson_limits}


@dataclass(frozen=True, slots=True)
class MoreCases:
    """What it would take to turn "not shown" into a verdict.

    Attributes
    ----------
    n : int or None
        Records in all, at which the interval would lie on one side of the threshold were the share to stay as it
        is; None where none up to a million would do.
    more : int or None
        n less the records there are; 0 where the question is settled already.
    assumption : str
        What the number rests on, as a clause without a full stop.
    """

    n: int | None
    more: int | None
    assumption: str


def cases_for_verdict(
    risk: float,
    threshold: float,
    *,
    chance: float = 0.8,
    level: float = 0.95,
    design_effect: float = 1.0,
) -> int | None:
    """How many cases until the exact interval clears the threshold with this chance, if the risk is this?

    The smallest n from which on, for every larger one as well, binomial counts with the given risk have at least the
    given chance of an exact interval (Clopper–Pearson) that lies wholly on the risk's side of the threshold; times
    the design effect, as records of one patient are alike.

    Parameters
    ----------
    risk : float
        Believed true risk, on either side of the threshold, not on it.
    threshold : float
        Standard of the criterion, between 0 and 1.
    chance : float
        0.8: four audits in five would settle it.
    level : float
    design_effect : float
        1 or more, see `outcomes.estimates.proportion.design_effect`.

    Returns
    -------
    int or None
        None where no size up to a million does.

    Raises
    ------
    ValueError
        If risk and threshold are equal or a number lies outside its bounds.

    References
    ----------
    A'Hern RP (2001) Sample size tables for exact single-stage phase II designs. Stat Med 20:859–866.
    doi:10.1002/sim.721

    Examples
    --------
    >>> cases_for_verdict(0.05, 0.20, level=0.90)
    37
    """
    _check(threshold, level, design_effect)
    if not 0 <= risk <= 1 or risk == threshold or not 0 < chance < 1:
        raise ValueError("the risk lies between 0 and 1 and is not the threshold; a chance lies between 0 and 1")
    tail = (1 - level) / 2
    if risk > threshold:
        risk, threshold = 1 - risk, 1 - threshold
    low, high = 0, 64
    while high <= MOST and not _settles(np.arange(high // 2, high + 1), risk, threshold, tail, chance).all():
        low, high = high // 2, high * 2
    if high > MOST:
        return None
    sizes = np.arange(max(1, low), high + 1)
    failed = np.flatnonzero(~_settles(sizes, risk, threshold, tail, chance))
    n = int(sizes[0] if not len(failed) else sizes[failed[-1]] + 1)
    return math.ceil(n * design_effect - 1e-9)


def _settles(n: NDArray[np.int64], risk: float, threshold: float, tail: float, chance: float) -> NDArray[np.bool_]:
    """Whether counts of so many cases have the chance of an upper exact limit under the threshold."""
    most = stats.binom.ppf(tail, n, threshold)
    most = np.where(stats.binom.cdf(most, n, threshold) <= tail, most, most - 1)
    return np.asarray(np.where(most >= 0, stats.binom.cdf(most, n, risk), 0.0) >= chance, dtype=bool)


def more_to_settle(
    answer: Estimate, threshold: float, *, design_effect: float = 1.0, method: str = "exact"
) -> MoreCases:
    """How many more records until the interval lies on one side, were the share to stay as it is?

    The share is held and the number of records grows, each worth ``1/design_effect`` of an independent one, until
    the interval lies wholly above or below the threshold. It is no promise: the share will not stay as it is, and
    about half of such audits need more; `cases_for_verdict` gives the number for a stated chance.

    Parameters
    ----------
    answer : Estimate
        A proportion with its number of records.
    threshold : float
    design_effect : float
        1 or more.
    method : {"exact", "wilson"}
        Limits to use.

    Returns
    -------
    MoreCases

    Raises
    ------
    ValueError
        If the answer is no proportion, or a number lies outside its bounds.

    References
    ----------
    The limits are those of Clopper and Pearson, doi:10.1093/biomet/26.4.404, or Wilson,
    doi:10.1080/01621459.1927.10502953; growing the sample at a held share is our own, no source.

    Examples
    --------
    >>> from outcomes.estimates.proportion import proportion
    >>> more_to_settle(proportion(9, 100), 0.05).more
    55
    """
    if answer.unit != "proportion":
        raise ValueError("this is for shares; the answer has another unit")
    if method not in _LIMITS:
        raise ValueError(f"method must be one of {', '.join(_LIMITS)}")
    _check(threshold, answer.level, design_effect)
    words = f"if the share stays at {100 * answer.value:.3g} %"
    if design_effect > 1:
        words += f" and records of a patient stay as alike (design effect {design_effect:.2f})"
    settled = (answer.high is not None and answer.high < threshold) or (
        answer.low is not None and answer.low > threshold
    )
    if settled:
        return MoreCases(answer.n, 0, words)
    share = answer.value

    def clears(size: float) -> bool:
        low, high = _LIMITS[method](share * size, size, answer.level)
        return high < threshold or low > threshold

    if share == threshold or not clears(MOST / design_effect):
        return MoreCases(None, None, words)
    low, high = max(1, answer.n), MOST
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if clears(middle / design_effect) else (middle, high)
    n = low if clears(low / design_effect) else high
    return MoreCases(n, max(0, n - answer.n), words)


def cases_to_show_difference(
    risk: float,
    other_risk: float,
    *,
    ratio: float = 1.0,
    power: float = 0.8,
    level: float = 0.95,
    design_effect: float = 1.0,
) -> int | None:
    """How many cases on the first side, and ``ratio`` times as many on the other, to show such a difference?

    The n that solves ``|p − q| = z_{1−α/2} √(p̄(1−p̄)(1/n + 1/(rn))) + z_power √(p(1−p)/n + q(1−q)/(rn))``, p̄ the risk
    of both sides together, times the design effect. Normal approximation without continuity correction: under ten
    expected events on a side it says too few.

    Parameters
    ----------
    risk, other_risk : float
        Between 0 and 1, not equal.
    ratio : float
        Cases on the other side for each on the first.
    power, level : float
        Between 0 and 1.
    design_effect : float
        1 or more.

    Returns
    -------
    int or None
        None where no size up to a million does.

    Raises
    ------
    ValueError
        If risks do not lie between 0 and 1 or are equal, or another number lies outside its bounds.

    References
    ----------
    Fleiss JL, Levin B, Paik MC (2003) Statistical Methods for Rates and Proportions, 3rd ed., Wiley, section 4.3.

    Examples
    --------
    >>> cases_to_show_difference(0.50, 0.75, power=0.90)
    77
    """
    if not (0 <= risk <= 1 and 0 <= other_risk <= 1) or risk == other_risk:
        raise ValueError("risks lie between 0 and 1 and differ")
    if not ratio > 0 or not 0 < power < 1 or not 0 < level < 1 or design_effect < 1:
        raise ValueError("ratio is above 0, power and level lie between 0 and 1, a design effect is 1 or more")
    z, z_power = float(stats.norm.isf((1 - level) / 2)), float(stats.norm.ppf(power))
    pooled = (risk + ratio * other_risk) / (1 + ratio)
    null = z * math.sqrt(pooled * (1 - pooled) * (1 + 1 / ratio))
    other = z_power * math.sqrt(risk * (1 - risk) + other_risk * (1 - other_risk) / ratio)
    n = ((null + other) / (risk - other_risk)) ** 2 * design_effect
    return None if n > MOST else max(1, math.ceil(n - 1e-9))


def _check(threshold: float, level: float, design_effect: float) -> None:
    if not 0 < threshold < 1 or not 0 < level < 1 or design_effect < 1:
        raise ValueError("threshold and level lie between 0 and 1, a design effect is 1 or more")
