"""How does a setting bend the risk? Restricted cubic splines, knots at fixed quantiles."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from outcomes.estimates.estimate import FloatArray

QUANTILES: dict[int, tuple[float, ...]] = {
    3: (0.10, 0.50, 0.90),
    4: (0.05, 0.35, 0.65, 0.95),
    5: (0.05, 0.275, 0.50, 0.725, 0.95),
    6: (0.05, 0.23, 0.41, 0.59, 0.77, 0.95),
    7: (0.025, 0.1833, 0.3417, 0.50, 0.6583, 0.8167, 0.975),
}


def knots_at_quantiles(x: ArrayLike, count: int) -> FloatArray:
    """Where do the knots of a restricted cubic spline go?

    Quantiles (linear interpolation between order statistics) that depend on the number of knots only, so that
    the curve's shape is not chosen from the outcome.

    Parameters
    ----------
    x : array of shape (n,)
        The setting, none missing.
    count : int
        Knots wanted, 3 to 7.

    Returns
    -------
    ndarray of shape (k,)
        Distinct knots in rising order. A setting used at few values only can leave fewer than `count`, and
        fewer than three cannot carry a spline.

    Raises
    ------
    ValueError
        If `count` is not 3 to 7, or a value is missing or infinite.

    References
    ----------
    Harrell FE (2015) Regression Modeling Strategies, 2nd ed., Springer, table 2.3. doi:10.1007/978-3-319-19425-7

    Examples
    --------
    >>> knots_at_quantiles(range(101), 3).tolist()
    [10.0, 50.0, 90.0]
    """
    if count not in QUANTILES:
        raise ValueError("a restricted cubic spline has 3 to 7 knots")
    values = _finite(x)
    if values.size == 0:
        raise ValueError("knots need at least one value")
    return np.unique(np.quantile(values, QUANTILES[count]))


def restricted_cubic(x: ArrayLike, knots: Sequence[float] | FloatArray) -> FloatArray:
    """What are the columns of a restricted cubic spline?

    The first column is x itself; column j + 1 is, with knots t₁ < … < t_k and (u)₊ = max(u, 0)::

        [(x − t_j)₊³ − (x − t_{k−1})₊³ (t_k − t_j)/(t_k − t_{k−1}) + (x − t_k)₊³ (t_{k−1} − t_j)/(t_k − t_{k−1})]
        / (t_k − t₁)²

    The curve is a cubic between the knots and a straight line beyond the outer ones.

    Parameters
    ----------
    x : array of shape (n,)
        The setting, none missing.
    knots : sequence of k floats, at least 3, strictly rising

    Returns
    -------
    ndarray of shape (n, k − 1)

    Raises
    ------
    ValueError
        If the knots are fewer than three or not strictly rising, or a value is missing or infinite.

    References
    ----------
    Harrell FE (2015) Regression Modeling Strategies, 2nd ed., Springer, section 2.4.5.

    Examples
    --------
    >>> restricted_cubic([0.0, 4.0], [1.0, 2.0, 3.0]).tolist()
    [[0.0, 0.0], [4.0, 3.0]]
    """
    values = _finite(x)
    t = np.asarray(knots, dtype=np.float64)
    if t.ndim != 1 or t.size < 3 or not np.all(np.isfinite(t)) or np.any(np.diff(t) <= 0):
        raise ValueError("a restricted cubic spline needs at least three strictly rising knots")
    last, before, span = t[-1], t[-2], (t[-1] - t[0]) ** 2

    def cube(at: float) -> FloatArray:
        return np.maximum(values - at, 0.0) ** 3

    tail_last, tail_before = cube(float(last)), cube(float(before))
    columns = [values]
    for knot in t[:-2]:
        columns.append(
            (
                cube(float(knot))
                - tail_before * (last - knot) / (last - before)
                + tail_last * (before - knot) / (last - before)
            )
            / span
        )
    return np.column_stack(columns)


def _finite(x: ArrayLike) -> FloatArray:
    values = np.asarray(x, dtype=np.float64)
    if values.ndim != 1 or not np.all(np.isfinite(values)):
        raise ValueError("a spline needs a vector of finite values")
    return values
