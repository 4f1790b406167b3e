"""How does one rate compare with another, or with itself at another mix?"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from outcomes.estimates.arrays import numbers
from outcomes.estimates.binomial import exact_limits
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable

_SMALLEST = float(np.finfo(float).tiny)


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
    per : float
        Exposure that the rate is stated for.
    term, unit : str
    level : float

    Returns
    -------
    Estimate or NotEstimable
        NotEstimable where a stratum of the standard has no exposure here.

    Raises
    ------
    ValueError
        If lengths differ, or a number is negative.

    References
    ----------
    Fay MP, Feuer EJ (1997) Stat Med 16:791-801,
    doi:10.1002/(SICI)1097-0258(19970415)16:7<791::AID-SIM500>3.0.CO;2-#.

    Examples
    --------
    >>> answer = direct_standardised([2, 8], [100.0, 100.0], [3.0, 1.0], per=100)
    >>> answer.value, round(answer.low, 2), round(answer.high, 2)
    (3.5000000000000004, 1.47, 7.6)
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

    Parameters
    ----------
    events, other_events : int
    exposure, other_exposure : float
        Above 0.
    term : str
    level : float

    Returns
    -------
    Estimate or NotEstimable
        NotEstimable where the other side had no event; the note then has the lower limit.

    Raises
    ------
    ValueError
        If an exposure is not above 0, or a count is negative.

    References
    ----------
    Przyborowski J, Wilenski H (1940) Biometrika 31:313-323, doi:10.1093/biomet/31.3-4.313.

    Examples
    --------
    >>> answer = rate_ratio(12, 100.0, 6, 100.0)
    >>> answer.value, round(answer.low, 3), round(answer.high, 3)
    (2.0, 0.695, 6.495)
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
