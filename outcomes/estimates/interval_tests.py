"""Do groups differ in their times, when times are only known to lie in intervals?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from outcomes.estimates.arrays import cluster_codes, positions
from outcomes.estimates.estimate import FloatArray, NotEstimable
from outcomes.estimates.turnbull import Turnbull, interval_bounds, turnbull

SCORES = {
    "sun": "log-rank test for interval-censored times (Sun's scores)",
    "finkelstein": "log-rank test for interval-censored times (Finkelstein's scores, proportional hazards)",
    "wilcoxon": "Wilcoxon–Mann–Whitney test for interval-censored times (proportional odds)",
}


@dataclass(frozen=True, slots=True, eq=False)
class GroupTest:
    """Whether groups differ.

    Attributes
    ----------
    method : str
    groups : tuple of str
        Sorted.
    score : ndarray of shape (groups,)
        Sum of scores of each group: above 0 where it came earlier than in all together.
    z : float or None
        With two groups, deviate of the first; above 0 where it came earlier there.
    chi_square, p_value : float
    degrees_of_freedom : int
    n, patients : int
    """

    method: str
    groups: tuple[str, ...]
    score: FloatArray
    z: float | None
    chi_square: float
    p_value: float
    degrees_of_freedom: int
    n: int
    patients: int | None


def interval_rank_test(
    after: ArrayLike,
    by: ArrayLike,
    group: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    scores: str = "sun",
    term: str = "",
) -> GroupTest | NotEstimable:
    """Do the groups differ in when it happened?

    Each record gets a score from the curve of all together, by where its interval lies; the sums of scores by
    group are compared with what permuting the groups would give. With ``cluster`` the variance comes from patients'
    own sums, ``G/(G−1) Σ_g (Σ_{i∈g} (c_i − c̄)(z_i − z̄))²``, which also holds where a patient has records in several
    groups.

    Parameters
    ----------
    after, by : array of shape (n,)
        As in `outcomes.estimates.turnbull.turnbull`.
    group : array of shape (n,)
    cluster : array of shape (n,) or None
        Patient of each record; None for independent records.
    scores : {"sun", "finkelstein", "wilcoxon"}
    term : str

    Returns
    -------
    GroupTest or NotEstimable
        NotEstimable with one group, without events, or with patients no more than groups.

    Raises
    ------
    ValueError
        If bounds are missing or crossed, lengths differ, a group is missing, or the scores are unknown.

    References
    ----------
    Fay MP, Shaw PA (2010) J Stat Softw 36(2), doi:10.18637/jss.v036.i02.
    Sun J (1996) Stat Med 15:1387-1395. Finkelstein DM (1986) Biometrics 42:845-854, doi:10.2307/2530698.

    Examples
    --------
    >>> after = [2, 3, 3, 5, 4, 6, 7, 9, 8, 6]
    >>> test = interval_rank_test(after, [day + 2 for day in after], ["a"] * 5 + ["b"] * 5)
    >>> round(test.p_value, 3)
    0.016
    """
    if scores not in SCORES:
        raise ValueError(f"scores must be one of {', '.join(SCORES)}")
    lower, upper = interval_bounds(after, by)
    labels = pd.Series(group)
    if len(labels) != len(lower):
        raise ValueError("group and intervals differ in length")
    if labels.isna().any():
        raise ValueError(f"the group is missing at {positions(labels.isna().to_numpy())}")
    names, member = np.unique(labels.astype(str).to_numpy(dtype=str), return_inverse=True)
    codes = None if cluster is None else cluster_codes(cluster, len(lower))
    patients = None if codes is None else (int(codes.max()) + 1 if len(codes) else 0)
    n, events, k = len(lower), int(np.isfinite(upper).sum()), len(names)
    method = SCORES[scores] + (", variance by patient" if codes is not None else ", permutation variance")
    reason = ""
    if k < 2:
        reason = "no cases" if n == 0 else "one group only"
    elif events == 0:
        reason = "no record was seen to get there"
    elif patients is not None and patients <= k:
        reason = f"{patients} patients in {k} groups"
    if reason:
        return NotEstimable(term, reason, n=n, patients=patients, events=events, method=method)
    value = _scores(turnbull(lower, upper), lower, upper, scores)
    belongs = (np.asarray(member).reshape(-1)[:, None] == np.arange(k)).astype(float)
    score = belongs.T @ value
    covariance = _covariance(value - value.mean(), belongs - belongs.mean(axis=0), codes)
    excess = score - belongs.sum(axis=0) * value.mean()
    if not np.trace(covariance) > 1e-12 * max(1.0, float((value**2).sum())):
        return NotEstimable(term, "all records are alike", n=n, patients=patients, events=events, method=method)
    part = covariance[:-1, :-1]
    chi_square = float(excess[:-1] @ np.linalg.pinv(part, hermitian=True) @ excess[:-1])
    freedom = int(np.linalg.matrix_rank(part, hermitian=True))
    return GroupTest(
        method=method,
        groups=tuple(str(name) for name in names),
        score=score,
        z=float(excess[0] / np.sqrt(covariance[0, 0])) if k == 2 else None,
        chi_square=chi_square,
        p_value=max(float(stats.chi2.sf(chi_square, freedom)), float(np.finfo(float).tiny)),
        degrees_of_freedom=freedom,
        n=n,
        patients=patients,
    )


def _scores(curve: Turnbull, lower: FloatArray, upper: FloatArray, kind: str) -> FloatArray:
    """Score each record from the pooled curve just before and just after its interval."""
    survival = np.append(1.0, np.maximum(0.0, 1 - np.cumsum(curve.mass)))
    survival[-1] = 0.0
    exact, open_left = lower == upper, curve.left != curve.right
    # number of masses that end before the record's interval begins, and that begin before it ends
    inside_from = np.where(
        exact[:, None],
        (curve.right[None, :] < lower[:, None]) | (open_left & (curve.right[None, :] == lower[:, None])),
        curve.right[None, :] <= lower[:, None],
    ).sum(axis=1)
    inside_to = (curve.right[None, :] <= upper[:, None]).sum(axis=1)
    before, beyond = survival[inside_from], survival[inside_to]
    hazard = np.append(0.0, -np.cumsum(curve.mass / survival[:-1]))
    if kind == "sun":
        pieces = _product(before, hazard[inside_from]) - _product(beyond, hazard[inside_to])
    elif kind == "finkelstein":
        pieces = _product(before, np.log(np.maximum(before, 1e-300))) - _product(
            beyond, np.log(np.maximum(beyond, 1e-300))
        )
    else:
        return np.asarray(before + beyond - 1)
    return np.asarray(pieces / np.maximum(before - beyond, 1e-300))


def _product(survival: FloatArray, logarithm: FloatArray) -> FloatArray:
    return np.where(survival <= 1e-12, 0.0, survival * logarithm)


def _covariance(score: FloatArray, belongs: FloatArray, codes: NDArray[np.intp] | None) -> FloatArray:
    if codes is None:
        n = len(score)
        return np.asarray((score @ score) * (belongs.T @ belongs) / (n - 1))
    groups = int(codes.max()) + 1
    totals = np.zeros((groups, belongs.shape[1]))
    np.add.at(totals, codes, score[:, None] * belongs)
    return np.asarray(groups / (groups - 1) * totals.T @ totals)
