"""Does one practitioner's count stand out from the rest by more than chance?"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats

from outcomes.estimates.estimate import FloatArray

FEWEST_EFFECTIVE = 10
_SMALLEST = float(np.finfo(float).tiny)


def binomial_limits(
    target: float,
    sizes: ArrayLike,
    tails: Sequence[float] = (0.001, 0.025, 0.975, 0.999),
    *,
    design_effect: float = 1.0,
) -> FloatArray:
    """Between which shares would units of these sizes lie if all had the target risk?

    For each tail probability q, with r the smallest count whose cumulative probability exceeds q,
    ``limit = (r − (F(r) − q)/f(r)) / n``: exact binomial, interpolated so that the line is smooth, kept inside
    0 … 1. A line to look at: flags come from `conditional_flag` or `exact_tail`.

    Parameters
    ----------
    target : float
        The common risk, between 0 and 1 (both excluded).
    sizes : array of shape (s,)
    tails : sequence of float, length t
        0.001 and 0.999 draw the 99.8 % limits, 0.025 and 0.975 the 95 % limits.
    design_effect : float
        Sizes count as size / design_effect independent records.

    Returns
    -------
    ndarray of shape (s, t)

    Raises
    ------
    ValueError
        If the target does not lie between 0 and 1, a size is not above 0, or the design effect is under 1.

    References
    ----------
    Spiegelhalter DJ (2005) Stat Med 24:1185-1202, doi:10.1002/sim.1970, appendix A.1.1.

    Examples
    --------
    >>> binomial_limits(0.1, [100], [0.025, 0.975]).round(4).tolist()
    [[0.0404, 0.1577]]
    """
    if not 0 < target < 1:
        raise ValueError("the target risk lies between 0 and 1, both excluded")
    if design_effect < 1:
        raise ValueError("a design effect is 1 or more")
    effective = np.asarray(sizes, dtype=float) / design_effect
    if np.any(effective <= 0):
        raise ValueError("sizes are above 0")
    return np.array([[_binomial_limit(target, n, tail) for tail in tails] for n in effective])


def _binomial_limit(target: float, n: float, tail: float) -> float:
    def below(r: float) -> float:
        return 1.0 if r >= n else float(special.betainc(n - r, r + 1, 1 - target))

    r = float(max(0, math.floor(stats.norm.ppf(tail, n * target, math.sqrt(n * target * (1 - target))))))
    while below(r) <= tail and r < n:
        r += 1
    while r > 0 and below(r - 1) > tail:
        r -= 1
    under = below(r - 1) if r > 0 else 0.0
    limit = (r - (below(r) - tail) / (below(r) - under)) / n
    return float(min(1.0, max(0.0, limit)))


def poisson_limits(expected: ArrayLike, tails: Sequence[float] = (0.001, 0.025, 0.975, 0.999)) -> FloatArray:
    """Between which ratios of observed to expected would units lie if all were as expected?

    As `binomial_limits`, with the Poisson distribution; never below 0.

    Parameters
    ----------
    expected : array of shape (s,)
        Expected counts, above 0.
    tails : sequence of float, length t

    Returns
    -------
    ndarray of shape (s, t)
        Observed over expected.

    Raises
    ------
    ValueError
        If an expected count is not above 0.

    References
    ----------
    Spiegelhalter DJ (2005) Stat Med 24:1185-1202, doi:10.1002/sim.1970, appendix A.1.2.

    Examples
    --------
    >>> poisson_limits([20.0], [0.025, 0.975]).round(3).tolist()
    [[0.56, 1.437]]
    """
    sizes = np.asarray(expected, dtype=float)
    if np.any(sizes <= 0):
        raise ValueError("expected counts are above 0")
    limits = np.empty((len(sizes), len(tails)))
    for i, mean in enumerate(sizes):
        for j, tail in enumerate(tails):
            r = float(stats.poisson.ppf(tail, mean))
            limits[i, j] = (r - (stats.poisson.cdf(r, mean) - tail) / stats.poisson.pmf(r, mean)) / mean
    return np.maximum(limits, 0.0)


def exact_tail(events: int, n: int, target: float, *, mid: bool = False) -> tuple[float, float]:
    """How likely are so few events, and so many, if the risk is the target?

    Binomial: records are taken as independent and the target as known.

    Parameters
    ----------
    events, n : int
    target : float
        Between 0 and 1.
    mid : bool

    Returns
    -------
    lower, upper : float
        P(X ≤ events) and P(X ≥ events); with ``mid`` the observed count enters with half its probability.

    Raises
    ------
    ValueError
        If events lie outside 0 … n, or the target outside 0 … 1.

    References
    ----------
    Lancaster HO (1961) J Am Stat Assoc 56:223-234, doi:10.1080/01621459.1961.10482105 (mid-P).

    Examples
    --------
    >>> [round(tail, 4) for tail in exact_tail(9, 50, 0.1)]
    [0.9755, 0.0579]
    """
    if not 0 <= events <= n or not 0 <= target <= 1:
        raise ValueError("events lie between 0 and n, the target between 0 and 1")
    half = 0.5 * float(stats.binom.pmf(events, n, target)) if mid else 0.0
    lower = float(stats.binom.cdf(events, n, target)) - half
    upper = float(stats.binom.sf(events - 1, n, target)) - half
    return max(lower, _SMALLEST), max(upper, _SMALLEST)


def conditional_z(events: int, n: int, total_events: int, total_n: int, design_effect: float = 1.0) -> float:
    """How far does one unit's count lie from what all units together lead to expect, as a normal deviate?

    Given the total, the unit's count is hypergeometric if all share one risk. Its mid-P is turned into a
    normal deviate and divided by the root of the design effect. Above 0: more events than expected.

    Parameters
    ----------
    events, n : int
        Of the unit.
    total_events, total_n : int
        Of all units, this one included.
    design_effect : float
        1 or more.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        If counts do not lie within each other, or the design effect is under 1.

    References
    ----------
    Lancaster HO (1961) J Am Stat Assoc 56:223-234, doi:10.1080/01621459.1961.10482105 (mid-P).

    Examples
    --------
    >>> round(conditional_z(9, 50, 40, 500), 2)
    2.43
    """
    if not 0 <= events <= min(n, total_events) or not 0 <= n <= total_n or total_events > total_n:
        raise ValueError("a unit's counts lie within those of all units together")
    if total_events - events > total_n - n:
        raise ValueError("the rest cannot have more events than records")
    if design_effect < 1:
        raise ValueError("a design effect is 1 or more")
    law = stats.hypergeom(total_n, total_events, n)
    half = 0.5 * float(law.pmf(events))
    lower = float(law.cdf(events)) - half
    upper = float(law.sf(events)) + half
    z = -float(stats.norm.ppf(max(lower, _SMALLEST))) if lower < upper else float(stats.norm.ppf(max(upper, _SMALLEST)))
    return -z / math.sqrt(design_effect)


def conditional_flag(events: int, n: int, total_events: int, total_n: int, design_effect: float = 1.0) -> float:
    """How surprising is one unit's count beside the rest, were all alike (two-sided p)?

    The hypergeometric mid-P of the unit's events given the total, as a normal deviate divided by the root of
    the design effect, two-sided. Simulated without real differences it stays at or under its nominal 5 % and
    0.2 % with 2 or 3 records a patient, where tests against a fixed target do not.

    Parameters
    ----------
    events, n : int
        Of the unit.
    total_events, total_n : int
        Of all units, this one included.
    design_effect : float
        From `outcomes.estimates.proportion.design_effect` on all units; 1 for independent records.

    Returns
    -------
    float
        Above 0, at most 1.

    References
    ----------
    Agresti A (2013) Categorical Data Analysis, 3rd ed., Wiley, section 3.5 (conditional mid-P).

    Examples
    --------
    >>> round(conditional_flag(3, 4, 4, 8), 4)
    0.2571
    """
    z = conditional_z(events, n, total_events, total_n, design_effect)
    return float(min(1.0, max(2 * stats.norm.sf(abs(z)), _SMALLEST)))


def detectable_odds_ratio(
    n: float,
    n_rest: float,
    risk: float,
    design_effect: float = 1.0,
    *,
    power: float = 0.8,
    level: float = 0.95,
) -> float | None:
    """From which odds ratio on would a difference from the rest be found most of the time?

    The smallest odds ratio above 1 for which a two-sided test of two proportions, pooled variance under "no
    difference", has the power asked for:
    ``|p₂ − p₁| = z_{1−α/2} √(p̄(1−p̄)(1/n + 1/m)) + z_{power} √(p₂(1−p₂)/n + p₁(1−p₁)/m)``, with sizes divided by
    the design effect.

    Parameters
    ----------
    n, n_rest : float
        Records of the unit and of all others.
    risk : float
        Of the others.
    power : float
        0.8: found four times in five.
    design_effect : float
        1 or more.
    level : float
        One less the two-sided α of the test.

    Returns
    -------
    float or None
        None where no odds ratio up to 10,000 would be found that often, there is no risk to multiply, or the unit
        has fewer than ten effective records, on which no test is worth planning.

    Raises
    ------
    ValueError
        If the design effect is under 1, or power or level do not lie between 0 and 1.

    References
    ----------
    Fleiss JL, Levin B, Paik MC (2003) Statistical Methods for Rates and Proportions, 3rd ed., Wiley, section 4.3,
    without continuity correction.

    Examples
    --------
    >>> round(detectable_odds_ratio(200, 1000, 0.05), 2)
    2.23
    """
    if design_effect < 1 or not 0 < power < 1 or not 0 < level < 1:
        raise ValueError("a design effect is 1 or more, power and level lie between 0 and 1")
    own, rest = n / design_effect, n_rest / design_effect
    if own < FEWEST_EFFECTIVE or rest < FEWEST_EFFECTIVE or not 0 < risk < 1:
        return None
    z_level, z_power = stats.norm.isf((1 - level) / 2), stats.norm.ppf(power)

    def surplus(log_ratio: float) -> float:
        higher = special.expit(special.logit(risk) + log_ratio)
        pooled = (own * higher + rest * risk) / (own + rest)
        null = math.sqrt(pooled * (1 - pooled) * (1 / own + 1 / rest))
        other = math.sqrt(higher * (1 - higher) / own + risk * (1 - risk) / rest)
        return float(higher - risk - z_level * null - z_power * other)

    grid = np.linspace(0.0, math.log(1e4), 400)
    found = np.flatnonzero(np.array([surplus(x) for x in grid]) > 0)
    if not len(found):
        return None
    at = int(found[0])
    return math.exp(float(optimize.brentq(surplus, grid[at - 1], grid[at], xtol=1e-12)))
