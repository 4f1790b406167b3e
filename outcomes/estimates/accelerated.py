"""How much longer does it take: time ratios and adjusted medians for interval-censored times."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple, cast

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, stats

from outcomes.estimates.aft_likelihood import (
    FAMILIES,
    Codes,
    Family,
    IntervalLikelihood,
    maximise_likelihood,
    sandwich,
)
from outcomes.estimates.arrays import cluster_codes, weights
from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Answer, Estimate, Fit, FloatArray, NotEstimable
from outcomes.estimates.turnbull import interval_bounds

UNIT = "time ratio"
LARGEST_ERROR = 10.0  # of a coefficient on the log time scale: beyond it the data do not bound it


def accelerated_failure_time(
    design: Design,
    after: ArrayLike,
    by: ArrayLike,
    *,
    family: str = "loglogistic",
    cluster: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    level: float = 0.95,
    same_day: float = 0.5,
) -> Fit | NotEstimable:
    """By what factor is the time to an event longer?

    ``log T = Xβ + σ·error`` with T seen only to lie in (after, by]; exp(β) is a time ratio: 1.2 means that it
    takes 20 % longer. Maximum likelihood; with ``cluster`` the covariance is the sandwich
    ``G/(G−1) · I⁻¹ (Σ_g u_g u_g′) I⁻¹`` over patients and limits use t on G − 1 degrees of freedom.

    A level of which nobody was seen to get there (or everybody had by the first look) has no finite time
    ratio: it is answered "cannot say", its records are left out, and the rest is fitted; that is the limit
    which the likelihood itself goes to.

    Parameters
    ----------
    design : Design
    after, by : array of shape (n,)
        As in `outcomes.estimates.turnbull.turnbull`.
    family : {"loglogistic", "weibull", "lognormal"}
    cluster : array of shape (n,) or None
        Patient of each record; None for independent records.
    weight : array of shape (n,) or None
        Frequency weights.
    same_day : float
        An exact time of 0 is taken as between 0 and this.

    Returns
    -------
    Fit or NotEstimable
        Terms are time ratios, one for each reported column. ``details``: ``family``, ``scale``, ``aic``,
        ``covariance_with_log_scale`` ((p+1, p+1), log σ last), ``kept`` (which columns of the design were
        fitted), ``reference_df``.

    Raises
    ------
    ValueError
        If bounds are missing, negative or crossed, or the family is unknown.

    References
    ----------
    Kalbfleisch JD, Prentice RL (2002) The Statistical Analysis of Failure Time Data, 2nd ed., Wiley, chapter 3.
    Lin DY, Wei LJ (1989) J Am Stat Assoc 84:1074-1078, doi:10.1080/01621459.1989.10478874 (sandwich).

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import Numeric, build
    >>> rows = pd.DataFrame({"after": [2, 3, 3, 5, 4, 6, 7, 9], "by": [3, 5, 4, 7, 6, 9, 11, 12], "side": [0] * 4 + [1] * 4})
    >>> fit = accelerated_failure_time(build(rows, [Numeric("side")]), rows["after"], rows["by"])
    >>> [round(number, 2) for number in (fit.terms[0].value, fit.terms[0].low, fit.terms[0].high)]
    [2.09, 1.34, 3.25]
    """
    if family not in FAMILIES:
        raise ValueError(f"family must be one of {', '.join(FAMILIES)}")
    chosen = FAMILIES[family]
    lower, upper = interval_bounds(after, by)
    if len(lower) != len(design.matrix):
        raise ValueError("the design and the intervals differ in length")
    upper = np.where(upper == 0, same_day, upper)
    w = weights(weight, len(lower))
    codes = None if cluster is None else cluster_codes(cluster, len(lower))
    method = _method(chosen, cluster is not None)
    data = _Data(design.matrix, lower, upper, w, codes)
    refused = _refusal(data, method)
    if refused is not None:
        return refused
    silent = _silent_columns(data)
    if silent:
        data = data.without(silent)
    kept = [j for j in range(design.matrix.shape[1]) if j not in silent]
    refused = _refusal(data, method)
    if refused is not None:
        return refused
    fitted = _fit(data, kept, chosen)
    if isinstance(fitted, str):
        return NotEstimable("time ratios", fitted, **data.counts(), method=method, unit=UNIT)
    return _report(design, data, kept, silent, fitted, chosen, method, level)


class _Data(NamedTuple):
    """What enters a fit."""

    matrix: FloatArray
    lower: FloatArray
    upper: FloatArray
    weight: FloatArray
    codes: Codes | None

    def without(self, silent: dict[int, str]) -> _Data:
        rows = ~np.any(self.matrix[:, list(silent)] != 0, axis=1)
        codes = None if self.codes is None else np.unique(self.codes[rows], return_inverse=True)[1]
        return _Data(self.matrix[rows], self.lower[rows], self.upper[rows], self.weight[rows], codes)

    def counts(self) -> dict[str, Any]:
        return {
            "n": round(float(self.weight.sum())),
            "patients": None if self.codes is None else len(np.unique(self.codes)),
            "events": round(float(self.weight[np.isfinite(self.upper)].sum())),
        }


class _Fitted(NamedTuple):
    parameters: FloatArray
    covariance: FloatArray
    log_likelihood: float


def _method(family: Family, clustered: bool) -> str:
    covariance = "sandwich covariance by patient, t reference" if clustered else "normal reference"
    return f"accelerated failure time model, {family.label}, interval-censored, {covariance}"


def _refusal(data: _Data, method: str) -> NotEstimable | None:
    counts = data.counts()
    parameters = data.matrix.shape[1] + 1
    reason = ""
    if counts["n"] == 0:
        reason = "no cases"
    elif counts["events"] == 0:
        reason = "no record was seen to get there"
    elif counts["events"] < parameters:
        reason = f"{counts['events']} records were seen to get there, {parameters} parameters"
    elif counts["patients"] is not None and counts["patients"] <= parameters:
        reason = f"{counts['patients']} patients, {parameters} parameters"
    return NotEstimable("time ratios", reason, **counts, method=method, unit=UNIT) if reason else None


def _silent_columns(data: _Data) -> dict[int, str]:
    """Find the levels whose time ratio is infinite or zero: all open above, or all open below."""
    silent: dict[int, str] = {}
    for j in range(1, data.matrix.shape[1]):
        column = data.matrix[:, j]
        rows = (column == 1) & (data.weight > 0)
        if not rows.any() or not np.all((column == 0) | (column == 1)):
            continue
        if np.all(np.isinf(data.upper[rows])):
            silent[j] = f"none of {int(data.weight[rows].sum())} records was seen to get there"
        elif np.all(data.lower[rows] == 0) and np.all(np.isfinite(data.upper[rows])):
            silent[j] = f"all {int(data.weight[rows].sum())} records had got there by the first look"
    return silent


def _fit(data: _Data, kept: list[int], family: Family) -> _Fitted | str:
    """Fit on centred and scaled covariates and times; a text says why it could not be done."""
    x = data.matrix[:, kept]
    p = x.shape[1]
    rows = data.weight > 0
    middle, spread = x[rows].mean(axis=0), x[rows].std(axis=0)
    middle[0], spread[0] = 0.0, 1.0
    if np.any(spread == 0):
        return "a column of the design does not vary"
    scaled = (x - middle) / spread
    if np.linalg.matrix_rank(scaled[rows]) < p:
        return "columns of the design repeat each other"
    finite = np.concatenate([data.lower[data.lower > 0], data.upper[np.isfinite(data.upper)]])
    unit = float(np.exp(np.log(finite).mean()))
    likelihood = IntervalLikelihood(scaled, data.lower / unit, data.upper / unit, data.weight, family)
    top = np.where(np.isfinite(data.upper), data.upper, 1.5 * np.maximum(data.lower, 1e-6 * unit))
    log_middle = np.log(np.maximum(0.5 * (data.lower + top) / unit, 1e-6))
    root = np.sqrt(data.weight)
    start = np.linalg.lstsq(scaled * root[:, None], log_middle * root, rcond=None)[0]
    errors = log_middle - scaled @ start
    sigma = max(0.3, math.sqrt(float(data.weight @ errors**2 / data.weight.sum())))
    if family.label != "log-normal":
        sigma *= 0.6
    start = np.append(start, math.log(sigma))
    parameters, information, converged = maximise_likelihood(likelihood, start)
    if not converged:
        return "the data do not bound every coefficient"
    covariance = _inverse(information)
    if covariance is None or np.any(np.diag(covariance) > LARGEST_ERROR**2):
        return "the data do not bound every coefficient"
    if data.codes is not None:
        covariance = sandwich(likelihood.scores(parameters), covariance, data.codes)
    back = np.eye(p + 1)
    back[range(p), range(p)] = 1 / spread
    back[0, 1:p] = -middle[1:] / spread[1:]
    original = back @ parameters
    original[0] += math.log(unit)
    exact = float(data.weight[(data.lower == data.upper) & rows].sum())
    value = likelihood.value(parameters) - exact * math.log(unit)
    return _Fitted(original, back @ covariance @ back.T, value)


def _inverse(information: FloatArray) -> FloatArray | None:
    """Invert, after scaling to a unit diagonal; None where it is not positive definite."""
    diagonal = np.diag(information)
    if not np.all(np.isfinite(information)) or np.any(diagonal <= 0):
        return None
    scale = np.sqrt(diagonal)
    values, vectors = np.linalg.eigh(information / np.outer(scale, scale))
    if values[0] <= 1e-13:
        return None
    return np.asarray((vectors / values) @ vectors.T / np.outer(scale, scale))


def _report(
    design: Design,
    data: _Data,
    kept: list[int],
    silent: dict[int, str],
    fitted: _Fitted,
    family: Family,
    method: str,
    level: float,
) -> Fit:
    p = len(kept)
    counts = data.counts()
    df = math.inf if data.codes is None else float(counts["patients"] - 1)
    place = {column: j for j, column in enumerate(kept)}
    terms: list[Answer] = []
    for column, label in enumerate(design.labels):
        if not design.reported[column]:
            continue
        if column in silent:
            terms.append(NotEstimable(label, silent[column], **counts, method=method, unit=UNIT))
            continue
        j = place[column]
        terms.append(_ratio(label, fitted.parameters[j], fitted.covariance[j, j], df, level, counts, method))
    terms += [NotEstimable(label, "no cases", n=0, method=method, unit=UNIT) for label in design.empty]
    return Fit(
        method=method,
        terms=tuple(terms),
        names=tuple(design.names[j] for j in kept),
        coefficients=fitted.parameters[:p],
        covariance=fitted.covariance[:p, :p],
        **counts,
        log_likelihood=fitted.log_likelihood,
        degrees_of_freedom=None if math.isinf(df) else np.full(p, df),
        details={
            "family": next(name for name, known in FAMILIES.items() if known is family),
            "scale": float(np.exp(fitted.parameters[-1])),
            "aic": -2 * fitted.log_likelihood + 2 * (p + 1),
            "covariance_with_log_scale": fitted.covariance,
            "kept": tuple(kept),
            "reference_df": df,
        },
    )


def _ratio(
    label: str, value: float, variance: float, df: float, level: float, counts: dict[str, Any], method: str
) -> Answer:
    error = math.sqrt(max(variance, 0.0))
    reach = float(stats.t.isf((1 - level) / 2, df)) * error
    if not error > 1e-12 or abs(value) + reach > 100:
        return NotEstimable(label, "the data do not bound it", **counts, method=method, unit=UNIT)
    return Estimate(
        term=label,
        value=math.exp(value),
        low=math.exp(value - reach),
        high=math.exp(value + reach),
        level=level,
        unit=UNIT,
        method=method,
        **counts,
        p_value=max(float(2 * stats.t.sf(abs(value) / error, df)), np.finfo(float).tiny),
    )


def adjusted_median(
    fit: Fit, designs: Sequence[FloatArray], labels: Sequence[str], *, level: float = 0.95, unit: str = "days"
) -> tuple[Answer, ...]:
    """By which day would half have got there, were every record like this in one respect?

    The median of the standardised curve: the day t at which the mean of S((log t − x_iβ)/σ) over the rows of a
    design is one half. Limits by the delta method on log t, with the fit's covariance of β and log σ.

    Parameters
    ----------
    fit : Fit
        From `accelerated_failure_time`.
    designs : sequence of ndarray of shape (m, p)
        For each answer the rows to average over, one respect set to a value, in the columns of the design
        that was fitted.
    labels : sequence of str
    level : float
    unit : str
        Of the times that were fitted.

    Returns
    -------
    tuple of Estimate or NotEstimable
        NotEstimable where all rows of a design are in a level that has no finite time ratio; where some are,
        they are left out and the note says so.

    References
    ----------
    Kalbfleisch JD, Prentice RL (2002) The Statistical Analysis of Failure Time Data, 2nd ed., Wiley, chapter 3.

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import Numeric, build
    >>> rows = pd.DataFrame({"after": [2, 3, 3, 5, 4, 6, 7, 9], "by": [3, 5, 4, 7, 6, 9, 11, 12], "side": [0] * 4 + [1] * 4})
    >>> design = build(rows, [Numeric("side")])
    >>> fit = accelerated_failure_time(design, rows["after"], rows["by"])
    >>> medians = adjusted_median(fit, [design.evaluate(rows.assign(side=s)) for s in (0, 1)], ["left", "right"])
    >>> [(median.term, round(median.value, 1)) for median in medians]
    [('left', 3.7), ('right', 7.7)]
    """
    kept = list(cast(tuple[int, ...], fit.details["kept"]))
    return tuple(
        _one_median(fit, kept, np.asarray(matrix, dtype=float), label, level, unit)
        for matrix, label in zip(designs, labels, strict=True)
    )


def _one_median(fit: Fit, kept: list[int], matrix: FloatArray, label: str, level: float, unit: str) -> Answer:
    family = FAMILIES[cast(str, fit.details["family"])]
    scale = float(fit.details["scale"])
    method = f"{fit.method}; median of the standardised curve, delta method on its logarithm"
    dropped = [j for j in range(matrix.shape[1]) if j not in kept]
    rows = ~np.any(matrix[:, dropped] != 0, axis=1)
    if not rows.any():
        reason = "no cases" if not len(matrix) else "no record of this kind has a finite time"
        return NotEstimable(label, reason, n=fit.n, patients=fit.patients, events=fit.events, method=method, unit=unit)
    x = matrix[rows][:, kept]
    linear = x @ fit.coefficients

    def above_half(log_time: float) -> float:
        return float(np.exp(family.log_survival((log_time - linear) / scale)).mean() - 0.5)

    ends = linear.min() + scale * family.median - 1e-6, linear.max() + scale * family.median + 1e-6
    log_time = float(optimize.brentq(above_half, *ends, xtol=1e-13, rtol=1e-14))
    z = (log_time - linear) / scale
    density = np.exp(family.log_density(z))
    gradient = np.append(x.T @ density, scale * (z @ density)) / density.sum()
    variance = float(gradient @ fit.details["covariance_with_log_scale"] @ gradient)
    reach = float(stats.t.isf((1 - level) / 2, fit.details["reference_df"])) * math.sqrt(max(variance, 0.0))
    left_out = int((~rows).sum())
    return Estimate(
        term=label,
        value=math.exp(log_time),
        low=math.exp(log_time - reach),
        high=math.exp(log_time + reach),
        level=level,
        unit=unit,
        method=method,
        n=fit.n,
        patients=fit.patients,
        events=fit.events,
        note=f"{left_out} of {len(rows)} rows left out: their level has no finite time" if left_out else "",
    )
