"""Odds ratios when some records stand for others: logistic regression with weights, limits by patient."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit

from outcomes.estimates.arrays import weights
from outcomes.estimates.binary import Values, cluster_codes, observe, whole_numbers
from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Fit, FloatArray, NotEstimable
from outcomes.estimates.firth import penalised
from outcomes.estimates.ratios import cannot_say, nothing_to_fit, robust_fit
from outcomes.estimates.separation import standardised
from outcomes.estimates.standardise import fitted_risks

METHOD = "logistic regression with inverse-probability weights, sandwich covariance by patient"
_MOST = 100


def weighted_logistic(
    design: Design, events: Values, *, weight: ArrayLike, cluster: Values, level: float = 0.95
) -> Fit | NotEstimable:
    """Which odds ratios hold when the records seen stand, by their weights, for those like them that were not?

    Solves ``Σ w x (y − μ) = 0``. Covariance ``A⁻¹ B A⁻¹ · G/(G − 1)`` with the scores summed by patient, t on G − 1
    degrees of freedom. Weights are taken as known; with weights that were estimated the limits are, if
    anything, too wide.

    Parameters
    ----------
    design : Design
        Of n single records.
    events : array of shape (n,)
        0/1 or booleans.
    weight : array of shape (n,)
        Above zero; only their proportions matter.
    cluster : array of shape (n,)
        Patient of each record, none missing.
    level : float

    Returns
    -------
    Fit or NotEstimable
        NotEstimable as in `outcomes.estimates.logistic.maximum_likelihood`, and where the equations have no
        solution.

    Raises
    ------
    ValueError
        If a weight is missing or not above zero, events are no 0/1, a cluster is missing, or lengths differ.

    References
    ----------
    Binder DA (1983) Int Stat Rev 51:279–292. doi:10.2307/1402588
    Seaman SR, White IR (2013) Stat Methods Med Res 22:278–295. doi:10.1177/0962280210395740

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import Numeric, build
    >>> rows = pd.DataFrame({"dense": [0, 0, 0, 1, 1, 1], "event": [0, 1, 0, 1, 0, 1], "patient": [1, 2, 3, 4, 5, 6]})
    >>> fit = weighted_logistic(
    ...     build(rows, [Numeric("dense")]), rows["event"], weight=[1, 2, 1, 1, 2, 1], cluster=rows["patient"]
    ... )
    >>> round(fit.terms[0].value, 6)
    1.0
    """
    data = observe(design, events, cluster=cluster)
    codes = cluster_codes(cluster, design.index)
    w = weights(weight, len(design.matrix))
    if len(w) and not w.min() > 0:
        raise ValueError("a weight is above zero; leave out records that stand for nobody")
    refusal = nothing_to_fit(design, data, method=METHOD, finite=True)
    if refusal is not None:
        return refusal
    w = w / w.mean()
    y = whole_numbers("events", events)
    x, shift, scale = standardised(design.matrix, w)
    point = _solve(x, y, w)
    if point is None:
        return cannot_say("model", "the weighted equations have no solution", method=METHOD, data=data)
    mu = expit(x @ point)
    inverse = np.linalg.inv((x * (w * mu * (1 - mu))[:, None]).T @ x)
    groups = data.patients or 0
    scores = np.zeros((groups, x.shape[1]))
    np.add.at(scores, codes, x * (w * (y - mu))[:, None])
    covariance = groups / (groups - 1) * inverse @ (scores.T @ scores) @ inverse
    turn = np.diag(1 / scale)
    turn[0, 1:] = -shift[1:] / scale[1:]
    coefficients, covariance = turn @ point, turn @ covariance @ turn.T
    details = {"effective_number": float(w.sum() ** 2 / (w**2).sum())}
    return robust_fit(design, data, coefficients, covariance, METHOD, level, details)


def predicted_chance(design: Design, events: Values) -> FloatArray | NotEstimable:
    """How likely was the event for each record, given its covariates?

    Firth's logistic regression with the intercept corrected so that predicted and observed events agree (FLIC): the
    model behind inverse-probability weights, which a sparse level must not send to nought or one.

    Parameters
    ----------
    design : Design
        Of n rows.
    events : array of shape (n,)
        0/1 or booleans.

    Returns
    -------
    ndarray of shape (n,) or NotEstimable

    References
    ----------
    Puhr R, Heinze G, Nold M, Lusa L, Geroldinger A (2017) Stat Med 36:2302–2317. doi:10.1002/sim.7273

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import build
    >>> rows = pd.DataFrame({"seen": [1, 1, 1, 0]})
    >>> predicted_chance(build(rows, []), rows["seen"]).round(3).tolist()
    [0.75, 0.75, 0.75, 0.75]
    """
    fit = penalised(design, events, profile=())
    if isinstance(fit, NotEstimable):
        return fit
    return fitted_risks(fit, design.matrix)


def _solve(x: FloatArray, y: FloatArray, w: FloatArray) -> FloatArray | None:
    point = np.zeros(x.shape[1])
    for _ in range(_MOST):
        mu = expit(x @ point)
        try:
            step = np.linalg.solve((x * (w * mu * (1 - mu))[:, None]).T @ x, x.T @ (w * (y - mu)))
        except np.linalg.LinAlgError:
            return None
        largest = float(np.abs(step).max())
        if not math.isfinite(largest):
            return None
        point = point + step * min(1.0, 3.0 / max(largest, 1e-300))
        if np.abs(point).max() > 50:
            return None
        if largest < 1e-10:
            return point
    return None
