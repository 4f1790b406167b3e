"""Many replicates of one cell fitted at once: whether an interval holds a value is told from the profile there.

The records of one exposed-or-not contrast and at most one case-mix factor fall into a few patterns, so that a thousand
replicates are a thousand small tables. What is computed is what `outcomes.estimates.firth.penalised` computes, and
`test_honesty.py` holds the two against each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.special import expit

from outcomes.estimates.scaled_profile import FEWEST_DEGREES

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """Records of R replicates of P patients, each with up to two cells: not exposed, exposed.

    Attributes
    ----------
    events, trials : ndarray of shape (R, P, 2)
    pattern : integer array of shape (R, P, 2)
        Row of the matrix that each cell belongs to.
    matrix : ndarray of shape (K, p)
        Patterns; intercept, exposure, and case-mix where there is one.
    """

    events: Floats
    trials: Floats
    pattern: NDArray[np.int64]
    matrix: Floats

    def totals(self) -> tuple[Floats, Floats]:
        """Events and trials of each replicate and pattern, each (R, K)."""
        replicates, patterns = len(self.events), len(self.matrix)
        at = (self.pattern + patterns * np.arange(replicates)[:, None, None]).ravel()
        size = replicates * patterns
        return tuple(  # type: ignore[return-value]
            np.bincount(at, v.ravel(), size).reshape(replicates, patterns) for v in (self.events, self.trials)
        )

    def one(self, r: int) -> Tables:
        """A single replicate."""
        part = slice(r, r + 1)
        return Tables(self.events[part], self.trials[part], self.pattern[part], self.matrix)


@dataclass(frozen=True, slots=True, eq=False)
class Fits:
    """Penalised fits of R replicates: point (R, p), value (R,), probability (R, K), inverse (R, p, p), settled (R,)."""

    point: Floats
    value: Floats
    probability: Floats
    inverse: Floats
    settled: NDArray[np.bool_]


def fit(k: Floats, n: Floats, matrix: Floats, held: float | None = None, penalty: float = 0.5) -> Fits:
    """Firth's fit of each row of counts; the exposure's coefficient held at a value where one is given."""
    p = matrix.shape[1]
    free = [j for j in range(p) if held is None or j != 1]
    point = np.zeros((len(k), p))
    point[:, 0] = np.log((k.sum(1) + 0.5) / ((n - k).sum(1) + 0.5))
    if held is not None:
        point[:, 1] = held
    settled = np.zeros(len(k), dtype=bool)
    for _ in range(400):
        mu, inverse, _, weight = _state(point, n, matrix)
        leverage = weight * np.einsum("kp,rpq,kq->rk", matrix, inverse, matrix)
        score = (k - n * mu + 2 * penalty * leverage * (0.5 - mu)) @ matrix[:, free]
        heavier = (n + 2 * penalty * leverage) * mu * (1 - mu)
        bend = np.einsum("kp,rk,kq->rpq", matrix[:, free], heavier, matrix[:, free])
        step = np.linalg.solve(bend, score[:, :, None])[:, :, 0]
        size = np.abs(step).max(axis=1)
        settled = size < 1e-8
        if settled.all():
            break
        point[:, free] += step * np.minimum(1.0, 1.5 / np.maximum(size, 1e-300))[:, None]
    mu, inverse, determinant, _ = _state(point, n, matrix)
    eta = point @ matrix.T
    value = (k * eta - n * np.logaddexp(0.0, eta)).sum(axis=1) + penalty * determinant
    return Fits(point, value, mu, inverse, settled)


def _state(point: Floats, n: Floats, matrix: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    mu = expit(point @ matrix.T)
    weight = n * mu * (1 - mu)
    information = np.einsum("kp,rk,kq->rpq", matrix, weight, matrix)
    return mu, np.linalg.inv(information), np.linalg.slogdet(information)[1], weight


def at_cells(tables: Tables, values: Floats) -> Floats:
    """Values of the patterns (R, K) at each patient's cells (R, P, 2)."""
    replicates = np.arange(len(values))[:, None, None]
    return np.asarray(values[replicates, tables.pattern])


def likeness(tables: Tables, probability: Floats) -> Floats:
    """Working correlation within a patient, (R,)."""
    mu = at_cells(tables, probability)
    variance = mu * (1 - mu)
    sums = ((tables.events - tables.trials * mu) / np.sqrt(variance)).sum(axis=2)
    squares = (tables.events * (1 - mu) ** 2 + (tables.trials - tables.events) * mu**2) / variance
    sizes = tables.trials.sum(axis=2)
    pairs = (sizes * (sizes - 1)).sum(axis=1) / 2
    products = ((sums**2).sum(axis=1) - squares.sum(axis=(1, 2))) / 2
    return np.clip(products / np.maximum(pairs - tables.matrix.shape[1], 1.0), 0.0, 0.95)


