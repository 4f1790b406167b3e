"""From a coefficient to a reported ratio, or to "cannot say": the checks that no ratio may skip."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from scipy import stats

from outcomes.estimates.binary import Binary
from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Answer, Estimate, Fit, FloatArray, NotEstimable
from outcomes.estimates.separation import collinear_columns, find_separation

SMALLEST_P = 1e-300
_LARGEST_LOGARITHM = 300.0  # e to this power is far beyond any odds ratio that means something


def floored(p: float) -> float:
    """A p value that is never printed as nought: at least 1e-300, at most 1."""
    return min(1.0, max(float(p), SMALLEST_P))


def odds_ratio(
    term: str,
    coefficient: float,
    low: float | None,
    high: float | None,
    *,
    method: str,
    data: Binary,
    level: float,
    p_value: float | None,
    unit: str = "odds ratio",
    note: str = "",
) -> Answer:
    """A log odds ratio with its limits, as an odds ratio.

    Returns
    -------
    Estimate or NotEstimable
        NotEstimable where the coefficient or both limits lie beyond any number that means something.
    """

    def usable(value: float | None) -> bool:
        return value is not None and math.isfinite(value) and abs(value) < _LARGEST_LOGARITHM

    known_low = math.exp(low) if low is not None and usable(low) else None
    known_high = math.exp(high) if high is not None and usable(high) else None
    if not usable(coefficient) or (known_low is None and known_high is None):
        return cannot_say(term, "the records set no limit to it", method=method, data=data, unit=unit)
    value = math.exp(coefficient)
    if known_low is not None and known_high is not None and not known_low < known_high:
        return cannot_say(term, "the interval has no width", method=method, data=data, unit=unit)
    return Estimate(
        term,
        value,
        known_low,
        known_high,
        method,
        data.n,
        level=level,
        unit=unit,
        patients=data.patients,
        events=data.event_count,
        p_value=None if p_value is None else floored(p_value),
        note=note,
    )


def cannot_say(
    term: str, reason: str, *, method: str, data: Binary, unit: str = "odds ratio", note: str = ""
) -> NotEstimable:
    """A "cannot say" that carries its counts."""
    return NotEstimable(
        term,
        reason,
        n=data.n,
        patients=data.patients,
        events=data.event_count,
        method=method,
        unit=unit,
        note=note,
    )


def left_out(design: Design, *, method: str, data: Binary, unit: str = "odds ratio") -> tuple[NotEstimable, ...]:
    """Terms that the design had to leave out: levels without rows, columns without variation."""
    empty = [cannot_say(label, "no cases", method=method, data=data, unit=unit) for label in design.empty]
    constant = [
        cannot_say(label, "the same in every record", method=method, data=data, unit=unit) for label in design.constant
    ]
    return (*empty, *constant)


def nothing_to_fit(design: Design, data: Binary, *, method: str, finite: bool) -> NotEstimable | None:
    """Why no model can be fitted to these records, or None where one can.

    Parameters
    ----------
    design : Design
    data : Binary
    method : str
    finite : bool
        True for maximum likelihood, which needs data without separation.
    """

    def refuse(reason: str, note: str = "") -> NotEstimable:
        return cannot_say("model", reason, method=method, data=data, note=note)

    if data.n == 0:
        return refuse("no cases")
    if data.event_count == 0:
        return refuse("no events")
    if data.event_count == data.n:
        return refuse("every record has the event")
    if data.cells is not None and data.cells.clusters < 2:
        return refuse("one patient only")
    parameters = data.matrix.shape[1]
    if data.cells is not None and data.cells.clusters <= parameters:
        return refuse(f"{data.cells.clusters} patients cannot carry {parameters} parameters")
    redundant = collinear_columns(data.matrix, data.trials)
    if redundant:
        names = ", ".join(design.labels[j] for j in redundant)
        return refuse(f"collinear: {names} follows from the other columns")
    if finite:
        separation = find_separation(data)
        if separation.separated:
            names = ", ".join(design.labels[j] for j in separation.columns)
            return refuse(
                f"separation: no finite maximum-likelihood estimate for {names}", "a penalised fit gives an answer"
            )
    return None


def robust_fit(
    design: Design,
    data: Binary,
    coefficients: FloatArray,
    covariance: FloatArray,
    method: str,
    level: float,
    details: Mapping[str, Any],
) -> Fit:
    """Odds ratios from coefficients and a covariance by patient, t on patients less one degrees of freedom."""
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    degrees = float((data.patients or 0) - 1)
    answers: list[Answer] = []
    for j, label in enumerate(design.labels):
        if not design.reported[j]:
            continue
        value, error = float(coefficients[j]), float(errors[j])
        if not error > 1e-10 * max(1.0, abs(value)):
            answers.append(cannot_say(label, "too few patients tell", method=method, data=data))
            continue
        half = float(stats.t.isf((1 - level) / 2, degrees)) * error
        p = 2 * float(stats.t.sf(abs(value) / error, degrees))
        answers.append(
            odds_ratio(label, value, value - half, value + half, method=method, data=data, level=level, p_value=p)
        )
    return Fit(
        method=method,
        terms=(*answers, *left_out(design, method=method, data=data)),
        names=design.names,
        coefficients=coefficients,
        covariance=covariance,
        n=data.n,
        patients=data.patients,
        events=data.event_count,
        degrees_of_freedom=np.full(len(coefficients), degrees),
        details={**details, "standard_error": errors},
    )
