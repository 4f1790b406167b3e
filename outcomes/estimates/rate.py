"""How often, against how often was expected?"""

from __future__ import annotations

import math

import numpy as np
from scipy import optimize, stats

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

    Parameters
    ----------
    events : float
    level : float
    method : {"exact", "mid_p", "byar"}

    Returns
    -------
    low, high : float

    Raises
    ------
    ValueError
        If the count is negative, or the level or method unknown.

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

    ``per · events / exposure``, limits of the count over the exposure. Events are taken as Poisson: independent, at one rate.

    Parameters
    ----------
    events : int
    exposure : float
        Person-time, visits … above 0.
    per : float
        Exposure that the rate is stated for: 100 for events in 100 treatments.
    method : {"exact", "mid_p", "byar"}
        With no event the exact limits are given whatever was asked.
    term, unit : str
    level : float

    Returns
    -------
    Estimate or NotEstimable

    Raises
    ------
    ValueError
        If the exposure is not above 0, the count is negative, or the method unknown.

    References
    ----------
    Garwood F (1936) Biometrika 28:437-442, doi:10.1093/biomet/28.3-4.437.

    Examples
    --------
    >>> answer = poisson_rate(10, 500.0, per=100)
    >>> answer.value, round(answer.low, 3), round(answer.high, 3)
    (2.0, 0.959, 3.678)
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
    term : str
    level : float
    method : {"exact", "mid_p", "byar"}

    Returns
    -------
    Estimate or NotEstimable
        Unit ``observed/expected``; p is twice the smaller Poisson tail, of the kind of the limits. NotEstimable
        where nothing was expected.

    Raises
    ------
    ValueError
        If a count is negative, the design effect is under 1, or the method unknown.

    References
    ----------
    Breslow NE, Day NE (1987) Statistical Methods in Cancer Research II, IARC, section 2.3.

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

    Tails of the Poisson distribution; the expected count is taken as known.

    Parameters
    ----------
    observed, expected : float
    mid : bool

    Returns
    -------
    lower, upper : float
        P(X ≤ observed) and P(X ≥ observed); with ``mid`` the observed count enters with half its probability.

    References
    ----------
    Lancaster HO (1961) J Am Stat Assoc 56:223-234, doi:10.1080/01621459.1961.10482105 (mid-P).

    Examples
    --------
    >>> [round(tail, 4) for tail in poisson_tails(9, 4.0)]
    [0.9919, 0.0214]
    """
    lower = float(stats.gamma.sf(expected, observed + 1))
    upper = 1.0 if observed == 0 else float(stats.gamma.cdf(expected, observed))
    if mid:
        without = float(stats.gamma.cdf(expected, observed + 1))
        below = 0.0 if observed == 0 else float(stats.gamma.sf(expected, observed))
        lower, upper = 0.5 * (lower + below), 0.5 * (upper + without)
    return max(lower, _SMALLEST), max(upper, _SMALLEST)
