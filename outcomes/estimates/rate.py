"""How often, against how often was expected?"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, stats

from outcomes.estimates.arrays import numbers
from outcomes.estimates.binomial import exact_limits
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable

METHODS = {
    "exact": "exact Poisson limits (Garwood)",
    "mid_p": "mid-P exact Poisson limits",
    "byar": "Byar's approximate Poisson limits",
}
_SMALLEST = float(np.finfo(float).tiny)


def count_limits(events: float, level: float = 0.95, method: str = "exact") -> tuple[float, float]:
    """Between which expected counts does the interval of a Poisson count lie?

    Exact: ``χ²_{α/2; 2x}/2`` and ``χ²_{1−α/2; 2x+2}/2``. Mid-P: the observed count enters with half its
    probability. Byar: ``x(1 − 1/(9x) ∓ z/(3√x))³``, with x + 1 for the upper limit. Counts may be effective
    ones and need not be whole.

    References
    ----------
    Garwood F (1936) Biometrika 28:437-442, doi:10.1093/biomet/28.3-4.437.
    Breslow NE, Day NE (1987) Statistical Methods in Cancer Research II, IARC, section 2.3 (Byar).

    Examples
    --------
    >>> [round(limit, 3) for limit in count_limits(10)]
    [4.795, 18.39]
    """
    if method not in METHODS:
        raise ValueError(f"method must be one of {', '.join(METHODS)}")
    if events < 0 or not 0 < level < 1:
        raise ValueError("a count is not negative, a confidence level lies between 0 and 1")
    tail = (1 - level) / 2
    low = 0.0 if events == 0 else float(stats.chi2.ppf(tail, 2 * events)) / 2
    high = float(stats.chi2.isf(tail, 2 * events + 2)) / 2
    if method == "byar":
        z = float(stats.norm.isf(tail))
        low = 0.0 if events == 0 else _byar(events, -z)
        high = _byar(events + 1, z)
    if method == "mid_p":

        def at_least(mean: float) -> float:
            with_seen = 1.0 if events == 0 else float(stats.gamma.cdf(mean, events))
            return 0.5 * (with_seen + float(stats.gamma.cdf(mean, events + 1)))

        if events > 0:
            low = float(optimize.brentq(lambda m: at_least(m) - tail, low, events, xtol=1e-14, rtol=1e-13))
        start = float(events) if events > 0 else 0.0
        high = float(optimize.brentq(lambda m: 1 - at_least(m) - tail, start, high, xtol=1e-14, rtol=1e-13))
    return low, high


def _byar(events: float, z: float) -> float:
    root = 1 - 1 / (9 * events) + z / (3 * math.sqrt(events))
    return events * max(0.0, root) ** 3


def poisson_rate(
    events: int,
    exposure: float,
    *,
    per: float = 1.0,
    term: str = "",
    unit: str = "rate",
    level: float = 0.95,
    method: str = "exact",
) -> Answer:
    """How many events for each unit of exposure?

    Parameters
    ----------
    events : int
    exposure : float
        Person-time, visits … above 0.
    per : float
        Exposure that the rate is stated for: 100 for events in 100 treatments.
    method : {"exact", "mid_p", "byar"}
        With no event the exact limits are given whatever was asked.
    """
    if exposure == 0 and events == 0:
        return NotEstimable(term, "no exposure", n=0, events=0, method=METHODS[method], unit=unit)
    if not exposure > 0:
        raise ValueError("exposure must be above 0")
    used = "exact" if events == 0 else method
    low, high = count_limits(events, level, used)
    factor = per / exposure
    return Estimate(
        term=term,
        value=events * factor,
        low=low * factor,
        high=high * factor,
        level=level,
        unit=unit,
        method=METHODS[used] + (", two-sided, no event seen" if events == 0 else ""),
        n=int(events),
        events=int(events),
    )


def observed_expected(
    observed: int,
    expected: float,
    *,
    n: int | None = None,
    patients: int | None = None,
    design_effect: float = 1.0,
    term: str = "",
    level: float = 0.95,
    method: str = "exact",
) -> Answer:
    """How many times the expected count was observed?

    Poisson limits on the observed count over the expected one, the expected taken as known. With a design
    effect d the count has the information of observed/d independent events, against expected/d.

    Parameters
    ----------
    observed : int
    expected : float
        From a model fitted without the unit that is judged.
    n, patients : int or None
        Records and patients behind it; n is the observed count if None.
    design_effect : float
        1 or more.

    Returns
    -------
    Estimate or NotEstimable
        Unit ``observed/expected``; p is twice the smaller Poisson tail, of the kind of the limits. NotEstimable
        where nothing was expected.

    Examples
    --------
    >>> answer = observed_expected(0, 4.6)
    >>> answer.value, answer.low, round(answer.high, 3), round(answer.p_value, 4)
    (0.0, 0.0, 0.802, 0.0201)
    """
    if method not in METHODS:
        raise ValueError(f"method must be one of {', '.join(METHODS)}")
    if design_effect < 1:
        raise ValueError("a design effect is 1 or more")
    records = int(observed) if n is None else int(n)
    words = METHODS[method] if design_effect == 1 else f"{METHODS[method]}, design effect {design_effect:.2f}"
    if not expected > 0 or not math.isfinite(expected):
        return NotEstimable(
            term,
            "nothing was expected",
            n=records,
            patients=patients,
            events=int(observed),
            method=words,
            unit="observed/expected",
        )
    count, mean = observed / design_effect, expected / design_effect
    low, high = count_limits(count, level, method)
    tails = poisson_tails(count, mean, mid=method == "mid_p")
    return Estimate(
        term=term,
        value=observed / expected,
        low=low / mean,
        high=high / mean,
        level=level,
        unit="observed/expected",
        method=words,
        n=records,
        patients=patients,
        events=int(observed),
        p_value=min(1.0, 2 * min(tails)),
    )


def poisson_tails(observed: float, expected: float, *, mid: bool = False) -> tuple[float, float]:
    """How likely are so few events, and so many, if this many were expected?

    Returns
    -------
    lower, upper : float
        P(X ≤ observed) and P(X ≥ observed); with ``mid`` the observed count enters with half its probability.
    """
    lower = float(stats.gamma.sf(expected, observed + 1))
    upper = 1.0 if observed == 0 else float(stats.gamma.cdf(expected, observed))
    if mid:
        without = float(stats.gamma.cdf(expected, observed + 1))
        below = 0.0 if observed == 0 else float(stats.gamma.sf(expected, observed))
        lower, upper = 0.5 * (lower + below), 0.5 * (upper + without)
    return max(lower, _SMALLEST), max(upper, _SMALLEST)


def direct_standardised(
    events: ArrayLike,
    exposure: ArrayLike,
    standard: ArrayLike,
    *,
    per: float = 1.0,
    term: str = "",
    unit: str = "rate",
    level: float = 0.95,
) -> Answer:
    """What would the rate be, were the strata mixed as in a standard?

    ``Σ w_i x_i/n_i`` with w the standard's shares; Fay and Feuer's gamma limits, which hold with few events and
    none in some strata.

    Parameters
    ----------
    events, exposure, standard : array of shape (strata,)

    Returns
    -------
    Estimate or NotEstimable
        NotEstimable where a stratum of the standard has no exposure here.

    References
    ----------
    Fay MP, Feuer EJ (1997) Stat Med 16:791-801,
    doi:10.1002/(SICI)1097-0258(19970415)16:7<791::AID-SIM500>3.0.CO;2-#.
    """
    method = "direct standardisation, gamma limits (Fay and Feuer)"
    x, time, weight = numbers("events", events), numbers("exposure", exposure), numbers("standard", standard)
    if not len(x) == len(time) == len(weight):
        raise ValueError("events, exposure and standard differ in length")
    if np.any(x < 0) or np.any(time < 0) or np.any(weight < 0):
        raise ValueError("counts, exposure and standard are not negative")
    total = round(float(x.sum()))
    kept = weight > 0
    x, time, weight = x[kept], time[kept], weight[kept]
    if not len(x) or np.any(time == 0):
        reason = "no standard" if not len(x) else f"{int((time == 0).sum())} strata of the standard have no cases"
        return NotEstimable(term, reason, n=total, events=total, method=method, unit=unit)
    share = weight / weight.sum() / time
    rate, variance, largest = float(share @ x), float(share**2 @ x), float(share.max())
    tail = (1 - level) / 2
    low = 0.0 if rate == 0 else variance / (2 * rate) * float(stats.chi2.ppf(tail, 2 * rate**2 / variance))
    up, spread = rate + largest, variance + largest**2
    high = spread / (2 * up) * float(stats.chi2.isf(tail, 2 * up**2 / spread))
    return Estimate(
        term=term,
        value=per * rate,
        low=per * low,
        high=per * high,
        level=level,
        unit=unit,
        method=method,
        n=total,
        events=total,
    )


def rate_ratio(
    events: int, exposure: float, other_events: int, other_exposure: float, *, term: str = "", level: float = 0.95
) -> Answer:
    """How many times higher is one rate than another?

    Given the sum, the events of one side are binomial; Clopper–Pearson limits of their share are turned into
    limits of the ratio.

    Returns
    -------
    Estimate or NotEstimable
        NotEstimable where the other side had no event; the note then has the lower limit.
    """
    if not exposure > 0 or not other_exposure > 0 or events < 0 or other_events < 0:
        raise ValueError("exposures are above 0 and events not negative")
    method, unit = "exact conditional limits of a rate ratio", "rate ratio"
    total = events + other_events
    if total == 0:
        return NotEstimable(term, "no events on either side", n=0, events=0, method=method, unit=unit)
    low, high = exact_limits(events, total, level)
    factor = other_exposure / exposure
    if other_events == 0:
        least = low / (1 - low) * factor
        return NotEstimable(
            term,
            "no event on the other side",
            n=total,
            events=total,
            method=method,
            unit=unit,
            note=f"lower {100 * level:g} % limit {least:.3g}",
        )
    chance = exposure / (exposure + other_exposure)
    lower = float(stats.binom.cdf(events, total, chance))
    upper = float(stats.binom.sf(events - 1, total, chance))
    return Estimate(
        term=term,
        value=events / other_events * factor,
        low=low / (1 - low) * factor,
        high=high / (1 - high) * factor if high < 1 else None,
        level=level,
        unit=unit,
        method=method,
        n=total,
        events=total,
        p_value=max(min(1.0, 2 * min(lower, upper)), _SMALLEST),
    )
