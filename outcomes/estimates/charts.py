"""Is it getting worse, case by case? Charts that wait for no quarter to end."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from outcomes.estimates.arrays import numbers, positions
from outcomes.estimates.estimate import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Cusum:
    """A risk-adjusted cumulative sum that asks for one odds ratio.

    Attributes
    ----------
    odds_ratio : float
        Above 1: is the risk rising? Below 1: is it falling?
    limit : float
    path : ndarray of shape (n,)
        The sum after each case, never below 0; a signal where it is at or above the limit.
    signals : tuple of int
        Positions (from 0) of the cases that signalled.
    expected_minus_observed : ndarray of shape (n,)
        Cumulative, falling where there are more events than expected.
    """

    odds_ratio: float
    limit: float
    path: FloatArray
    signals: tuple[int, ...]
    expected_minus_observed: FloatArray


def cusum_scores(risk: ArrayLike, odds_ratio: float) -> tuple[FloatArray, FloatArray]:
    """What does a case with an event add to the sum, and one without?

    The log-likelihood ratio of odds multiplied by R against the odds as expected: ``ln R − ln(1 − p + Rp)`` and
    ``−ln(1 − p + Rp)``.

    Parameters
    ----------
    risk : array of shape (n,)
        Expected risk of each case, strictly between 0 and 1.
    odds_ratio : float
        R, above 0 and not 1.

    Returns
    -------
    event, none : ndarray of shape (n,)
        Scores of a case with the event and without.

    Raises
    ------
    ValueError
        If a risk is missing or not between 0 and 1, or there is no odds ratio to ask for.

    References
    ----------
    Steiner SH, Cook RJ, Farewell VT, Treasure T (2000) Biostatistics 1:441-452, doi:10.1093/biostatistics/1.4.441.

    Examples
    --------
    >>> event, none = cusum_scores([0.0246], 2.0)
    >>> round(float(event[0]), 2), round(float(none[0]), 2)
    (0.67, -0.02)
    """
    p = checked_risks(risk)
    if not odds_ratio > 0 or odds_ratio == 1:
        raise ValueError("the odds ratio that a chart asks for is above 0 and not 1")
    none = -np.log1p((odds_ratio - 1) * p)
    return math.log(odds_ratio) + none, none


def risk_adjusted_cusum(
    event: ArrayLike, risk: ArrayLike, *, odds_ratio: float = 2.0, limit: float, reset: bool = True
) -> Cusum:
    """Where does the sum of evidence for a changed risk reach the limit?

    ``S_t = max(0, S_{t−1} + score_t)``. The order of the cases is the caller's: by date, then by sequence within the
    day. After a signal the sum starts again from 0.

    Parameters
    ----------
    event : array of shape (n,)
        True or 1 where the case had the event, in order of treatment.
    risk : array of shape (n,)
        Expected risk of each case, from a model fitted on earlier cases.
    odds_ratio : float
        That the chart asks for, above 0 and not 1.
    limit : float
        From `limit_for_run_length`, never tuned on the cases that are judged.
    reset : bool
        False to let the sum run on after a signal.

    Returns
    -------
    Cusum

    Raises
    ------
    ValueError
        If an event is neither yes nor no, a risk is not between 0 and 1, or the limit is not above 0.

    References
    ----------
    Steiner SH, Cook RJ, Farewell VT, Treasure T (2000) Biostatistics 1:441-452, doi:10.1093/biostatistics/1.4.441.

    Examples
    --------
    >>> chart = risk_adjusted_cusum([0, 1, 0, 1], [0.1, 0.1, 0.2, 0.2], limit=1.0)
    >>> chart.path.round(3).tolist(), chart.signals
    ([0.0, 0.598, 0.416, 0.926], ())
    """
    y = numbers("event", event)
    if np.any((y != 0) & (y != 1)):
        raise ValueError(f"event is neither yes nor no at {positions((y != 0) & (y != 1))}")
    p = checked_risks(risk)
    if len(p) != len(y):
        raise ValueError("event and risk differ in length")
    if not limit > 0:
        raise ValueError("a limit is above 0")
    with_event, without = cusum_scores(p, odds_ratio)
    scores = np.where(y == 1, with_event, without)
    path, signals, at = np.empty(len(y)), [], 0.0
    for i, score in enumerate(scores):
        at = max(0.0, at + score)
        path[i] = at
        if at >= limit:
            signals.append(i)
            at = 0.0 if reset else at
    return Cusum(odds_ratio, limit, path, tuple(signals), np.cumsum(p - y))


def sequential_bounds(false_alarm: float, missed: float) -> tuple[float, float]:
    """Between which sums of evidence does Wald's sequential test go on?

    ``ln(β/(1 − α))`` and ``ln((1 − β)/α)``.

    Parameters
    ----------
    false_alarm, missed : float
        α and β, chances of the two errors.

    Returns
    -------
    low, high : float
        Sums of log-likelihood ratios.

    Raises
    ------
    ValueError
        If a chance does not lie strictly between 0 and 1.

    References
    ----------
    Wald A (1947) Sequential Analysis, Wiley.

    Examples
    --------
    >>> [round(bound, 3) for bound in sequential_bounds(0.01, 0.01)]
    [-4.595, 4.595]
    """
    if not 0 < false_alarm < 1 or not 0 < missed < 1:
        raise ValueError("error rates lie between 0 and 1")
    return math.log(missed / (1 - false_alarm)), math.log((1 - missed) / false_alarm)


@dataclass(frozen=True, slots=True, eq=False)
class Ewma:
    """An exponentially weighted mean with its limits, case by case.

    Attributes
    ----------
    path, low, high : ndarray of shape (n,)
        Mean after each value, and the limits there, which widen to their final distance.
    """

    path: FloatArray
    low: FloatArray
    high: FloatArray


def ewma(values: ArrayLike, centre: float, deviation: float, *, weight: float = 0.2, width: float = 3.0) -> Ewma:
    """How does a mean that forgets move, against limits around the centre?

    ``z_t = λ x_t + (1 − λ) z_{t−1}`` from the centre, limits ``± L σ √(λ/(2−λ) · (1 − (1−λ)^{2t}))``.
    It assumes independent values of one spread.

    Parameters
    ----------
    values : array of shape (n,)
        In order of time.
    centre, deviation : float
        Mean and standard deviation σ with nothing changed, in the unit of the values.
    weight : float
        λ, above 0 and at most 1: what the newest value counts.
    width : float
        L, in standard deviations.

    Returns
    -------
    Ewma

    Raises
    ------
    ValueError
        If a value is missing, or a number lies outside its bounds.

    References
    ----------
    Roberts SW (1959) Technometrics 1:239-250, doi:10.1080/00401706.1959.10489860.

    Examples
    --------
    >>> chart = ewma([52.0, 47.0, 53.0], 50, 2.0539, weight=0.3)
    >>> chart.path.round(2).tolist(), chart.high.round(2).tolist()
    ([50.6, 49.52, 50.56], [51.85, 52.26, 52.43])
    """
    x = numbers("values", values)
    if not 0 < weight <= 1 or not deviation > 0 or not width > 0:
        raise ValueError("weight lies above 0 and at most at 1, deviation and width above 0")
    path, at = np.empty(len(x)), centre
    for i, value in enumerate(x):
        at = (1 - weight) * at + weight * value
        path[i] = at
    settled = weight / (2 - weight) * (1 - (1 - weight) ** (2 * np.arange(1, len(x) + 1)))
    reach = width * deviation * np.sqrt(settled)
    return Ewma(path, centre - reach, centre + reach)


@dataclass(frozen=True, slots=True, eq=False)
class Gaps:
    """Cases without the event between two with it.

    Attributes
    ----------
    gaps : ndarray of int, shape (events − 1,)
    centre : float
        Their mean.
    risk : float
        The risk that goes with it, without its small-sample bias: ``(N−1)/(N ḡ + N − 1)``.
    median, longest : float
        Quantiles 0.5 and 0.99865 of the geometric distribution with that mean: a longer gap is a good sign.
    tail : ndarray of shape (events − 1,)
        Probability of a gap so short or shorter.
    """

    gaps: NDArray[np.intp]
    centre: float
    risk: float
    median: float
    longest: float
    tail: FloatArray


def gaps_between_events(event: ArrayLike) -> Gaps:
    """How many cases pass between two events, and are the gaps getting shorter?

    For events too rare for shares by quarter. Limits are geometric quantiles, as gaps are far from normal:
    ``P(gap ≤ g) = 1 − (1 − p)^(g + 1)`` if cases are independent and share one risk p.

    Parameters
    ----------
    event : array of shape (n,)
        True or 1 where the case had the event, in order of treatment.

    Returns
    -------
    Gaps

    Raises
    ------
    ValueError
        With fewer than three events, or where an event is neither yes nor no.

    References
    ----------
    Benneyan JC (2001) Health Care Manag Sci 4:305-318, doi:10.1023/A:1011846412909.

    Examples
    --------
    >>> found = gaps_between_events([0, 1, 0, 0, 1, 1, 0, 0, 0, 0, 1])
    >>> found.gaps.tolist(), found.centre, found.risk
    ([2, 0, 4], 2.0, 0.25)
    """
    y = numbers("event", event)
    if np.any((y != 0) & (y != 1)):
        raise ValueError(f"event is neither yes nor no at {positions((y != 0) & (y != 1))}")
    gaps = np.diff(np.flatnonzero(y == 1)) - 1
    count = len(gaps)
    if count < 2:
        raise ValueError("three events are needed for two gaps")
    centre = float(gaps.mean())
    risk = 1 / (centre + 1)
    if centre == 0:  # event after event: the geometric distribution sits at 0
        return Gaps(gaps, centre, 1.0, 0.0, 0.0, np.ones(count))
    return Gaps(
        gaps=gaps,
        centre=centre,
        risk=(count - 1) / (count * centre + count - 1),
        median=float(stats.geom.ppf(0.5, risk) - 1),
        longest=float(stats.geom.ppf(0.99865, risk) - 1),
        tail=np.asarray(stats.geom.cdf(gaps + 1, risk)),
    )


def checked_risks(risk: ArrayLike) -> FloatArray:
    """Expected risks as a vector.

    Raises
    ------
    ValueError
        If one is missing or not strictly between 0 and 1.
    """
    p = numbers("risk", risk)
    if np.any((p <= 0) | (p >= 1)):
        raise ValueError(f"risk is not between 0 and 1 at {positions((p <= 0) | (p >= 1))}")
    return p
