"""Is it getting worse, case by case? Charts that wait for no quarter to end."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

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

    References
    ----------
    Steiner SH, Cook RJ, Farewell VT, Treasure T (2000) Biostatistics 1:441-452, doi:10.1093/biostatistics/1.4.441.

    Examples
    --------
    >>> event, none = cusum_scores([0.0246], 2.0)
    >>> round(float(event[0]), 2), round(float(none[0]), 2)
    (0.67, -0.02)
    """
    p = _risks(risk)
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
    limit : float
        From `limit_for_run_length`, never tuned on the cases that are judged.
    reset : bool
        False to let the sum run on after a signal.

    Raises
    ------
    ValueError
        If an event is neither yes nor no, a risk is not between 0 and 1, or the limit is not above 0.

    References
    ----------
    Steiner SH, Cook RJ, Farewell VT, Treasure T (2000) Biostatistics 1:441-452, doi:10.1093/biostatistics/1.4.441.
    """
    y = numbers("event", event)
    if np.any((y != 0) & (y != 1)):
        raise ValueError(f"event is neither yes nor no at {positions((y != 0) & (y != 1))}")
    p = _risks(risk)
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


def run_length(
    risk: ArrayLike,
    *,
    odds_ratio: float = 2.0,
    limit: float,
    true_odds_ratio: float = 1.0,
    weight: ArrayLike | None = None,
    cells: int = 600,
) -> float:
    """After how many cases, on average, does the chart signal?

    The sum is a Markov chain on a lattice of `cells` steps from 0 to the limit; each case draws its risk from the
    given ones. A score that falls between two steps is shared between them so that its mean is kept.

    Parameters
    ----------
    risk : array of shape (k,)
        Risks of the cases to come, such as those of the baseline.
    true_odds_ratio : float
        1: nothing has changed, and the answer is the mean time between false signals. Equal to ``odds_ratio``: the
        mean time to find it.
    weight : array of shape (k,) or None
        How often each risk occurs.
    cells : int
        Finer is closer; the error is about one part in the number of cells that a score spans.

    Returns
    -------
    float
        Cases until a signal, starting at 0.

    References
    ----------
    Brook D, Evans DA (1972) Biometrika 59:539-549, doi:10.1093/biomet/59.3.539.
    Steiner SH, Cook RJ, Farewell VT, Treasure T (2000) Biostatistics 1:441-452, doi:10.1093/biostatistics/1.4.441.
    """
    p, share = _mixture(risk, weight)
    with_event, without = cusum_scores(p, odds_ratio)
    chance = special.expit(special.logit(p) + math.log(true_odds_ratio))
    step = limit / cells
    moves = np.concatenate([with_event, without]) / step
    likely = np.concatenate([share * chance, share * (1 - chance)])
    down = np.floor(moves)
    offsets, place = np.unique(np.concatenate([down, down + 1]), return_inverse=True)
    parts = np.concatenate([likely * (1 - (moves - down)), likely * (moves - down)])
    probability = np.bincount(np.asarray(place).reshape(-1), parts, len(offsets))
    chain = np.zeros((cells, cells))
    start = np.arange(cells)
    for offset, chance_of in zip(offsets.astype(int), probability, strict=True):
        end = np.maximum(0, start + offset)
        stays = end < cells
        np.add.at(chain, (start[stays], end[stays]), chance_of)
    return float(np.linalg.solve(np.eye(cells) - chain, np.ones(cells))[0])


def limit_for_run_length(
    risk: ArrayLike,
    cases: float,
    *,
    odds_ratio: float = 2.0,
    true_odds_ratio: float = 1.0,
    weight: ArrayLike | None = None,
    cells: int = 300,
) -> float:
    """Which limit gives, if nothing changes, one false signal in so many cases on average?

    Parameters
    ----------
    risk : array of shape (k,)
        Expected risks of the cases to come.
    cases : float
        Mean number of cases between false signals.
    odds_ratio : float
        That the chart asks for.
    true_odds_ratio : float
        Odds with nothing changed over the odds expected: another number than 1 where the expected risks are uncertain and
        the limit shall hold even if they are wrong by so much.
    weight : array of shape (k,) or None
    cells : int

    Raises
    ------
    ValueError
        If no limit up to 20 does.
    """
    if not cases > 1:
        raise ValueError("the mean number of cases between false signals is above 1")

    def short_of(limit: float) -> float:
        mean = run_length(
            risk, odds_ratio=odds_ratio, limit=limit, true_odds_ratio=true_odds_ratio, weight=weight, cells=cells
        )
        return math.log(max(mean, 1.0)) - math.log(cases)

    low, high = 0.01, 0.5
    while short_of(high) < 0:
        low, high = high, high * 1.5
        if high > 20:
            raise ValueError("no limit up to 20 gives so few false signals")
    if short_of(low) > 0:
        return low
    return float(optimize.brentq(short_of, low, high, xtol=1e-4))


def bernoulli_run_length(risk: float, steps: int, limit: int, *, start: int = 0) -> float:
    """After how many cases does a Bernoulli CUSUM on whole steps signal, exactly?

    A case without the event takes one step down (not below 0), one with it ``steps − 1`` steps up; signal at or
    above the limit.

    References
    ----------
    Reynolds MR, Stoumbos ZG (1999) J Qual Technol 31:87-108, doi:10.1080/00224065.1999.11979900.
    """
    if not 0 < risk < 1 or steps < 2 or not 0 <= start < limit:
        raise ValueError("the risk lies between 0 and 1, steps are 2 or more, the start lies under the limit")
    chain = np.zeros((limit, limit))
    at = np.arange(limit)
    chain[at, np.maximum(0, at - 1)] += 1 - risk
    up = at + steps - 1
    chain[at[up < limit], up[up < limit]] += risk
    return float(np.linalg.solve(np.eye(limit) - chain, np.ones(limit))[start])


def sequential_bounds(false_alarm: float, missed: float) -> tuple[float, float]:
    """Between which sums of evidence does Wald's sequential test go on?

    ``ln(β/(1 − α))`` and ``ln((1 − β)/α)``.

    References
    ----------
    Wald A (1947) Sequential Analysis, Wiley.
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

    References
    ----------
    Roberts SW (1959) Technometrics 1:239-250, doi:10.1080/00401706.1959.10489860.
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

    For events too rare for shares by quarter. Limits are geometric quantiles, as gaps are far from normal.

    Raises
    ------
    ValueError
        With fewer than three events.

    References
    ----------
    Benneyan JC (2001) Health Care Manag Sci 4:305-318, doi:10.1023/A:1011846412909.
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


def _risks(risk: ArrayLike) -> FloatArray:
    p = numbers("risk", risk)
    if np.any((p <= 0) | (p >= 1)):
        raise ValueError(f"risk is not between 0 and 1 at {positions((p <= 0) | (p >= 1))}")
    return p


def _mixture(risk: ArrayLike, weight: ArrayLike | None) -> tuple[FloatArray, FloatArray]:
    p = _risks(risk)
    share = np.ones(len(p)) if weight is None else numbers("weight", weight)
    if len(p) == 0 or len(share) != len(p) or np.any(share < 0) or not share.sum() > 0:
        raise ValueError("risks and their weights are needed, as many of one as of the other")
    values, place = np.unique(p, return_inverse=True)
    return values, np.bincount(np.asarray(place).reshape(-1), share, len(values)) / share.sum()
