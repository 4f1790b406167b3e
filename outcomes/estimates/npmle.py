"""The numerical work behind the interval-censored curve: which intervals carry mass, and how much."""

from __future__ import annotations

import numpy as np

from outcomes.estimates.estimate import FloatArray


class Problem:
    """Distinct intervals, the innermost intervals that can carry mass, and which lies in which.

    Attributes
    ----------
    row : ndarray of shape (n,)
        Distinct interval of each record.
    lower, upper : ndarray of shape (m,)
        The distinct intervals, sorted.
    left, right : ndarray of shape (k,)
        The innermost intervals, sorted.
    inside : ndarray of shape (m, k)
        1 where the innermost interval lies in the distinct one.
    """

    __slots__ = ("inside", "left", "lower", "right", "row", "upper")

    def __init__(self, lower: FloatArray, upper: FloatArray) -> None:
        order = np.lexsort((upper, lower))
        low, up = lower[order], upper[order]
        first = np.ones(len(low), dtype=bool)
        first[1:] = (low[1:] != low[:-1]) | (up[1:] != up[:-1])
        self.row = np.empty(len(low), dtype=np.intp)
        self.row[order] = np.cumsum(first) - 1
        self.lower, self.upper = low[first], up[first]
        exact = self.lower == self.upper
        # Order of ends at one day: an exact day opens, any interval closes, an open interval begins just after.
        day = np.concatenate([self.lower, self.upper])
        kind = np.concatenate([np.where(exact, 0, 2), np.ones(len(self.lower), dtype=int)])
        order = np.lexsort((kind, day))
        kind, day = kind[order], day[order]
        begins = kind != 1
        found = np.flatnonzero(begins[:-1] & ~begins[1:])
        self.left, self.right = day[found], day[found + 1]
        open_left = (kind[found] == 2)[None, :]
        starts_before = np.where(
            exact[:, None],
            self.lower[:, None] <= self.left[None, :],
            (self.lower[:, None] < self.left[None, :]) | ((self.lower[:, None] == self.left[None, :]) & open_left),
        )
        # an exact interval holds only its own day, which no open interval beginning that day is part of
        starts_before &= ~(exact[:, None] & open_left)
        ends_after = self.right[None, :] <= self.upper[:, None]
        self.inside = np.asarray(starts_before & ends_after, dtype=float)


def maximise(
    inside: FloatArray, counts: FloatArray, *, tolerance: float = 1e-10, rounds: int = 200
) -> tuple[FloatArray, float]:
    """Find the masses of greatest likelihood, and the gap that proves it.

    The masses s that maximise ``Σ_i c_i ln (A s)_i`` with s ≥ 0 and Σ s = 1, A telling which intervals each record spans.

    Parameters
    ----------
    inside : ndarray of shape (m, k)
    counts : ndarray of shape (m,)
    tolerance : float
        Gap at which to stop.
    rounds : int
        At most.

    Returns
    -------
    mass : ndarray of shape (k,)
    gap : float
        ``max_j Σ_i c_i A_ij / (n (A s)_i) − 1``: the log-likelihood is within n · gap of its maximum.

    References
    ----------
    Gentleman R, Geyer CJ (1994) Biometrika 81:618-623, doi:10.1093/biomet/81.3.618 (what proves a maximum).

    Examples
    --------
    >>> inside = np.array([[1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    >>> mass, gap = maximise(inside, np.array([3.0, 2.0, 1.0]))
    >>> mass.round(6).tolist(), gap < 1e-9
    ([0.75, 0.25], True)
    """
    n = counts.sum()
    mass = np.full(inside.shape[1], 1 / inside.shape[1])
    gap = np.inf
    for _ in range(rounds):
        for _ in range(10):
            mass = _accelerated_step(inside, counts, mass, n)
        mass = _newton_on_support(inside, counts, mass, n)
        slope = inside.T @ (counts / (inside @ mass)) / n
        gap = float(max(0.0, slope.max() - 1))
        if gap < tolerance:
            break
        # an interval that was emptied but should carry mass gets some back
        wanting = (slope > 1 + tolerance) & (mass < 1e-8)
        if wanting.any():
            mass = 0.999 * mass
            mass[wanting] += 0.001 / wanting.sum()
    return mass, gap


def _self_consistent(inside: FloatArray, counts: FloatArray, mass: FloatArray, n: float) -> FloatArray:
    return np.asarray(mass * (inside.T @ (counts / (inside @ mass))) / n)


def _accelerated_step(inside: FloatArray, counts: FloatArray, mass: FloatArray, n: float) -> FloatArray:
    """Two self-consistency steps and an extrapolation (Varadhan and Roland 2008), kept only if it is better."""
    one = _self_consistent(inside, counts, mass, n)
    two = _self_consistent(inside, counts, one, n)
    first, second = one - mass, two - 2 * one + mass
    size = float(np.sqrt(second @ second))
    if size < 1e-300:
        return two
    step = max(1.0, float(np.sqrt(first @ first)) / size)
    bold = mass + 2 * step * first + step**2 * second
    bold = np.maximum(bold, 1e-4 * two)
    bold = _self_consistent(inside, counts, bold / bold.sum(), n)
    return bold if counts @ np.log(inside @ bold) >= counts @ np.log(inside @ two) else two


