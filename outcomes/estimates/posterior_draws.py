"""Which recorded values could stand where none was recorded? Draws for imputation, given predictors."""

from __future__ import annotations

import numpy as np
from scipy.special import log_softmax

from outcomes.estimates.binary import Codes
from outcomes.estimates.estimate import FloatArray

_DONORS = 5
_PRIOR_SD = 2.5  # of a slope for one standard deviation of a predictor; it matters only under separation


def drawn_levels(
    features: FloatArray, levels: FloatArray, weight: FloatArray, wanted: FloatArray, random: np.random.Generator
) -> Codes:
    """Which recorded units lend their level, drawn by the chances of a (multinomial) logistic regression?

    Chances are those of `level_regression` under the weights; a unit that was recorded at the drawn level lends it.

    Parameters
    ----------
    features : ndarray of shape (n, p)
        Of units where the level is recorded, centred and scaled.
    levels : ndarray of shape (n,)
        Codes of their levels.
    weight : ndarray of shape (n,)
        Bootstrap weights, whose regression is one draw of the posterior; mean 1.
    wanted : ndarray of shape (k, p)
        Predictors of units without a level, centred and scaled alike.
    random : numpy.random.Generator

    Returns
    -------
    integer array of shape (k,)
        Positions among the n.

    References
    ----------
    van Buuren S (2018) Flexible Imputation of Missing Data, 2nd ed., section 3.6. doi:10.1201/9780429492259

    Examples
    --------
    >>> x, level = np.array([[-1.0], [-1.0], [1.0], [1.0]]), np.array([0.0, 0.0, 1.0, 1.0])
    >>> level[drawn_levels(x, level, np.ones(4), np.array([[-9.0], [9.0]]), np.random.default_rng(1))].tolist()
    [0.0, 1.0]
    """
    known, where = np.unique(levels, return_index=True)
    if len(known) == 1:
        return np.zeros(len(wanted), dtype=np.intp)
    coefficients = level_regression(features, np.searchsorted(known, levels), weight)
    chances = np.exp(log_softmax(coefficients[0] + wanted @ coefficients[1:], axis=1))
    reached = np.cumsum(chances, axis=1)[:, :-1] < random.random(len(wanted))[:, None]
    return np.asarray(where[reached.sum(axis=1)], dtype=np.intp)


def level_regression(features: FloatArray, codes: Codes, weight: FloatArray) -> FloatArray:
    """How do the chances of levels go with predictors, when some may tell levels apart altogether?

    Multinomial logistic regression: ``ln chance of level k = β₀ₖ + x′βₖ − ln Σ exp(…)``, with a normal prior (mean 0,
    standard deviation 2.5) on each slope and none on the intercepts; the mode by Newton steps, halved until the
    objective falls. The mode is that of scikit-learn's `LogisticRegression`, which takes several times as long on a few
    hundred patients.

    Parameters
    ----------
    features : ndarray of shape (n, p)
        Centred and scaled.
    codes : integer array of shape (n,)
        Levels from 0 to K − 1, each with a row.
    weight : ndarray of shape (n,)

    Returns
    -------
    ndarray of shape (p + 1, K)
        Intercepts first; those of a row are known up to a number added to all, and sum to 0.

    References
    ----------
    Gelman A, Jakulin A, Pittau MG, Su YS (2008) Ann Appl Stat 2:1360–1383 (weak priors against separation).
    doi:10.1214/08-AOAS191

    Examples
    --------
    >>> found = level_regression(np.array([[-1.0], [-1.0], [1.0], [1.0]]), np.array([0, 0, 1, 1]), np.ones(4))
    >>> (found[1] / found[1].max()).round(6).tolist()
    [-1.0, 1.0]
    """
    levels = int(codes.max()) + 1
    x = np.column_stack([np.ones(len(codes)), features])
    p = x.shape[1]
    hit = (codes[:, None] == np.arange(levels)) * weight[:, None]
    prior = np.append(0.0, np.full(p - 1, _PRIOR_SD**-2))
    share = hit.sum(axis=0) / weight.sum()
    beta = np.zeros((p, levels))
    beta[0] = np.log(share) - np.log(share).mean()

    def objective(at: FloatArray) -> tuple[float, FloatArray]:
        logs = log_softmax(x @ at, axis=1)
        return float((prior[:, None] * at**2).sum() / 2 - (hit * logs).sum()), logs

    value, logs = objective(beta)
    for _ in range(100):
        chance = np.exp(logs)
        slope = x.T @ (chance * weight[:, None] - hit) + prior[:, None] * beta
        bend = np.empty((levels, p, levels, p))
        for a in range(levels):
            for b in range(a, levels):
                size = weight * chance[:, a] * (float(a == b) - chance[:, b])
                bend[a, :, b, :] = bend[b, :, a, :] = (x * size[:, None]).T @ x
            bend[a, :, a, :] += np.diag(prior)
        bend[:, 0, :, 0] += 1.0  # intercepts sum to 0: a number added to all of them changes nothing
        step = np.linalg.solve(bend.reshape(levels * p, -1), slope.T.ravel()).reshape(levels, p).T
        for _ in range(30):
            tried, tried_logs = objective(beta - step)
            if tried <= value + 1e-12 * abs(value):
                break
            step = step / 2
        beta, value, logs = beta - step, tried, tried_logs
        if np.abs(step).max() < 1e-7:
            break
    return beta


