"""After how many cases does a chart signal: on average, at the median, and in the luckiest and unluckiest runs?"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from outcomes.estimates.arrays import numbers
from outcomes.estimates.charts import checked_risks, cusum_scores
from outcomes.estimates.estimate import FloatArray

SHARES = (0.05, 0.5, 0.95)
_LONGEST = 50  # doublings: runs beyond 2^50 cases are not told


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
    given ones. A score that falls between two steps is shared between them so that its mean is kept. With Q the
    chances of moving between steps under the limit, the mean is the first entry of ``(I − Q)⁻¹ 1``.

    Parameters
    ----------
    risk : array of shape (k,)
        Risks of the cases to come, such as those of the baseline.
    odds_ratio : float
        That the chart asks for.
    limit : float
        The sum at which it signals.
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

    Raises
    ------
    ValueError
        If a risk is missing or not between 0 and 1, weights do not fit, or the limit is not above 0.

    References
    ----------
    Brook D, Evans DA (1972) Biometrika 59:539-549, doi:10.1093/biomet/59.3.539.
    Steiner SH, Cook RJ, Farewell VT, Treasure T (2000) Biostatistics 1:441-452, doi:10.1093/biostatistics/1.4.441.

    Examples
    --------
    >>> round(run_length([0.05, 0.1], limit=2.0, cells=300))
    312
    """
    return _mean(_chain(risk, odds_ratio, limit, true_odds_ratio, weight, cells), 0)


def run_length_quantiles(
    risk: ArrayLike,
    *,
    odds_ratio: float = 2.0,
    limit: float,
    true_odds_ratio: float = 1.0,
    weight: ArrayLike | None = None,
    cells: int = 300,
    shares: Sequence[float] = SHARES,
) -> tuple[int, ...]:
    """By how many cases has such a share of charts signalled?

    Run lengths are spread widely about their mean, nearly as a geometric distribution: a chart with a false signal in
    1,000 cases on average has one within the first 52 cases in one of twenty. The smallest t with
    ``1 − (Qᵗ1)₀ ≥ share``, Q as in `run_length`, found exactly by powers of Q.

    Parameters
    ----------
    risk, odds_ratio, limit, true_odds_ratio, weight, cells
        As in `run_length`.
    shares : sequence of float, length s
        Between 0 and 1, both excluded; 0.5 is the median.

    Returns
    -------
    tuple of int, length s

    Raises
    ------
    ValueError
        As `run_length`; if a share lies outside 0 … 1; or if runs are longer than 2⁵⁰ cases.

    References
    ----------
    Brook D, Evans DA (1972) Biometrika 59:539-549, doi:10.1093/biomet/59.3.539.

    Examples
    --------
    >>> run_length_quantiles([0.05, 0.1], limit=2.0)
    (30, 221, 901)
    """
    return _quantiles(_chain(risk, odds_ratio, limit, true_odds_ratio, weight, cells), 0, shares)


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

    The limit at which `run_length` is the number asked for, by root finding on its logarithm.

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
        How often each risk occurs.
    cells : int
        Steps of the lattice.

    Returns
    -------
    float
        At least 0.01, at most 20; where the chart signals too rarely at 0.01 already, 0.01.

    Raises
    ------
    ValueError
        If no limit up to 20 does, or as `run_length`.

    References
    ----------
    Steiner SH, Cook RJ, Farewell VT, Treasure T (2000) Biostatistics 1:441-452, doi:10.1093/biostatistics/1.4.441.

    Examples
    --------
    >>> limit = limit_for_run_length([0.05, 0.1], 312)
    >>> round(limit, 1)
    2.0
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
    """After how many cases does a Bernoulli CUSUM on whole steps signal, exactly, on average?

    A case without the event takes one step down (not below 0), one with it ``steps − 1`` steps up; signal at or
    above the limit. The mean is an entry of ``(I − Q)⁻¹ 1``, Q the chances of moving between steps under the limit.

    Parameters
    ----------
    risk : float
        Of each case, between 0 and 1; cases are independent.
    steps : int
        2 or more.
    limit : int
    start : int
        Where the sum begins, under the limit.

    Returns
    -------
    float
        Cases until a signal.

    Raises
    ------
    ValueError
        If a number lies outside its bounds.

    References
    ----------
    Reynolds MR, Stoumbos ZG (1999) J Qual Technol 31:87-108, doi:10.1080/00224065.1999.11979900.

    Examples
    --------
    >>> round(bernoulli_run_length(0.1, 3, 2), 6)  # any event signals: the mean of a geometric distribution
    10.0
    """
    return _mean(_whole_steps(risk, steps, limit, start), start)