def model_inflation(tables: Tables, state: Fits) -> Floats:
    """λα of the exposure's coefficient."""
    alpha = likeness(tables, state.probability)
    mu = state.probability
    root = np.einsum("kp,rp->rk", tables.matrix, state.inverse[:, :, 1]) * np.sqrt(mu * (1 - mu))
    sums = (tables.trials * at_cells(tables, root)).sum(axis=2)
    base = state.inverse[:, 1, 1]
    return ((1 - alpha) * base + alpha * (sums**2).sum(axis=1)) / base


def influences(tables: Tables, state: Fits, leave_out: bool = True) -> Floats:
    """How far each patient moves the exposure's coefficient, one step, (R, P): left out, or by the bare score."""
    mu = at_cells(tables, state.probability)
    weight = tables.trials * mu * (1 - mu)
    root = np.sqrt(weight)
    residual = np.where(weight > 0, (tables.events - tables.trials * mu) / np.where(weight > 0, root, 1.0), 0.0)
    along = root * at_cells(tables, np.einsum("kp,rp->rk", tables.matrix, state.inverse[:, :, 1]))
    if leave_out:
        shared = np.einsum("kp,rpq,lq->rkl", tables.matrix, state.inverse, tables.matrix)
        replicates = np.arange(len(shared))[:, None]
        first, second = tables.pattern[:, :, 0], tables.pattern[:, :, 1]
        a = 1 - weight[:, :, 0] * shared[replicates, first, first]
        d = 1 - weight[:, :, 1] * shared[replicates, second, second]
        b = -root[:, :, 0] * root[:, :, 1] * shared[replicates, first, second]
        whole = a * d - b * b
        one, two = residual[:, :, 0], residual[:, :, 1]
        with np.errstate(divide="ignore", invalid="ignore"):
            residual = np.stack([(d * one - b * two) / whole, (a * two - b * one) / whole], axis=2)
    return (along * residual).sum(axis=2)


def divided_by(inflation: Floats, rarer: Floats, parameters: int) -> Floats:
    """What deviances are divided by: `outcomes.estimates.scaled_profile.DesignEffects.divisor`, many at once; 95 % limits."""
    farther = (stats.t.isf(0.025, np.maximum(FEWEST_DEGREES, rarer - parameters)) / stats.norm.isf(0.025)) ** 2
    return np.asarray(inflation * (1 + (farther - 1) * (1 - inflation**-3.0)))


@dataclass(frozen=True, slots=True, eq=False)
class AtValue:
    """What R replicates say of one value of the exposure's log odds ratio, each (R,).

    Attributes
    ----------
    estimate, deviance, inflation, divisor, error : ndarray
        Free estimate; penalised deviance of the value; λ at it; what the product divides the deviance by; leave-one-patient-out
        standard error.
    refused : ndarray of bool
        Too few patients with events for the model, or no settled fit.
    free, fixed : Fits
    """

    estimate: Floats
    deviance: Floats
    inflation: Floats
    divisor: Floats
    error: Floats
    refused: NDArray[np.bool_]
    free: Fits
    fixed: Fits


def at_value(tables: Tables, value: float) -> AtValue:
    """Deviance and what it is divided by at one value, for every replicate; 95 % limits."""
    k, n = tables.totals()
    free, fixed = fit(k, n, tables.matrix), fit(k, n, tables.matrix, held=value)
    jackknife = (influences(tables, free) ** 2).sum(axis=1)
    inflation = np.maximum.reduce([np.ones(len(k)), model_inflation(tables, fixed), jackknife / free.inverse[:, 1, 1]])
    with_events = (tables.events.sum(axis=2) > 0).sum(axis=1)
    few = (with_events < 3 * (tables.matrix.shape[1] - 1)) | (k.sum(axis=1) < 5)
    refused = few | ~free.settled | ~fixed.settled | ~np.isfinite(inflation)
    deviance = np.maximum(2 * (free.value - fixed.value), 0.0)
    without = ((tables.trials - tables.events).sum(axis=2) > 0).sum(axis=1)
    divisor = divided_by(inflation, np.minimum(with_events, without), tables.matrix.shape[1])
    return AtValue(free.point[:, 1], deviance, inflation, divisor, np.sqrt(jackknife), refused, free, fixed)
