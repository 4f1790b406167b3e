"""The likelihood of accelerated failure times that are only known to lie in intervals, and its derivatives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from outcomes.estimates.estimate import FloatArray


@dataclass(frozen=True, slots=True)
class Family:
    """The distribution of the standardised error z = (log t − η) / σ.

    Attributes
    ----------
    label : str
    log_survival, log_density : callable
    slope, bend : callable
        First and second derivative of the log density.
    median : float
        Median of z.
    """

    label: str
    log_survival: Callable[[FloatArray], FloatArray]
    log_density: Callable[[FloatArray], FloatArray]
    slope: Callable[[FloatArray], FloatArray]
    bend: Callable[[FloatArray], FloatArray]
    median: float


def _exp(z: FloatArray) -> FloatArray:
    return np.exp(np.minimum(z, 500.0))


FAMILIES: dict[str, Family] = {
    "loglogistic": Family(
        label="log-logistic",
        log_survival=lambda z: special.log_expit(-z),
        log_density=lambda z: special.log_expit(z) + special.log_expit(-z),
        slope=lambda z: 1 - 2 * special.expit(z),
        bend=lambda z: -2 * special.expit(z) * special.expit(-z),
        median=0.0,
    ),
    "weibull": Family(
        label="Weibull",
        log_survival=lambda z: -_exp(z),
        log_density=lambda z: z - _exp(z),
        slope=lambda z: 1 - _exp(z),
        bend=lambda z: -_exp(z),
        median=float(np.log(np.log(2.0))),
    ),
    "lognormal": Family(
        label="log-normal",
        log_survival=lambda z: special.log_ndtr(-z),
        log_density=lambda z: -0.5 * z**2 - 0.5 * np.log(2 * np.pi),
        slope=lambda z: -z,
        bend=lambda z: np.full_like(z, -1.0),
        median=0.0,
    ),
}


class IntervalLikelihood:
    """Log-likelihood of log t = Xβ + σ·error for t in (after, by], row by row.

    With S and f of the error, z_L and z_R the standardised bounds and P = S(z_L) − S(z_R), the derivatives
    with respect to η = Xβ and s = log σ are ``P_η = (f_L − f_R)/σ`` and ``P_s = z_L f_L − z_R f_R``; an exact time
    contributes log f(z) − log σ − log t.

    Parameters
    ----------
    matrix : ndarray of shape (n, p)
    lower, upper : ndarray of shape (n,)
        Bounds; lower 0 and upper infinite are open ends, equal ones an exact time above 0.
    weight : ndarray of shape (n,)
    family : Family
    """

    def __init__(
        self, matrix: FloatArray, lower: FloatArray, upper: FloatArray, weight: FloatArray, family: Family
    ) -> None:
        self.matrix, self.weight, self.family = matrix, weight, family
        self.exact = lower == upper
        self.has_lower = lower > 0
        self.has_upper = np.isfinite(upper) & ~self.exact
        self.log_lower = np.log(np.where(self.has_lower, lower, 1.0))
        self.log_upper = np.log(np.where(self.has_upper, upper, 1.0))

    def rows(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return log-likelihood (n,), its derivatives (n, 2) and second derivatives (n, 3) in (η, s).

        Second derivatives come in the order ηη, ηs, ss.
        """
        family = self.family
        sigma = float(np.exp(parameters[-1]))
        linear = self.matrix @ parameters[:-1]
        z_low = np.where(self.has_lower, (self.log_lower - linear) / sigma, 0.0)
        z_up = np.where(self.has_upper, (self.log_upper - linear) / sigma, 0.0)
        log_s_low = np.where(self.has_lower, family.log_survival(z_low), 0.0)
        log_s_up = np.where(self.has_upper, family.log_survival(z_up), -np.inf)
        with np.errstate(divide="ignore"):
            log_p = log_s_low + np.log(-np.expm1(np.minimum(log_s_up - log_s_low, -1e-300)))
        # densities relative to P, in logarithms so that far tails keep their digits
        with np.errstate(over="ignore", invalid="ignore"):
            f_low = np.where(self.has_lower, np.exp(family.log_density(z_low) - log_p), 0.0)
            f_up = np.where(self.has_upper, np.exp(family.log_density(z_up) - log_p), 0.0)
        g_low, g_up = family.slope(z_low) * f_low, family.slope(z_up) * f_up
        by_linear = (f_low - f_up) / sigma
        by_scale = z_low * f_low - z_up * f_up
        linear_linear = (g_up - g_low) / sigma**2 - by_linear**2
        linear_scale = (z_up * g_up - z_low * g_low - f_low + f_up) / sigma - by_linear * by_scale
        scale_scale = z_up * f_up + z_up**2 * g_up - z_low * f_low - z_low**2 * g_low - by_scale**2
        value = log_p
        if self.exact.any():
            at, z = self.exact, z_low
            slope, bend = family.slope(z), family.bend(z)
            value = np.where(at, family.log_density(z) - parameters[-1] - self.log_lower, value)
            by_linear = np.where(at, -slope / sigma, by_linear)
            by_scale = np.where(at, -z * slope - 1, by_scale)
            linear_linear = np.where(at, bend / sigma**2, linear_linear)
            linear_scale = np.where(at, (z * bend + slope) / sigma, linear_scale)
            scale_scale = np.where(at, z * slope + z**2 * bend, scale_scale)
        return (
            value,
            np.column_stack([by_linear, by_scale]),
            np.column_stack([linear_linear, linear_scale, scale_scale]),
        )

    def value(self, parameters: FloatArray) -> float:
        """Return the log-likelihood, minus infinity where it is not defined."""
        total = float(self.weight @ self.rows(parameters)[0])
        return total if np.isfinite(total) else -np.inf

    def scores(self, parameters: FloatArray) -> FloatArray:
        """Return the weighted derivative of each row's log-likelihood in (β, s), shape (n, p + 1)."""
        first = self.rows(parameters)[1] * self.weight[:, None]
        return np.column_stack([self.matrix * first[:, :1], first[:, 1]])

    def derivatives(self, parameters: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Return log-likelihood, gradient (p + 1,) and matrix of second derivatives (p + 1, p + 1)."""
        value, first, second = self.rows(parameters)
        w, x = self.weight, self.matrix
        p = x.shape[1]
        gradient = np.append(x.T @ (w * first[:, 0]), w @ first[:, 1])
        hessian = np.empty((p + 1, p + 1))
        hessian[:p, :p] = (x * (w * second[:, 0])[:, None]).T @ x
        hessian[:p, p] = hessian[p, :p] = x.T @ (w * second[:, 1])
        hessian[p, p] = w @ second[:, 2]
        return float(w @ value), gradient, hessian


def maximise_likelihood(
    likelihood: IntervalLikelihood, start: FloatArray, *, rounds: int = 200
) -> tuple[FloatArray, FloatArray, bool]:
    """Climb to the maximum by Newton steps, damped where the surface bends the wrong way.

    A step is ``(I + λ diag I)⁻¹ u`` with score u and information I, λ raised while the log-likelihood would fall.

    Parameters
    ----------
    likelihood : IntervalLikelihood
    start : ndarray of shape (p + 1,)
        Coefficients and log σ to begin from.
    rounds : int
        Newton steps at most.

    Returns
    -------
    parameters : ndarray of shape (p + 1,)
    information : ndarray of shape (p + 1, p + 1)
        Negative second derivatives there.
    converged : bool
        True when a further step would gain less than 1e-12 of log-likelihood.

    References
    ----------
    Nocedal J, Wright SJ (2006) Numerical Optimization, 2nd ed., Springer, chapter 3. doi:10.1007/978-0-387-40065-5

    Examples
    --------
    >>> both = np.array([2.0, 3.0, 5.0, 8.0])
    >>> rows = IntervalLikelihood(np.ones((4, 1)), both, both, np.ones(4), FAMILIES["lognormal"])
    >>> found, _, converged = maximise_likelihood(rows, np.array([1.0, 0.0]))
    >>> bool(np.isclose(found[0], np.log(both).mean())), bool(np.isclose(np.exp(found[1]), np.log(both).std())), converged
    (True, True, True)
    """
    at = start
    value, gradient, hessian = likelihood.derivatives(at)
    damping = 0.0
    for _ in range(rounds):
        information = -hessian
        scale = np.sqrt(np.maximum(np.abs(np.diag(information)), 1e-12))
        step = _solve_damped(information / np.outer(scale, scale), gradient / scale, damping)
        if step is None:
            damping = max(1e-3, damping * 10)
            if damping > 1e12:
                return at, information, False
            continue
        step = step / scale
        gain = float(gradient @ step)
        if gain < 1e-12 and damping == 0:
            at = at + step  # one last step: the rest of the way at quadratic speed
            return at, -likelihood.derivatives(at)[2], True
        trial = at + step
        reached = likelihood.value(trial) if abs(step[-1]) < 3 else -np.inf
        if reached > value - 1e-12 * abs(value):
            at, damping = trial, damping / 10 if damping > 1e-6 else 0.0
            value, gradient, hessian = likelihood.derivatives(at)
        else:
            damping = max(1e-3, damping * 10)
            if damping > 1e12:
                return at, information, False
    return at, -hessian, False


def _solve_damped(information: FloatArray, gradient: FloatArray, damping: float) -> FloatArray | None:
    try:
        root = np.linalg.cholesky(information + damping * np.eye(len(gradient)))
    except np.linalg.LinAlgError:
        return None
    half = np.linalg.solve(root, gradient)
    return np.asarray(np.linalg.solve(root.T, half))


Codes = NDArray[np.intp]


def sandwich(scores: FloatArray, covariance: FloatArray, codes: Codes) -> FloatArray:
    """Covariance that lets one patient's records be alike: ``G/(G−1) · V (Σ_g u_g u_g′) V``.

    V is the covariance if records were independent, u_g the sum of a patient's scores and G the number of patients.

    Parameters
    ----------
    scores : ndarray of shape (n, q)
        Score of each record.
    covariance : ndarray of shape (q, q)
        V.
    codes : integer array of shape (n,)
        Patient of each record, from 0.

    Returns
    -------
    ndarray of shape (q, q)

    References
    ----------
    Lin DY, Wei LJ (1989) J Am Stat Assoc 84:1074-1078, doi:10.1080/01621459.1989.10478874.

    Examples
    --------
    >>> sandwich(np.array([[1.0], [1.0], [-2.0]]), np.array([[0.5]]), np.array([0, 0, 1])).tolist()
    [[4.0]]
    """
    g = int(codes.max()) + 1
    totals = np.zeros((g, scores.shape[1]))
    np.add.at(totals, codes, scores)
    return np.asarray(g / (g - 1) * covariance @ (totals.T @ totals) @ covariance)