def bernoulli_run_length_quantiles(
    risk: float, steps: int, limit: int, *, start: int = 0, shares: Sequence[float] = SHARES
) -> tuple[int, ...]:
    """By how many cases has such a share of Bernoulli CUSUM charts signalled, exactly?

    The smallest t with ``1 − (Qᵗ1)_start ≥ share``, Q as in `bernoulli_run_length`.

    Parameters
    ----------
    risk, steps, limit, start
        As in `bernoulli_run_length`.
    shares : sequence of float, length s
        Between 0 and 1, both excluded.

    Returns
    -------
    tuple of int, length s

    Raises
    ------
    ValueError
        If a number lies outside its bounds.

    References
    ----------
    Reynolds MR, Stoumbos ZG (1999) J Qual Technol 31:87-108, doi:10.1080/00224065.1999.11979900.

    Examples
    --------
    >>> bernoulli_run_length_quantiles(0.1, 3, 2)  # any event signals: quantiles of a geometric distribution
    (1, 7, 29)
    """
    return _quantiles(_whole_steps(risk, steps, limit, start), start, shares)


def _chain(
    risk: ArrayLike,
    odds_ratio: float,
    limit: float,
    true_odds_ratio: float,
    weight: ArrayLike | None,
    cells: int,
) -> FloatArray:
    """Chances of moving between steps under the limit."""
    if not limit > 0:
        raise ValueError("a limit is above 0")
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
    return chain


def _whole_steps(risk: float, steps: int, limit: int, start: int) -> FloatArray:
    if not 0 < risk < 1 or steps < 2 or not 0 <= start < limit:
        raise ValueError("the risk lies between 0 and 1, steps are 2 or more, the start lies under the limit")
    chain = np.zeros((limit, limit))
    at = np.arange(limit)
    chain[at, np.maximum(0, at - 1)] += 1 - risk
    up = at + steps - 1
    chain[at[up < limit], up[up < limit]] += risk
    return chain


def _mean(chain: FloatArray, start: int) -> float:
    return float(np.linalg.solve(np.eye(len(chain)) - chain, np.ones(len(chain)))[start])


def _quantiles(chain: FloatArray, start: int, shares: Sequence[float]) -> tuple[int, ...]:
    """The first case by which each share of charts has signalled."""
    if not all(0 < share < 1 for share in shares):
        raise ValueError("a share of charts lies between 0 and 1")
    power = [chain]  # of 1, 2, 4 … cases
    while power[-1][start].sum() > 1 - max(shares, default=0.5):
        if len(power) > _LONGEST:
            raise ValueError("runs are longer than can be told")
        power.append(power[-1] @ power[-1])
    found = []
    for share in shares:
        still, passed = np.eye(len(chain))[start], 0
        for doubling in range(len(power) - 1, -1, -1):
            after = still @ power[doubling]
            if after.sum() > 1 - share:
                still, passed = after, passed + 2**doubling
        found.append(passed + 1)
    return tuple(found)


def _mixture(risk: ArrayLike, weight: ArrayLike | None) -> tuple[FloatArray, FloatArray]:
    p = checked_risks(risk)
    share = np.ones(len(p)) if weight is None else numbers("weight", weight)
    if len(p) == 0 or len(share) != len(p) or np.any(share < 0) or not share.sum() > 0:
        raise ValueError("risks and their weights are needed, as many of one as of the other")
    values, place = np.unique(p, return_inverse=True)
    return values, np.bincount(np.asarray(place).reshape(-1), share, len(values)) / share.sum()
