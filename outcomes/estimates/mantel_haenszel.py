"""One ratio from several strata, each compared within itself: Mantel and Haenszel's odds, risk and rate ratios."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from outcomes.estimates.arrays import numbers
from outcomes.estimates.estimate import Answer, Estimate, FloatArray, NotEstimable

INDEPENDENT = "records taken as independent"
_SMALLEST = float(np.finfo(float).tiny)


@dataclass(frozen=True, slots=True)
class Pooled:
    """A ratio common to the strata, and the test that it is 1.

    Attributes
    ----------
    answer : Estimate or NotEstimable
        With p from the chi-square below (odds ratio), or from ratio and standard error (risk and rate ratio).
    log_standard_error : float or None
        Of the logarithm of the ratio.
    chi_square : float or None
        Mantel–Haenszel chi-square on one degree of freedom, without continuity correction; None where no stratum
        has both sides and both outcomes.
    strata : int
        Strata that tell: those with records on both sides.
    """

    answer: Answer
    log_standard_error: float | None
    chi_square: float | None
    strata: int


def common_odds_ratio(
    events: ArrayLike,
    n: ArrayLike,
    other_events: ArrayLike,
    other_n: ArrayLike,
    *,
    term: str = "",
    level: float = 0.95,
) -> Pooled:
    """Which odds ratio do the strata have in common?

    ``Σ a_i d_i/T_i ÷ Σ b_i c_i/T_i`` over tables a, b (events, rest) against c, d; Robins, Breslow and Greenland's
    variance of its logarithm, good with few large and with many small strata. Assumes that the odds ratio is the
    same in every stratum and that records are independent; with several records of a patient use a model with
    patients as clusters.

    Parameters
    ----------
    events, n, other_events, other_n : arrays of shape (k,)
        Events and records of the one side and of the other in each stratum.
    term : str
    level : float

    Returns
    -------
    Pooled
        "Cannot say" where one of the two sums is 0: the data then bound the ratio on one side at most.

    Raises
    ------
    ValueError
        If lengths differ, or events lie outside 0 … n.

    References
    ----------
    Mantel N, Haenszel W (1959) J Natl Cancer Inst 22:719–748. doi:10.1093/jnci/22.4.719
    Robins J, Breslow N, Greenland S (1986) Biometrics 42:311–323. doi:10.2307/2531052

    Examples
    --------
    >>> round(common_odds_ratio([8, 2], [20, 10], [4, 1], [20, 12]).answer.value, 3)
    2.686
    """
    a, b, c, d = _tables(events, n, other_events, other_n)
    total = a + b + c + d
    method, unit = f"Mantel–Haenszel odds ratio, {INDEPENDENT}", "odds ratio"
    up, down = a * d / total, b * c / total
    chi = _chi_square(a, b, c, d, total)
    counts: dict[str, Any] = {"n": round(float(total.sum())), "events": round(float((a + c).sum()))}
    refused = _refused(up.sum(), down.sum(), len(a))
    if refused:
        return Pooled(NotEstimable(term, refused, method=method, unit=unit, **counts), None, chi, len(a))
    p, q = (a + d) / total, (b + c) / total
    r, s = float(up.sum()), float(down.sum())
    variance = float(
        (p * up).sum() / (2 * r**2) + (p * down + q * up).sum() / (2 * r * s) + (q * down).sum() / (2 * s**2)
    )
    tail = None if chi is None else float(stats.chi2.sf(chi, 1))
    return _answer(r / s, variance, tail, chi, len(a), term, level, method, unit, counts)


def common_risk_ratio(
    events: ArrayLike,
    n: ArrayLike,
    other_events: ArrayLike,
    other_n: ArrayLike,
    *,
    term: str = "",
    level: float = 0.95,
) -> Pooled:
    """Which risk ratio do the strata have in common?

    ``Σ a_i m_i/T_i ÷ Σ c_i n_i/T_i`` with n and m the records of either side; Greenland and Robins' variance. The
    same assumptions as `common_odds_ratio`, for the risk ratio.

    Parameters
    ----------
    events, n, other_events, other_n : array of shape (strata,)
        Records with the event and all records of either side.
    term : str
    level : float

    Returns
    -------
    Pooled

    References
    ----------
    Greenland S, Robins JM (1985) Biometrics 41:55–68. doi:10.2307/2530643

    Examples
    --------
    >>> round(common_risk_ratio([4, 6], [40, 50], [2, 5], [40, 60]).answer.value, 3)
    1.611
    """
    a, b, c, d = _tables(events, n, other_events, other_n)
    first, second, total = a + b, c + d, a + b + c + d
    method, unit = f"Mantel–Haenszel risk ratio, {INDEPENDENT}", "risk ratio"
    r, s = float((a * second / total).sum()), float((c * first / total).sum())
    chi = _chi_square(a, b, c, d, total)
    counts: dict[str, Any] = {"n": round(float(total.sum())), "events": round(float((a + c).sum()))}
    refused = _refused(r, s, len(a))
    if refused:
        return Pooled(NotEstimable(term, refused, method=method, unit=unit, **counts), None, chi, len(a))
    variance = float(((first * second * (a + c) - a * c * total) / total**2).sum()) / (r * s)
    return _answer(r / s, variance, None, chi, len(a), term, level, method, unit, counts)


def common_rate_ratio(
    events: ArrayLike,
    exposure: ArrayLike,
    other_events: ArrayLike,
    other_exposure: ArrayLike,
    *,
    term: str = "",
    level: float = 0.95,
) -> Pooled:
    """Which rate ratio do the strata have in common?

    ``Σ a_i t_i/T_i ÷ Σ c_i s_i/T_i`` with s and t the exposures of either side and T their sum; variance of its
    logarithm by Greenland and Robins. Assumes Poisson counts and one rate ratio in every stratum.

    Parameters
    ----------
    events, exposure, other_events, other_exposure : array of shape (strata,)
        Events and exposure (person-time, visits …) of either side.
    term : str
    level : float

    Returns
    -------
    Pooled

    Raises
    ------
    ValueError
        If lengths differ, a number is negative, or there are events without exposure.

    References
    ----------
    Greenland S, Robins JM (1985) Biometrics 41:55–68. doi:10.2307/2530643

    Examples
    --------
    >>> round(common_rate_ratio([4, 6], [40.0, 50.0], [2, 5], [40.0, 60.0]).answer.value, 3)
    1.611
    """
    a, s, c, t = (
        numbers(name, values)
        for name, values in (
            ("events", events), ("exposure", exposure), ("other_events", other_events),
            ("other_exposure", other_exposure),
        )
    )  # fmt: skip
    if not len(a) == len(s) == len(c) == len(t):
        raise ValueError("events and exposures differ in length")
    if any(bool(np.any(values < 0)) for values in (a, s, c, t)):
        raise ValueError("events and exposures are not negative")
    if np.any((s == 0) & (a > 0)) or np.any((t == 0) & (c > 0)):
        raise ValueError("events need exposure")
    kept = (s > 0) & (t > 0)
    a, s, c, t = a[kept], s[kept], c[kept], t[kept]
    total = s + t
    method, unit = "Mantel–Haenszel rate ratio, counts taken as Poisson", "rate ratio"
    r, q = float((a * t / total).sum()), float((c * s / total).sum())
    counts: dict[str, Any] = {"n": round(float((a + c).sum())), "events": round(float((a + c).sum()))}
    refused = _refused(r, q, len(a))
    if refused:
        return Pooled(NotEstimable(term, refused, method=method, unit=unit, **counts), None, None, len(a))
    variance = float(((a + c) * s * t / total**2).sum()) / (r * q)
    return _answer(r / q, variance, None, None, len(a), term, level, method, unit, counts)


def _tables(
    events: ArrayLike, n: ArrayLike, other_events: ArrayLike, other_n: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    a, first = numbers("events", events), numbers("n", n)
    c, second = numbers("other_events", other_events), numbers("other_n", other_n)
    if not len(a) == len(first) == len(c) == len(second):
        raise ValueError("events and records differ in length")
    if np.any((a < 0) | (a > first)) or np.any((c < 0) | (c > second)):
        raise ValueError("events lie between 0 and the records of their side")
    kept = (first > 0) & (second > 0)
    return a[kept], (first - a)[kept], c[kept], (second - c)[kept]


def _chi_square(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray, total: FloatArray) -> float | None:
    several = total > 1
    a, b, c, d, total = (values[several] for values in (a, b, c, d, total))
    spread = float(((a + b) * (c + d) * (a + c) * (b + d) / (total**2 * (total - 1))).sum())
    if not spread > 0:
        return None
    return float((a - (a + b) * (a + c) / total).sum()) ** 2 / spread


def _refused(up: float, down: float, strata: int) -> str:
    if strata == 0:
        return "no stratum has records on both sides"
    if up == 0 and down == 0:
        return "no stratum tells the two sides apart"
    if up == 0 or down == 0:
        return "the strata set no limit to it on one side"
    return ""


def _answer(
    ratio: float,
    variance: float,
    tail: float | None,
    chi: float | None,
    strata: int,
    term: str,
    level: float,
    method: str,
    unit: str,
    counts: dict[str, Any],
) -> Pooled:
    if not variance > 1e-24:
        reason = "every record has the event" if counts["events"] == counts["n"] else "the strata do not vary"
        return Pooled(NotEstimable(term, reason, method=method, unit=unit, **counts), None, chi, strata)
    error = math.sqrt(variance)
    half = float(stats.norm.isf((1 - level) / 2)) * error
    p = 2 * float(stats.norm.sf(abs(math.log(ratio)) / error)) if tail is None else tail
    answer = Estimate(
        term, ratio, ratio * math.exp(-half), ratio * math.exp(half), method, level=level, unit=unit,
        p_value=min(1.0, max(p, _SMALLEST)), **counts,
    )  # fmt: skip
    return Pooled(answer, error, chi, strata)