def matched(
    features: FloatArray, values: FloatArray, weight: FloatArray, wanted: FloatArray, random: np.random.Generator
) -> Codes:
    """Which recorded units lend their value, their prediction being near that of the unit without one?

    Predictive mean matching: predictions of recorded units come from the regression on all of them, those of the
    others from the regression under bootstrap weights; the donor is drawn from the five nearest.

    Parameters
    ----------
    features, values, weight, wanted, random
        As for `drawn_levels`, with quantities of shape (n,) for levels.

    Returns
    -------
    integer array of shape (k,)
        Positions among the n.

    References
    ----------
    Morris TP, White IR, Royston P (2014) BMC Med Res Methodol 14:75. doi:10.1186/1471-2288-14-75

    Examples
    --------
    >>> x = np.linspace(-1, 1, 50)[:, None]
    >>> lent = matched(x, 10 * x[:, 0], np.ones(50), np.array([[-0.5], [0.5]]), np.random.default_rng(1))
    >>> bool(np.abs(x[lent, 0] - [-0.5, 0.5]).max() < 0.2)
    True
    """
    spread = float(values.std())
    scaled = (values - values.mean()) / spread if spread > 0 else np.zeros(len(values))
    found = _ridge(features, scaled, np.ones(len(values)))
    drawn = _ridge(features, scaled, weight)
    of_donors = found[0] + features @ found[1:]
    target = drawn[0] + wanted @ drawn[1:]
    order = np.argsort(of_donors, kind="stable")
    donors = min(_DONORS, len(order))
    near = np.searchsorted(of_donors[order], target)[:, None] + np.arange(-donors, donors)
    inside = (near >= 0) & (near < len(order))
    distance = np.abs(of_donors[order][np.clip(near, 0, len(order) - 1)] - target[:, None])
    rank = np.argsort(np.where(inside, distance, np.inf), axis=1, kind="stable")
    pick = rank[np.arange(len(wanted)), random.integers(0, donors, len(wanted))]
    return np.asarray(order[near[np.arange(len(wanted)), pick]], dtype=np.intp)


def _ridge(features: FloatArray, values: FloatArray, weight: FloatArray) -> FloatArray:
    """Intercept and slopes of weighted least squares with the prior on the slopes."""
    shift, level = weight @ features / weight.sum(), float(weight @ values / weight.sum())
    centred = features - shift
    information = (centred * weight[:, None]).T @ centred + np.eye(features.shape[1]) / _PRIOR_SD**2
    slopes = np.linalg.solve(information, centred.T @ (weight * (values - level)))
    return np.concatenate([[level - float(shift @ slopes)], slopes])
