"""The nonparametric distribution of times that are only known to lie in intervals (after, by]."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from outcomes.estimates.arrays import positions, weights
from outcomes.estimates.estimate import FloatArray
from outcomes.estimates.npmle import Problem, maximise


@dataclass(frozen=True, slots=True, eq=False)
class Turnbull:
    """The distribution that makes the observed intervals most likely.

    Attributes
    ----------
    left, right : ndarray of shape (k,)
        The intervals (left, right] that carry mass; ``right`` is infinite for a last one that is open, and
        equal to ``left`` for an exact day.
    mass : ndarray of shape (k,)
        Their probabilities, adding to 1.
    gap : float
        Proof of convergence: the log-likelihood lies within n · gap of its maximum.
    log_likelihood : float
    n : float
        Records, or the sum of their weights.
    last_day : float
        Largest finite day of any interval; beyond it the records say nothing.
    """

    left: FloatArray
    right: FloatArray
    mass: FloatArray
    gap: float
    log_likelihood: float
    n: float
    last_day: float

    def survival_at(self, grid: ArrayLike) -> FloatArray:
        """What share has it not happened to yet, just after each day?

        S(t) is the mass in intervals that begin at or after t, in exact days after t, and in a last open
        interval. On a day inside an interval with mass the curve is not determined; this is its lower
        end there, and `survival_range_at` gives both.
        """
        return self.survival_range_at(grid)[0]

    def survival_range_at(self, grid: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Between which shares does the estimate leave the curve on each day?"""
        days = np.asarray(grid, dtype=float)
        return self._counted_at(days) @ self.mass, self._counted_at(days, upper=True) @ self.mass

    def interpolated_at(self, grid: ArrayLike) -> FloatArray:
        """What share has it not happened to yet, were each interval's mass spread evenly over the interval?

        A convention for drawing, between the two ends of `survival_range_at` and equal to both where the curve
        is determined; `quantile` follows the same line.
        """
        return spread_at(self.left, self.right, np.asarray(grid, dtype=float)) @ self.mass

    def _counted_at(self, days: FloatArray, *, upper: bool = False) -> FloatArray:
        return counted_at(self.left, self.right, days, upper=upper)

    def quantile(self, share: float = 0.5) -> float:
        """By which day has it happened to this share (a straight line inside the interval; inf if never)?"""
        return float(quantiles(self.left, self.right, self.mass[None, :], share)[0])

    def quantile_interval(self, share: float = 0.5) -> tuple[float, float]:
        """Return the interval (left, right] in which the quantile lies; infinite if it is not reached."""
        done = np.cumsum(self.mass)
        index = min(int(np.searchsorted(done, share - 1e-9)), len(done) - 1)
        return float(self.left[index]), float(self.right[index])


def counted_at(left: FloatArray, right: FloatArray, days: FloatArray, *, upper: bool = False) -> FloatArray:
    """Return the (days, intervals) matrix that is 1 where an interval's mass has not happened yet."""
    exact = left == right
    day = days[:, None]
    begins = np.where(exact, left > day, left >= day)
    if upper:
        begins = begins | (right > day)
    return np.asarray(begins | np.isinf(right), dtype=float)


def spread_at(left: FloatArray, right: FloatArray, days: FloatArray) -> FloatArray:
    """Return the (days, intervals) matrix of the share of an interval's mass that lies after a day, spread evenly."""
    day = days[:, None]
    width = np.where(np.isfinite(right) & (right > left), right - left, 1.0)
    inside = np.clip((right - day) / width, 0.0, 1.0)
    lower = counted_at(left, right, days)
    return np.asarray(np.where(np.isfinite(right) & (right > left), inside, lower), dtype=float)


def brackets(left: FloatArray, right: FloatArray, masses: FloatArray, share: float) -> tuple[FloatArray, FloatArray]:
    """In which interval (left, right] does each distribution reach this share? One row of each a distribution."""
    done = np.cumsum(masses, axis=1)
    index = np.minimum((done < share - 1e-9).sum(axis=1), masses.shape[1] - 1)
    row = np.arange(len(masses))
    return left[row, index], right[row, index]


def quantiles(left: FloatArray, right: FloatArray, masses: FloatArray, share: float) -> FloatArray:
    """By which day has each distribution (a row of masses) reached this share; inf where it does not.

    The left end of the interval in which the distribution passes the share, plus the part of it that is still needed.

    Parameters
    ----------
    left, right : ndarray of shape (k,)
        Ends of the intervals that carry mass.
    masses : ndarray of shape (b, k)
    share : float
        Between 0 and 1.

    Returns
    -------
    ndarray of shape (b,)

    References
    ----------
    Turnbull BW (1976) J R Stat Soc B 38:290-295, doi:10.1111/j.2517-6161.1976.tb01597.x.

    Examples
    --------
    >>> quantiles(np.array([2.0, 5.0]), np.array([4.0, 9.0]), np.array([[0.25, 0.75]]), 0.5).round(3).tolist()
    [6.333]
    """
    done = np.cumsum(masses, axis=1)
    before = np.concatenate([np.zeros((len(masses), 1)), done[:, :-1]], axis=1)
    index = np.minimum((done < share - 1e-9).sum(axis=1), masses.shape[1] - 1)
    row = np.arange(len(masses))
    part = (share - before[row, index]) / np.maximum(masses[row, index], 1e-300)
    start, stop = left[index], right[index]
    inside = start + np.clip(part, 0.0, 1.0) * np.where(np.isinf(stop), 0.0, stop - start)
    return np.asarray(np.where(np.isinf(stop), np.inf, inside))