def _newton_on_support(inside: FloatArray, counts: FloatArray, mass: FloatArray, n: float) -> FloatArray:
    """Newton steps on the intervals that carry mass, emptying those that the likelihood wants empty."""
    mass = np.where(mass < 1e-9, 0.0, mass)
    mass = mass / mass.sum()
    best = float(counts @ np.log(inside @ mass))
    for _ in range(50):
        support = np.flatnonzero(mass > 0)
        part = inside[:, support]
        scaled = part / (part @ mass[support])[:, None]
        slope = scaled.T @ counts / n
        if np.abs(slope - 1).max() < 1e-13:
            break
        curvature = (scaled * (counts / n)[:, None]).T @ scaled
        k = len(support)
        system = np.zeros((k + 1, k + 1))
        system[:k, :k] = curvature
        system[:k, k] = system[k, :k] = 1.0
        move = np.linalg.lstsq(system, np.append(slope, 0.0), rcond=1e-13)[0][:k]
        falling = move < 0
        limit = float((-mass[support][falling] / move[falling]).min()) if falling.any() else np.inf
        step = min(1.0, limit)
        for _ in range(40):
            trial = mass.copy()
            trial[support] = np.maximum(0.0, mass[support] + step * move)
            trial[trial < 1e-14] = 0.0
            trial /= trial.sum()
            fitted = inside @ trial
            value = float(counts @ np.log(fitted)) if fitted.min() > 0 else -np.inf
            if value >= best - 1e-13 * abs(best):
                break
            step /= 2
        else:
            break
        moved = float(np.abs(trial - mass).max())
        mass, best = trial, value
        if moved < 1e-15:
            break
    return mass


def maximise_many(
    inside: FloatArray, counts: FloatArray, start: FloatArray, *, slack: float = 1e-3, rounds: int = 400
) -> tuple[FloatArray, FloatArray]:
    """Find the masses of greatest likelihood for many sets of counts on the same intervals at once.

    As `maximise`, to within `slack` of the greatest log-likelihood: what a bootstrap needs.

    Parameters
    ----------
    inside : ndarray of shape (m, k)
    counts : ndarray of shape (b, m)
        One set of counts a row.
    start : ndarray of shape (k,)
        Masses to begin from, all above 0. Where a set of counts does not say how mass divides between
        neighbouring intervals, it stays divided as in the start.
    slack : float
        A row is done when its log-likelihood is within this of its maximum.
    rounds : int
        At most.

    Returns
    -------
    mass : ndarray of shape (b, k)
    left_over : ndarray of shape (b,)
        Bound on the log-likelihood still to be gained, n · gap.

    References
    ----------
    Gentleman R, Geyer CJ (1994) Biometrika 81:618-623, doi:10.1093/biomet/81.3.618 (what proves a maximum).

    Examples
    --------
    >>> inside = np.array([[1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    >>> mass, _ = maximise_many(inside, np.array([[3.0, 2.0, 1.0], [1.0, 2.0, 3.0]]), np.array([0.5, 0.5]), slack=1e-9)
    >>> mass.round(3).tolist()
    [[0.75, 0.25], [0.25, 0.75]]
    """
    mass = np.tile(start / start.sum(), (len(counts), 1))
    left_over = np.full(len(counts), np.inf)
    active = np.arange(len(counts))
    for _ in range(rounds):
        c = counts[active]
        n = c.sum(axis=1, keepdims=True)
        now = mass[active]
        one, slope = _step_rows(inside, c, now, n)
        left_over[active] = (np.maximum(slope.max(axis=1), 1.0) - 1) * n[:, 0]
        open_rows = left_over[active] > slack
        if not open_rows.any():
            break
        active, c, n = active[open_rows], c[open_rows], n[open_rows]
        now, one = now[open_rows], one[open_rows]
        two, _ = _step_rows(inside, c, one, n)
        first, second = one - now, two - 2 * one + now
        size = np.sqrt((second**2).sum(axis=1, keepdims=True))
        step = np.maximum(1.0, np.sqrt((first**2).sum(axis=1, keepdims=True)) / np.maximum(size, 1e-300))
        bold = np.maximum(now + 2 * step * first + step**2 * second, 1e-3 * two)
        bold /= bold.sum(axis=1, keepdims=True)
        bold, _ = _step_rows(inside, c, bold, n)
        better = _log_likelihoods(inside, c, bold) >= _log_likelihoods(inside, c, two)
        mass[active] = np.where(better[:, None], bold, two)
    return mass, left_over


def _step_rows(
    inside: FloatArray, counts: FloatArray, mass: FloatArray, n: FloatArray
) -> tuple[FloatArray, FloatArray]:
    fitted = np.maximum(mass @ inside.T, 1e-300)
    slope = ((counts / fitted) @ inside) / n
    return mass * slope, slope


def _log_likelihoods(inside: FloatArray, counts: FloatArray, mass: FloatArray) -> FloatArray:
    return np.asarray((counts * np.log(np.maximum(mass @ inside.T, 1e-300))).sum(axis=1))
