"""Hazard ratios by Cox's model, shown only beside other analyses, and the test of proportional hazards."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from outcomes.estimates.arrays import cluster_codes, numbers, positions
from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Answer, Estimate, Fit, FloatArray, NotEstimable
from outcomes.estimates.partial_likelihood import RiskSets, RunsOff, maximise

UNIT = "hazard ratio"
TIES = {"efron": "Efron's handling of ties", "breslow": "Breslow's handling of ties"}
TRANSFORMS = ("km", "identity", "rank")
_SMALLEST = float(np.finfo(float).tiny)


@dataclass(frozen=True, slots=True)
class Proportionality:
    """Whether a hazard ratio stays the same over time.

    Attributes
    ----------
    term : str
        The column, or ``all columns``.
    chi_square : float
    degrees_of_freedom : int
    p_value : float
    """

    term: str
    chi_square: float
    degrees_of_freedom: int
    p_value: float


def proportional_hazards(
    design: Design,
    days: ArrayLike,
    event: ArrayLike,
    *,
    ties: str = "efron",
    cluster: ArrayLike | None = None,
    level: float = 0.95,
) -> Fit | NotEstimable:
    """By what factor is the rate of a late event higher, if that factor is the same at all times?

    Cox's partial likelihood of ``h(t | x) = h₀(t) exp(x′β)``, right-censored times. Assumes proportional hazards (see
    `proportionality`) and follow-up that ends for reasons apart from the event; where visits fall on a few days the
    times are grouped, and an interval-censored model is the better one. A sensitivity analysis, never a headline.

    With ``cluster`` the covariance is ``I⁻¹ (Σ_g s_g s_g′) I⁻¹`` from score residuals summed by patient, times
    G/(G − 1), and limits use t on G − 1 degrees of freedom.

    Parameters
    ----------
    design : Design
        Of n rows; its intercept is left out, as h₀ takes its place.
    days : array of shape (n,)
        Day of the event or last day of follow-up; 0 is allowed, negative is not.
    event : array of shape (n,)
        True or 1 where it happened.
    ties : {"efron", "breslow"}
        The choice is named in the method, as whole days tie and the answers differ.
    cluster : array of shape (n,) or None
        Patient of each record.

    Returns
    -------
    Fit or NotEstimable
        Terms are hazard ratios. ``names``, ``coefficients`` and ``covariance`` are without intercept. ``details``:
        ``standard_error``, ``information_covariance``, ``sandwich_covariance`` (without small-sample factor; None
        without cluster), ``null_log_likelihood``, ``score_chi_square``, ``wald_chi_square``, ``ties`` and ``risk_sets``
        (for `proportionality`). NotEstimable without events or where a ratio runs off to 0 or infinity.

    Raises
    ------
    ValueError
        If a day is missing or negative, an event is neither yes nor no, or the ties are unknown.

    References
    ----------
    Cox DR (1972) J R Stat Soc B 34:187–220. doi:10.1111/j.2517-6161.1972.tb00899.x
    Efron B (1977) J Am Stat Assoc 72:557–565. doi:10.1080/01621459.1977.10480613
    Lin DY, Wei LJ (1989) J Am Stat Assoc 84:1074–1078. doi:10.1080/01621459.1989.10478874

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import Numeric, build
    >>> rows = pd.DataFrame({"dense": [0, 0, 0, 0, 1, 1, 1, 1], "days": [9, 12, 15, 20, 3, 7, 12, 18]})
    >>> fit = proportional_hazards(build(rows, [Numeric("dense")]), rows["days"], [1, 1, 0, 1, 1, 1, 1, 0])
    >>> round(fit.terms[0].value, 3)
    2.205
    """
    if ties not in TIES:
        raise ValueError(f"ties must be one of {', '.join(TIES)}")
    time, happened = numbers("days", days), numbers("event", event)
    n = len(design.matrix)
    if len(time) != n or len(happened) != n:
        raise ValueError("days, events and design differ in length")
    if np.any(time < 0):
        raise ValueError(f"a time before the start (a negative duration) at {positions(time < 0)}")
    if np.any((happened != 0) & (happened != 1)):
        raise ValueError(f"event is neither yes nor no at {positions((happened != 0) & (happened != 1))}")
    codes = None if cluster is None else cluster_codes(cluster, n)
    patients = None if codes is None else (int(codes.max()) + 1 if n else 0)
    words = "records taken as independent" if codes is None else "sandwich covariance by patient, t reference"
    method = f"Cox model, {TIES[ties]}, {words}"
    events = int(happened.sum())
    columns = design.matrix[:, 1:]
    reason = _reason(n, events, patients, columns)
    sets = found = None
    if not reason:
        spread = columns.std(axis=0)
        sets = RiskSets.of((columns - columns.mean(axis=0)) / spread, time, happened == 1, ties == "efron")
        try:
            found = maximise(sets)
        except RunsOff as runs_off:
            names = ", ".join(design.labels[1 + j] for j in runs_off.columns)
            reason = f"no finite estimate for {names}"
    if reason or sets is None or found is None:
        return NotEstimable("hazard ratios", reason, n, patients, events, method, UNIT)
    beta = found.point / spread
    information = found.inverse / np.outer(spread, spread)
    covariance, plain, degrees = information, None, math.inf
    if codes is not None and patients is not None:
        scores = sets.score_residuals(found.point)
        totals = np.zeros((patients, len(beta)))
        np.add.at(totals, codes, scores)
        plain = found.inverse @ (totals.T @ totals) @ found.inverse / np.outer(spread, spread)
        covariance, degrees = patients / (patients - 1) * plain, float(patients - 1)
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    counts = (n, patients, events)
    terms: list[Answer] = [
        _ratio(design.labels[1 + j], float(beta[j]), float(errors[j]), degrees, level, counts, method)
        for j in range(len(beta))
        if design.reported[1 + j]
    ]
    terms += [NotEstimable(label, "no cases", n, patients, events, method, UNIT) for label in design.empty]
    terms += [
        NotEstimable(label, "the same in every record", n, patients, events, method, UNIT) for label in design.constant
    ]
    used = covariance if plain is None else plain
    return Fit(
        method=method,
        terms=tuple(terms),
        names=design.names[1:],
        coefficients=beta,
        covariance=covariance,
        n=n,
        patients=patients,
        events=events,
        log_likelihood=found.value,
        degrees_of_freedom=None if codes is None else np.full(len(beta), degrees),
        details={
            "standard_error": errors,
            "information_covariance": information,
            "sandwich_covariance": plain,
            "null_log_likelihood": found.null_value,
            "score_chi_square": found.score_chi_square,
            "wald_chi_square": float(beta @ np.linalg.pinv(used, hermitian=True) @ beta),
            "ties": ties,
            "risk_sets": sets,
            "scaled_point": found.point,
        },
    )


def proportionality(fit: Fit, *, transform: str = "km") -> tuple[Proportionality, ...]:
    """Does any hazard ratio drift over time?

    Score test of ``β_j + θ_j g(t)`` against θ = 0 with β as fitted: with Schoenfeld residuals r_k and information V_k
    at each event time, ``u = Σ g_k r_k`` against ``Σ g² V − (Σ g V)(Σ V)⁻¹(Σ g V)``. Records count as independent.

    Parameters
    ----------
    fit : Fit
        From `proportional_hazards`.
    transform : {"km", "identity", "rank"}
        g: one less the Kaplan–Meier curve just before t, t itself, or the rank of t among all times.

    Returns
    -------
    tuple of Proportionality
        One a column, then ``all columns``; without the entries whose information is nought.

    Raises
    ------
    ValueError
        If the transform is unknown.

    References
    ----------
    Grambsch PM, Therneau TM (1994) Biometrika 81:515–526. doi:10.1093/biomet/81.3.515

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import Numeric, build
    >>> rows = pd.DataFrame({"days": [2, 4, 5, 6, 7, 8, 9, 12], "event": [1, 1, 1, 0, 1, 1, 1, 0], "side": [0, 1] * 4})
    >>> fit = proportional_hazards(build(rows, [Numeric("side")]), rows["days"], rows["event"])
    >>> [(test.term, round(test.p_value, 2)) for test in proportionality(fit)]
    [('side', 0.94), ('all columns', 0.94)]
    """
    if transform not in TRANSFORMS:
        raise ValueError(f"transform must be one of {', '.join(TRANSFORMS)}")
    sets = cast(RiskSets, fit.details["risk_sets"])
    point = cast(FloatArray, fit.details["scaled_point"])
    pieces = sets.pieces(point)
    g = sets.transformed(transform)
    middle = float(pieces.deaths @ g / pieces.deaths.sum())
    g = (g - middle) / max(float(np.abs(g - middle).max()), 1e-300)
    u = g @ pieces.residual
    whole = pieces.information.sum(axis=0)
    once = np.tensordot(g, pieces.information, axes=1)
    twice = np.tensordot(g**2, pieces.information, axes=1)
    spread = twice - once @ np.linalg.solve(whole, once)
    names = [*fit.names, "all columns"]
    blocks = [np.array([j]) for j in range(len(u))] + [np.arange(len(u))]
    found: list[Proportionality] = []
    for name, block in zip(names, blocks, strict=True):
        part = spread[np.ix_(block, block)]
        if np.linalg.eigvalsh(part)[0] <= 1e-12 * max(float(np.trace(twice)), 1e-300):
            continue
        chi = float(u[block] @ np.linalg.solve(part, u[block]))
        found.append(Proportionality(name, chi, len(block), max(float(stats.chi2.sf(chi, len(block))), _SMALLEST)))
    return tuple(found)


def _reason(n: int, events: int, patients: int | None, columns: FloatArray) -> str:
    if n == 0:
        return "no cases"
    if events == 0:
        return "no events"
    parameters = columns.shape[1]
    if parameters == 0:
        return "nothing to compare"
    if patients is not None and patients <= parameters:
        return f"{patients} patients cannot carry {parameters} parameters"
    if np.linalg.matrix_rank(columns - columns.mean(axis=0)) < parameters:
        return "columns of the design repeat each other"
    return ""


def _ratio(
    label: str,
    value: float,
    error: float,
    degrees: float,
    level: float,
    counts: tuple[int, int | None, int],
    method: str,
) -> Answer:
    n, patients, events = counts
    half = float(stats.t.isf((1 - level) / 2, degrees)) * error
    if not error > 1e-10 * max(1.0, abs(value)) or abs(value) + half > 100:
        return NotEstimable(label, "the data do not bound it", n, patients, events, method, UNIT)
    p = 2 * float(stats.t.sf(abs(value) / error, degrees))
    return Estimate(
        label, math.exp(value), math.exp(value - half), math.exp(value + half), method, n, level=level, unit=UNIT,
        patients=patients, events=events, p_value=min(1.0, max(p, _SMALLEST)),
    )  # fmt: skip
