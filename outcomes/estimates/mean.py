"""How large is a quantity on average, and by how much does it differ, when records cluster in patients?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable

_METHOD = "mean with linearised variance by patient, t reference"


@dataclass(frozen=True, slots=True)
class _Grouped:
    values: NDArray[np.float64]
    cluster: NDArray[np.intp]
    clusters: int


def _grouped(values: ArrayLike, cluster: ArrayLike) -> _Grouped:
    numbers = np.asarray(values, dtype=float)
    if numbers.ndim != 1 or not np.all(np.isfinite(numbers)):
        raise ValueError("values must be a vector without missing entries")
    labels, codes = np.unique(np.asarray(cluster, dtype=str), return_inverse=True)
    if codes.shape != numbers.shape:
        raise ValueError("values and cluster differ in length")
    return _Grouped(numbers, codes, len(labels))


def _clustered_variance(influence: NDArray[np.float64], data: _Grouped) -> float:
    totals = np.bincount(data.cluster, influence, data.clusters)
    return float(data.clusters / (data.clusters - 1) * (totals**2).sum())


def clustered_mean(
    values: ArrayLike, cluster: ArrayLike, *, term: str = "", unit: str = "", level: float = 0.95
) -> Answer:
    """How large is a quantity on average, allowing for several records of one patient?

    The mean is a ratio of patient totals; its variance is that of the linearised totals,
    ``G/(G−1) · Σ_g (Σ_{i∈g} (x_i − x̄)/n)²``, referred to t on G − 1 degrees of freedom.

    Parameters
    ----------
    values : array of shape (n,)
        The quantity, one a record, none missing.
    cluster : array of shape (n,)
        Patient of each record.
    term, unit : str
    level : float

    Returns
    -------
    Estimate or NotEstimable
        NotEstimable with fewer than two patients, or when all records carry the same value.

    Raises
    ------
    ValueError
        If a value is missing or the lengths differ.

    References
    ----------
    Cochran WG (1977) Sampling Techniques, 3rd ed., Wiley, section 6.3 (ratio of totals).

    Examples
    --------
    >>> clustered_mean([1, 2, 3, 6], ["a", "a", "b", "c"]).value
    3.0
    """
    data = _grouped(values, cluster)
    n = len(data.values)
    if n == 0:
        return NotEstimable(term, "no cases", n=0, patients=0, method=_METHOD, unit=unit)
    if data.clusters < 2:
        return NotEstimable(term, "one patient only", n=n, patients=1, method=_METHOD, unit=unit)
    mean = float(data.values.mean())
    error = math.sqrt(_clustered_variance((data.values - mean) / n, data))
    if error <= 1e-12 * max(1.0, abs(mean)):
        return NotEstimable(
            term, "all records carry the same value", n=n, patients=data.clusters, method=_METHOD, unit=unit
        )
    half = float(stats.t.ppf(0.5 + level / 2, data.clusters - 1)) * error
    return Estimate(term, mean, mean - half, mean + half, _METHOD, n, level=level, unit=unit, patients=data.clusters)


def clustered_mean_difference(
    values: ArrayLike,
    cluster: ArrayLike,
    first: ArrayLike,
    *,
    term: str = "",
    unit: str = "",
    level: float = 0.95,
) -> Answer:
    """By how much does the mean of one group exceed that of the other, patients appearing in both or not?

    ``d = x̄₁ − x̄₂``, variance ``G/(G−1) · Σ_g (Σ_{i∈g, 1} (x_i − x̄₁)/n₁ − Σ_{i∈g, 2} (x_i − x̄₂)/n₂)²``.

    Parameters
    ----------
    values, cluster : arrays of shape (n,)
        As for `clustered_mean`.
    first : boolean array of shape (n,)
        True where a record belongs to the first group; the difference is first minus second.
    term, unit : str
    level : float

    Returns
    -------
    Estimate or NotEstimable
        With the variance of both linearised means summed within patient, so that a patient who appears on
        both sides is allowed for; t on G − 1 degrees of freedom.

    Raises
    ------
    ValueError
        If a value is missing or the lengths differ.

    References
    ----------
    Cochran WG (1977) Sampling Techniques, 3rd ed., Wiley, section 6.3 (ratio of totals).

    Examples
    --------
    >>> clustered_mean_difference([1, 2, 3, 6], ["a", "b", "c", "d"], [True, True, False, False]).value
    -3.0
    """
    data = _grouped(values, cluster)
    side = np.asarray(first, dtype=bool)
    if side.shape != data.values.shape:
        raise ValueError("values and first differ in length")
    n = len(data.values)
    sizes = [len(np.unique(data.cluster[side])), len(np.unique(data.cluster[~side]))]
    method = "difference of means with linearised variance by patient, t reference"
    if min(sizes) < 2:
        return NotEstimable(
            term, "fewer than two patients on one side", n=n, patients=data.clusters, method=method, unit=unit
        )
    means = [float(data.values[side].mean()), float(data.values[~side].mean())]
    influence = np.where(side, (data.values - means[0]) / side.sum(), -(data.values - means[1]) / (~side).sum())
    error = math.sqrt(_clustered_variance(influence, data))
    difference = means[0] - means[1]
    if error <= 1e-12 * max(1.0, abs(means[0]), abs(means[1])):
        return NotEstimable(
            term, "all records carry the same value", n=n, patients=data.clusters, method=method, unit=unit
        )
    degrees = data.clusters - 1
    half = float(stats.t.ppf(0.5 + level / 2, degrees)) * error
    p = max(2 * float(stats.t.sf(abs(difference) / error, degrees)), 1e-300)
    return Estimate(
        term,
        difference,
        difference - half,
        difference + half,
        method,
        n,
        level=level,
        unit=unit,
        patients=data.clusters,
        p_value=min(p, 1.0),
    )
