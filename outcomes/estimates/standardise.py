"""What risk would everybody have at this setting? Standardised risks, their differences and ratios."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats
from scipy.special import expit, logit

from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Answer, Estimate, Fit, FloatArray, NotEstimable
from outcomes.estimates.ratios import floored

_TINY = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Standardised:
    """Standardised risks of several settings, with what their contrasts need.

    Attributes
    ----------
    risks : tuple of Estimate or NotEstimable
        One a setting, limits found on the logit scale.
    values : ndarray of shape (s,)
        The risks as numbers.
    gradients : ndarray of shape (s, p)
        Their derivatives by the coefficients.
    covariances : tuple of ndarray of shape (p, p)
        The variance of a risk or contrast is the largest of those these give.
    """

    risks: tuple[Answer, ...]
    values: FloatArray
    gradients: FloatArray
    covariances: tuple[FloatArray, ...]
    fit: Fit
    level: float
    quantile: float
    degrees_of_freedom: float | None

    def difference(self, first: int, second: int, *, term: str = "") -> Answer:
        """By how much does the first risk exceed the second? Limits and p on the scale of the difference."""
        a, b = float(self.values[first]), float(self.values[second])
        name = term or f"{self.risks[first].term} minus {self.risks[second].term}"
        error = self._error(self.gradients[first] - self.gradients[second])
        unit = "difference in proportion"
        if error <= _TINY:
            return self._same(name, unit)
        half = self.quantile * error
        low, high = max(-1.0, a - b - half), min(1.0, a - b + half)
        return self._estimate(name, a - b, low, high, unit, (a - b) / error)

    def ratio(self, first: int, second: int, *, term: str = "") -> Answer:
        """How many times the second risk is the first? Limits and p on the log scale."""
        a, b = float(self.values[first]), float(self.values[second])
        name = term or f"{self.risks[first].term} over {self.risks[second].term}"
        error = self._error(self.gradients[first] / a - self.gradients[second] / b)
        if error <= _TINY:
            return self._same(name, "risk ratio")
        middle, half = math.log(a / b), self.quantile * error
        return self._estimate(
            name, a / b, math.exp(middle - half), math.exp(middle + half), "risk ratio", middle / error
        )

    def _error(self, gradient: FloatArray) -> float:
        return math.sqrt(max(float(gradient @ v @ gradient) for v in self.covariances))

    def _estimate(self, term: str, value: float, low: float, high: float, unit: str, z: float) -> Estimate:
        p = (
            2 * float(stats.norm.sf(abs(z)))
            if self.degrees_of_freedom is None
            else 2 * float(stats.t.sf(abs(z), self.degrees_of_freedom))
        )
        return Estimate(
            term, value, low, high, _method(self.fit), self.fit.n, level=self.level, unit=unit,
            patients=self.fit.patients, events=self.fit.events, p_value=floored(p),
        )  # fmt: skip

    def _same(self, term: str, unit: str) -> NotEstimable:
        return NotEstimable(
            term, "the two settings do not differ", n=self.fit.n, patients=self.fit.patients,
            events=self.fit.events, method=_method(self.fit), unit=unit,
        )  # fmt: skip


def standardised_risks(
    fit: Fit,
    designs: Sequence[FloatArray],
    labels: Sequence[str],
    *,
    weight: ArrayLike | None = None,
    level: float = 0.95,
) -> Standardised:
    """What would the mean risk be if all these records were treated at each setting?"""
    if len(designs) != len(labels):
        raise ValueError("each setting needs one label")
    coefficients, covariances = _coefficients(fit)
    values, gradients = [], []
    for matrix in designs:
        if matrix.ndim != 2 or matrix.shape[1] != len(coefficients) or len(matrix) == 0:
            raise ValueError("a setting's matrix has the columns of the fit and at least one row")
        share = _shares(weight, len(matrix))
        probability = expit(matrix @ coefficients)
        values.append(float(share @ probability))
        gradients.append((share * probability * (1 - probability)) @ matrix)
    degrees = None if fit.patients is None else float(fit.patients - 1)
    quantile = float(stats.norm.ppf(0.5 + level / 2) if degrees is None else stats.t.ppf(0.5 + level / 2, degrees))
    shell = Standardised((), np.asarray(values), np.asarray(gradients), covariances, fit, level, quantile, degrees)
    risks = tuple(_risk(shell, j, label) for j, label in enumerate(labels))
    return Standardised(risks, shell.values, shell.gradients, covariances, fit, level, quantile, degrees)


def risk_curve(
    fit: Fit,
    design: Design,
    frame: pd.DataFrame,
    column: str,
    values: Sequence[float],
    *,
    weight: ArrayLike | None = None,
    level: float = 0.95,
) -> tuple[Answer, ...]:
    """How does the standardised risk run along a setting?"""
    matrices = []
    for value in values:
        matrices.append(design.evaluate(frame.assign(**{column: float(value)})))
    labels = [f"risk at {column} {value:g}" for value in values]
    return standardised_risks(fit, matrices, labels, weight=weight, level=level).risks


def _shares(weight: ArrayLike | None, rows: int) -> FloatArray:
    shares = np.ones(rows) if weight is None else np.asarray(weight, dtype=np.float64)
    if shares.shape != (rows,) or not np.all(np.isfinite(shares)) or shares.min() < 0 or shares.sum() <= 0:
        raise ValueError("weights are one a row, finite, not negative and not all zero")
    total: float = float(shares.sum())
    return np.asarray(shares / total, dtype=np.float64)


def _coefficients(fit: Fit) -> tuple[FloatArray, tuple[FloatArray, ...]]:
    coefficients = fit.coefficients.copy()
    if "flic_intercept" in fit.details:
        coefficients[0] = fit.details["flic_intercept"]
    return coefficients, tuple(fit.details.get("risk_covariances", (fit.covariance,)))


def _risk(shell: Standardised, position: int, label: str) -> Answer:
    value = float(shell.values[position])
    error = shell._error(shell.gradients[position])
    unit = "proportion"
    if not 0 < value < 1 or error <= 0:
        return NotEstimable(
            label, "the risk is at its bound", n=shell.fit.n, patients=shell.fit.patients,
            events=shell.fit.events, method=_method(shell.fit), unit=unit,
        )  # fmt: skip
    middle, half = float(logit(value)), shell.quantile * error / (value * (1 - value))
    return Estimate(
        label, value, float(expit(middle - half)), float(expit(middle + half)), _method(shell.fit), shell.fit.n,
        level=shell.level, unit=unit, patients=shell.fit.patients, events=shell.fit.events,
    )  # fmt: skip


def _method(fit: Fit) -> str:
    return f"standardised risk (g-computation, delta method) from {fit.method}"
