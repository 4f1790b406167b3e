"""Limits for k of n, or for an effective k of an effective n."""

from __future__ import annotations

import math

from scipy import optimize, special, stats


def check_counts(events: float, n: float, level: float) -> None:
    """Refuse counts outside 0 … n and levels outside 0 … 1.

    Raises
    ------
    ValueError
    """
    if not n > 0 or not 0 <= events <= n:
        raise ValueError("events must lie between 0 and n, and n above 0")
    if not 0 < level < 1:
        raise ValueError("a confidence level lies between 0 and 1")


def wilson_limits(events: float, n: float, level: float = 0.95) -> tuple[float, float]:
    """Between which shares does Wilson's score interval lie?

    ``(2np + z² ± z √(z² + 4np(1−p))) / (2(n + z²))``.

    Parameters
    ----------
    events, n : float
        Records with the event and all records, or effective numbers of them.
    level : float

    Returns
    -------
    low, high : float

    References
    ----------
    Wilson EB (1927) J Am Stat Assoc 22:209-212, doi:10.1080/01621459.1927.10502953.

    Examples
    --------
    >>> [round(limit, 4) for limit in wilson_limits(81, 263)]
    [0.2553, 0.3662]
    """
    check_counts(events, n, level)
    z = stats.norm.isf((1 - level) / 2)
    share = events / n
    middle = 2 * events + z**2
    reach = z * math.sqrt(z**2 + 4 * events * (1 - share))
    low = 0.0 if events == 0 else (middle - reach) / (2 * (n + z**2))
    high = 1.0 if events == n else (middle + reach) / (2 * (n + z**2))
    return float(max(0.0, low)), float(min(1.0, high))


def exact_limits(events: float, n: float, level: float = 0.95) -> tuple[float, float]:
    """Between which shares does the exact binomial interval lie?

    Quantiles of beta distributions, so that events and n may be effective numbers and need not be whole.

    Parameters
    ----------
    events, n : float
        Records with the event and all records, or effective numbers of them.
    level : float

    Returns
    -------
    low, high : float

    References
    ----------
    Clopper CJ, Pearson ES (1934) Biometrika 26:404-413, doi:10.1093/biomet/26.4.404.

    Examples
    --------
    >>> [round(limit, 6) for limit in exact_limits(0, 20)]
    [0.0, 0.168433]
    """
    check_counts(events, n, level)
    tail = (1 - level) / 2
    low = 0.0 if events == 0 else float(stats.beta.ppf(tail, events, n - events + 1))
    high = 1.0 if events == n else float(stats.beta.isf(tail, events + 1, n - events))
    return low, high


def mid_p_limits(events: float, n: float, level: float = 0.95) -> tuple[float, float]:
    """Between which shares does the mid-P interval lie?

    As exact limits, but the observed count enters with half its probability. Written with incomplete beta
    functions, so that events and n may be effective numbers.

    Parameters
    ----------
    events, n : float
        Records with the event and all records, or effective numbers of them.
    level : float

    Returns
    -------
    low, high : float

    References
    ----------
    Berry G, Armitage P (1995) The Statistician 44:417-423, doi:10.2307/2348891.

    Examples
    --------
    >>> [round(limit, 4) for limit in mid_p_limits(81, 263)]
    [0.2544, 0.3658]
    """
    check_counts(events, n, level)
    tail = (1 - level) / 2

    def at_least(share: float) -> float:
        """Probability of more events than seen, plus half that of as many as seen."""
        with_seen = 1.0 if events == 0 else float(special.betainc(events, n - events + 1, share))
        without_seen = 0.0 if events == n else float(special.betainc(events + 1, n - events, share))
        return 0.5 * (with_seen + without_seen)

    wide_low, wide_high = exact_limits(events, n, level)
    share = events / n
    low, high = 0.0, 1.0
    if events > 0:
        low = float(optimize.brentq(lambda q: at_least(q) - tail, wide_low, share, xtol=1e-15, rtol=1e-13))
    if events < n:
        high = float(optimize.brentq(lambda q: 1 - at_least(q) - tail, share, wide_high, xtol=1e-15, rtol=1e-13))
    return low, high


def jeffreys_limits(events: float, n: float, level: float = 0.95) -> tuple[float, float]:
    """Between which shares does Jeffreys' interval lie (0 and 1 as limits where all records agree)?

    Quantiles of the beta distribution with ``events + ½`` and ``n − events + ½``.

    Parameters
    ----------
    events, n : float
        Records with the event and all records, or effective numbers of them.
    level : float

    Returns
    -------
    low, high : float

    References
    ----------
    Brown LD, Cai TT, DasGupta A (2001) Statistical Science 16:101-133, doi:10.1214/ss/1009213286.

    Examples
    --------
    >>> [round(limit, 4) for limit in jeffreys_limits(81, 263)]
    [0.2545, 0.3656]
    """
    check_counts(events, n, level)
    tail = (1 - level) / 2
    low = 0.0 if events == 0 else float(stats.beta.ppf(tail, events + 0.5, n - events + 0.5))
    high = 1.0 if events == n else float(stats.beta.isf(tail, events + 0.5, n - events + 0.5))
    return low, high
