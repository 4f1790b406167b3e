"""Marginal odds ratios by generalised estimating equations, as a sensitivity analysis for records that cluster."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import expit

from outcomes.estimates.arrays import numbers
from outcomes.estimates.binary import Codes, Values, cluster_codes, observe
from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Fit, FloatArray, NotEstimable
from outcomes.estimates.ratios import cannot_say, nothing_to_fit, robust_fit

CORRELATIONS = {
    "independence": "independence",
    "exchangeable": "exchangeable correlation",
    "ar1": "correlation that falls with the distance of visits (AR(1))",
}
_MOST = 200


def estimating_equations(
    design: Design,
    events: Values,
    *,
    cluster: Values,
    visit: ArrayLike | None = None,
    correlation: str = "exchangeable",
    level: float = 0.95,
) -> Fit | NotEstimable:
    """Do the odds ratios hold when the likeness of a patient's records enters the weights?

    Solves ``Σ_g D_g′ V_g⁻¹ (y_g − μ_g) = 0`` with ``V = A^½ R(α) A^½``, dispersion 1. α comes from the pair products of
    Pearson residuals within patients: their mean (exchangeable), or the least-squares fit of α to the power of the
    distance between visits (AR(1)). Covariance: sandwich by patient times G/(G − 1), t on G − 1 degrees of freedom.
    Assumes that the mean model is right and many patients; missing records must be missing whatever they would have
    shown. Rows are sorted by patient and visit first, so that their order changes nothing.

    Parameters
    ----------
    design : Design
        Of n single records.
    events : array of shape (n,)
        0/1 or booleans.
    cluster : array of shape (n,)
        Patient of each record.
    visit : array of shape (n,) or None
        Number or day of the visit; needed for AR(1), where no patient may have a visit twice.
    correlation : {"exchangeable", "independence", "ar1"}

    Returns
    -------
    Fit or NotEstimable
        ``details``: ``alpha``, ``sandwich_covariance`` (without small-sample factor), ``model_covariance``,
        ``standard_error``. NotEstimable as in `outcomes.estimates.logistic.maximum_likelihood`, and where the equations
        have no solution.

    Raises
    ------
    ValueError
        If AR(1) lacks visits, or a patient has a visit twice.

    References
    ----------
    Liang K-Y, Zeger SL (1986) Biometrika 73:13–22. doi:10.1093/biomet/73.1.13

    Examples
    --------
    >>> from outcomes.estimates.design import Numeric, build
    >>> rows = pd.DataFrame({"dense": [0, 1, 0, 1, 0, 1, 0, 1], "patient": [1, 1, 2, 2, 3, 3, 4, 4]})
    >>> fit = estimating_equations(build(rows, [Numeric("dense")]), [0, 1, 1, 1, 0, 0, 0, 1], cluster=rows["patient"])
    >>> round(fit.term("dense").value, 3)
    9.0
    """
    if correlation not in CORRELATIONS:
        raise ValueError(f"correlation must be one of {', '.join(CORRELATIONS)}")
    method = f"generalised estimating equations, {CORRELATIONS[correlation]}, sandwich covariance by patient"
    data = observe(design, events, cluster=cluster)
    codes = cluster_codes(cluster, design.index)
    times = None if visit is None else numbers("visit", visit)
    if times is not None and len(times) != len(codes):
        raise ValueError("visit and events differ in length")
    if correlation == "ar1":
        if times is None:
            raise ValueError("a correlation that falls with distance needs the visits")
        if bool(pd.DataFrame({"patient": codes, "visit": times}).duplicated().any()):
            raise ValueError("a patient has the same visit twice; number the visits apart")
    refusal = nothing_to_fit(design, data, method=method, finite=True)
    if refusal is not None:
        return refusal
    y = np.asarray(pd.Series(events).to_numpy(dtype=float))
    order = np.lexsort((np.zeros(len(y)) if times is None else times, codes))
    middle, spread = design.matrix.mean(axis=0), design.matrix.std(axis=0)
    middle[0], spread[0] = 0.0, 1.0
    scaled = (design.matrix - middle) / spread
    blocks = _blocks(scaled[order], y[order], codes[order], None if times is None else times[order])
    solved = _solve(blocks, scaled.shape[1], correlation)
    if solved is None:
        return cannot_say("model", "the estimating equations have no solution", method=method, data=data)
    point, alpha, bread, meat = solved
    back = np.diag(1 / spread)
    back[0, 1:] = -middle[1:] / spread[1:]
    inverse = np.linalg.inv(bread)
    sandwich = back @ inverse @ meat @ inverse @ back.T
    groups = data.patients or 0
    return robust_fit(
        design, data, back @ point, groups / (groups - 1) * sandwich, method, level,
        {"alpha": alpha, "sandwich_covariance": sandwich, "model_covariance": back @ inverse @ back.T},
    )  # fmt: skip


_Block = tuple[FloatArray, FloatArray, FloatArray]


def _blocks(x: FloatArray, y: FloatArray, codes: Codes, times: FloatArray | None) -> list[_Block]:
    """Each patient's rows, outcomes and distances between visits."""
    cuts = np.flatnonzero(np.diff(codes)) + 1
    at = np.arange(len(y), dtype=float) if times is None else times
    return [
        (part, outcome, np.abs(when[:, None] - when[None, :]))
        for part, outcome, when in zip(np.split(x, cuts), np.split(y, cuts), np.split(at, cuts), strict=True)
    ]