def turnbull(after: ArrayLike, by: ArrayLike, *, weight: ArrayLike | None = None) -> Turnbull:
    """How are the times distributed, given the intervals they were seen in?

    Nonparametric maximum likelihood: mass can only lie on the innermost intervals; it is found by accelerated
    self-consistency and finished by Newton steps, until the directional derivatives prove convergence.

    Parameters
    ----------
    after, by : array of shape (n,)
        Bounds of the intervals (after, by] in days; ``by`` nan or infinite where it was not seen to happen.
    weight : array of shape (n,) or None
        Frequency weights.

    Returns
    -------
    Turnbull

    Raises
    ------
    ValueError
        If there are no records, a lower bound is missing or negative, or lies above the upper one.

    References
    ----------
    Turnbull BW (1976) J R Stat Soc B 38:290-295, doi:10.1111/j.2517-6161.1976.tb01597.x.
    Gentleman R, Geyer CJ (1994) Biometrika 81:618-623, doi:10.1093/biomet/81.3.618.

    Examples
    --------
    >>> curve = turnbull([0, 1, 1, 2, 4, 3], [2, 3, 4, 5, float("nan"), float("nan")])
    >>> curve.left.tolist(), curve.right.tolist(), curve.mass.round(6).tolist()
    ([1.0, 4.0], [2.0, 5.0], [0.5, 0.5])
    """
    lower, upper = interval_bounds(after, by)
    w = weights(weight, len(lower))
    kept = w > 0
    lower, upper, w = lower[kept], upper[kept], w[kept]
    if not len(lower):
        raise ValueError("no records to estimate a distribution from")
    problem = Problem(lower, upper)
    counts = np.bincount(problem.row, w, problem.inside.shape[0]).astype(float)
    mass, gap = maximise(problem.inside, counts)
    fitted = problem.inside @ mass
    carries = mass > 1e-12
    return Turnbull(
        left=problem.left[carries],
        right=problem.right[carries],
        mass=mass[carries] / mass[carries].sum(),
        gap=gap,
        log_likelihood=float(counts @ np.log(fitted)),
        n=float(w.sum()),
        last_day=last_day(lower, upper),
    )


def interval_bounds(after: ArrayLike, by: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Check the bounds of intervals; an upper bound that is missing becomes infinite.

    Raises
    ------
    ValueError
        If a lower bound is missing, infinite or negative, or lies above its upper bound; positions are named.
    """
    lower = np.asarray(after, dtype=float)
    upper = np.asarray(by, dtype=float)
    if lower.ndim != 1 or lower.shape != upper.shape:
        raise ValueError("after and by differ in length")
    faulty = ~np.isfinite(lower)
    if np.any(faulty):
        raise ValueError(f"the lower bound of an interval is missing at {positions(faulty)}")
    upper = np.where(np.isnan(upper), np.inf, upper)
    faulty = (lower < 0) | (upper < 0)
    if np.any(faulty):
        raise ValueError(f"a time before the start (a negative duration) at {positions(faulty)}")
    faulty = lower > upper
    if np.any(faulty):
        raise ValueError(f"the lower bound lies above the upper bound at {positions(faulty)}")
    return lower, upper


def last_day(lower: FloatArray, upper: FloatArray) -> float:
    """Return the largest finite day among the bounds."""
    return float(np.where(np.isinf(upper), lower, upper).max())


def under_observation(
    after: ArrayLike, by: ArrayLike, grid: ArrayLike, *, weight: ArrayLike | None = None
) -> NDArray[np.intp]:
    """How many records are still under observation just before each day?

    A record counts on day t if it was seen to happen on day t or later (by ≥ t), or, where it was never seen to
    happen, if the last look was on day t or later (after ≥ t). For exact times it is the number at risk.

    Parameters
    ----------
    after, by : array of shape (n,)
        As in `turnbull`.
    grid : array of shape (g,)
        Days.
    weight : array of shape (n,) or None
        Frequency weights.

    Returns
    -------
    integer array of shape (g,)

    References
    ----------
    Turnbull BW (1976) J R Stat Soc B 38:290-295, doi:10.1111/j.2517-6161.1976.tb01597.x.

    Examples
    --------
    >>> under_observation([2, 4, 7], [4, 6, None], [3, 5, 7]).tolist()
    [3, 2, 1]
    """
    lower, upper = interval_bounds(after, by)
    w = weights(weight, len(lower))
    ends = np.where(np.isinf(upper), lower, upper)
    days = np.asarray(grid, dtype=float)
    return np.asarray(np.rint((ends[None, :] >= days[:, None]) @ w), dtype=np.intp)