def _solve(blocks: list[_Block], p: int, correlation: str) -> tuple[FloatArray, float, FloatArray, FloatArray] | None:
    point, alpha = np.zeros(p), 0.0
    for _ in range(_MOST):
        score, bread, meat = _sums(blocks, point, alpha, correlation)
        try:
            step = np.linalg.solve(bread, score)
        except np.linalg.LinAlgError:
            return None
        largest = float(np.abs(step).max())
        if not math.isfinite(largest):
            return None
        point = point + step * min(1.0, 3.0 / max(largest, 1e-300))
        if np.abs(point).max() > 50:
            return None
        before, found = alpha, _alpha(blocks, point, correlation)
        if found is None:
            return None
        alpha = found
        if largest < 1e-11 and abs(alpha - before) < 1e-11:
            _, bread, meat = _sums(blocks, point, alpha, correlation)
            usable = np.all(np.isfinite(bread)) and np.linalg.cond(bread) < 1e12
            return (point, alpha, bread, meat) if usable else None
    return None


def _working(distance: FloatArray, alpha: float, correlation: str) -> FloatArray | None:
    if correlation == "independence" or len(distance) == 1:
        return None
    if correlation == "exchangeable":
        found = np.full(distance.shape, alpha)
        np.fill_diagonal(found, 1.0)
        return found
    return np.asarray(np.where(distance == 0, 1.0, np.sign(alpha) ** distance * abs(alpha) ** distance), dtype=float)


def _sums(
    blocks: list[_Block], point: FloatArray, alpha: float, correlation: str
) -> tuple[FloatArray, FloatArray, FloatArray]:
    p = len(point)
    score, bread, meat = np.zeros(p), np.zeros((p, p)), np.zeros((p, p))
    for x, y, distance in blocks:
        mu = np.clip(expit(x @ point), 1e-12, 1 - 1e-12)
        root = np.sqrt(mu * (1 - mu))
        scaled, residual = x * root[:, None], (y - mu) / root
        working = _working(distance, alpha, correlation)
        weighted = scaled if working is None else np.linalg.solve(working, scaled)
        own = weighted.T @ residual
        score += own
        bread += weighted.T @ scaled
        meat += np.outer(own, own)
    return score, bread, meat


def _alpha(blocks: list[_Block], point: FloatArray, correlation: str) -> float | None:
    """The working correlation from pair products of Pearson residuals; None where it is no correlation."""
    if correlation == "independence":
        return 0.0
    products, distances = [], []
    largest = 1
    for x, y, distance in blocks:
        if len(y) < 2:
            continue
        mu = np.clip(expit(x @ point), 1e-12, 1 - 1e-12)
        residual = (y - mu) / np.sqrt(mu * (1 - mu))
        upper = np.triu_indices(len(y), 1)
        products.append(np.outer(residual, residual)[upper])
        distances.append(distance[upper])
        largest = max(largest, len(y))
    if not products:
        return 0.0
    product, distance = np.concatenate(products), np.concatenate(distances)
    if correlation == "exchangeable":
        alpha = float(product.mean())
        return alpha if -1 / (largest - 1) + 1e-6 < alpha < 1 - 1e-6 else None
    return _decay(product, distance)


def _decay(product: FloatArray, distance: FloatArray) -> float | None:
    """The α that solves ``Σ d α^(d−1) (product − α^d) = 0``; visits not a whole number apart need α ≥ 0."""
    whole = bool(np.all(distance == np.rint(distance)))
    grid = np.linspace(-0.99 if whole else 0.0, 0.99, 199 if whole else 100)

    def misfit(alpha: float) -> float:
        return float(((product - np.sign(alpha) ** distance * abs(alpha) ** distance) ** 2).sum())

    best = int(np.argmin([misfit(float(alpha)) for alpha in grid]))
    if best in (0, len(grid) - 1):
        return 0.0 if not whole and best == 0 else None
    alpha = float(grid[best])
    for _ in range(100):
        power = np.sign(alpha) ** distance * abs(alpha) ** distance
        slope = distance * power / alpha if alpha != 0 else np.where(distance == 1, 1.0, 0.0)
        step = float((slope * (product - power)).sum() / (slope**2).sum())
        alpha = min(0.999, max(-0.999 if whole else 1e-9, alpha + step))
        if abs(step) < 1e-13:
            break
    return alpha
