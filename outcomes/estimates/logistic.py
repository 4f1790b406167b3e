"""Odds ratios when events are plenty: maximum likelihood, with limits that allow for several records of a patient."""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy import stats

from outcomes.estimates.binary import Binary, Cells, Values, observe
from outcomes.estimates.cluster import ClusterCovariance, cluster_covariance
from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Answer, Fit, FloatArray, NotEstimable
from outcomes.estimates.likelihood import NotConverged, State, Surface
from outcomes.estimates.ratios import cannot_say, floored, left_out, nothing_to_fit, odds_ratio

PLAIN = "logistic regression, maximum likelihood, Wald limits"
PROFILE = "logistic regression, maximum likelihood, profile-likelihood limits"
CLUSTERED = (
    "logistic regression, maximum likelihood, CR2 covariance with Satterthwaite degrees of freedom, patient as cluster"
)
_RUN_OFF = 1e-9  # weakest direction of the information, as a share of what it is where all risks are one half
_FEW_DEGREES = 5.0


def maximum_likelihood(
    design: Design,
    events: Values,
    *,
    trials: Values | None = None,
    cluster: Values | None = None,
    weight: Values | None = None,
    level: float = 0.95,
    limits: str = "wald",
) -> Fit | NotEstimable:
    """Which odds ratios do the records carry, when events are plenty?

    Logistic regression by maximum likelihood on grouped records. Separation is looked for first: where it
    holds no finite estimate exists, and none is reported. With `cluster` the covariance is CR2 and each
    coefficient is referred to t on Satterthwaite's degrees of freedom; without, to the normal.

    Parameters
    ----------
    design : Design
        Of n rows.
    events : array of shape (n,)
        0/1 or booleans; with `trials`, whole numbers from 0 to them.
    trials : array of shape (n,) or None
        Records behind each row.
    cluster : array of shape (n,) or None
        Patient of each row, none missing.
    weight : array of shape (n,) or None
        How often each row occurs (frequency weights, whole numbers from 1).
    level : float
        Confidence level.
    limits : {"wald", "profile"}
        How limits are found without `cluster`; with it they are always Wald limits on CR2.

    Returns
    -------
    Fit or NotEstimable
        Terms are odds ratios named by the design's labels; spline columns get none. NotEstimable without
        events, without non-events, with one patient only, with collinear columns, or under separation.
        ``log_likelihood`` and ``details["null_log_likelihood"]`` are those of single yes/no records, without
        binomial constants, whatever the grouping. ``details``: ``standard_error`` (p,),
        ``information_covariance`` (p, p), and with `cluster` ``patients_with_events``, ``cluster_covariance``
        (CR0–CR3, `ClusterCovariance` on the columns as given) and ``contrast_degrees``, which gives Satterthwaite's
        degrees of freedom of each row of a matrix of contrasts.

    Raises
    ------
    ValueError
        If events are text, missing or no whole numbers within their trials, a cluster is missing, or lengths
        or row labels differ.

    References
    ----------
    Pustejovsky JE, Tipton E (2018) J Bus Econ Stat 36:672–683. doi:10.1080/07350015.2016.1247004

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import Numeric, build
    >>> rows = pd.DataFrame({"dense": [0, 0, 1, 1], "events": [2, 0, 5, 0], "zones": [20, 20, 20, 20]})
    >>> fit = maximum_likelihood(build(rows, [Numeric("dense")]), rows["events"], trials=rows["zones"])
    >>> round(fit.term("dense").value, 4)
    2.7143
    """
    if limits not in ("wald", "profile"):
        raise ValueError("limits are wald or profile")
    method = CLUSTERED if cluster is not None else PROFILE if limits == "profile" else PLAIN
    data = observe(design, events, trials=trials, cluster=cluster, weight=weight)
    refusal = nothing_to_fit(design, data, method=method, finite=True)
    if refusal is not None:
        return refusal
    surface = Surface.of(data, penalty=0.0)
    try:
        best = surface.maximum()
    except (NotConverged, np.linalg.LinAlgError):
        return cannot_say("model", "the fit did not converge", method=method, data=data)
    if _runs_off(surface, best):
        reason = "separation: the likelihood rises beyond any estimate that could be told"
        return cannot_say("model", reason, method=method, data=data, note="a penalised fit gives an answer")
    coefficients = surface.raw(best.point)
    information = surface.raw_covariance(best.inverse)
    details: dict[str, object] = {
        "information_covariance": information,
        "null_log_likelihood": _null_value(data),
    }
    robust: ClusterCovariance | None = None
    covariance, degrees = information, None
    if data.cells is not None:
        robust = _raw(
            surface,
            cluster_covariance(surface.matrix, data.cells, best.probability, best.inverse, contrasts=surface.turn()),
        )
        covariance, degrees = robust.bias_reduced, robust.degrees_of_freedom
        details["cluster_covariance"] = robust
        details["contrast_degrees"] = partial(_contrast_degrees, surface, data.cells, best)
        details["patients_with_events"] = data.cells.with_events
    details["standard_error"] = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    answers = [
        _profile_term(design, data, surface, best, j, level, method)
        if method == PROFILE
        else _wald_term(design, data, coefficients, covariance, robust, j, level, method)
        for j, shown in enumerate(design.reported)
        if shown
    ]
    return Fit(
        method=method,
        terms=(*answers, *left_out(design, method=method, data=data)),
        names=design.names,
        coefficients=coefficients,
        covariance=covariance,
        n=data.n,
        patients=data.patients,
        events=data.event_count,
        log_likelihood=best.value,
        degrees_of_freedom=degrees,
        details=details,
    )


def _runs_off(surface: Surface, best: State) -> bool:
    """Whether the records have stopped telling values apart: separation too fine for the linear programme to see."""
    at_none = surface.at(np.zeros(surface.matrix.shape[1]))
    weakest, start = (float(np.linalg.eigvalsh(state.information)[0]) for state in (best, at_none))
    return weakest < _RUN_OFF * start


def _wald_term(
    design: Design,
    data: Binary,
    coefficients: FloatArray,
    covariance: FloatArray,
    robust: ClusterCovariance | None,
    column: int,
    level: float,
    method: str,
) -> Answer:
    label = design.labels[column]
    value, error = float(coefficients[column]), float(np.sqrt(max(covariance[column, column], 0.0)))
    if robust is None:
        half = float(stats.norm.ppf(0.5 + level / 2)) * error
        p = 2 * float(stats.norm.sf(abs(value) / error))
        return odds_ratio(label, value, value - half, value + half, method=method, data=data, level=level, p_value=p)
    if bool(robust.one_patient[column]):
        return cannot_say(label, "it rests on one patient", method=method, data=data)
    degrees = float(robust.degrees_of_freedom[column])
    if not error > 1e-12 * max(1.0, abs(value)) or not degrees > 0.5:
        return cannot_say(label, "too few patients tell", method=method, data=data)
    half = float(stats.t.ppf(0.5 + level / 2, degrees)) * error
    p = 2 * float(stats.t.sf(abs(value) / error, degrees))
    note = f"about {degrees:.1f} degrees of freedom" if degrees < _FEW_DEGREES else ""
    return odds_ratio(
        label, value, value - half, value + half, method=method, data=data, level=level, p_value=p, note=note
    )


def _profile_term(
    design: Design, data: Binary, surface: Surface, best: State, column: int, level: float, method: str
) -> Answer:
    label = design.labels[column]
    scale = float(surface.scale[column])
    try:
        low, high = (surface.limit(column, side, best, float(stats.chi2.ppf(level, 1))) for side in (-1, 1))
        null = surface.held(column, 0.0, best)
    except NotConverged:
        return cannot_say(label, "the profile did not converge", method=method, data=data)
    deviance = max(2 * (best.value - null.value), 0.0)
    return odds_ratio(
        label,
        float(best.point[column]) / scale,
        None if low is None else low / scale,
        None if high is None else high / scale,
        method=method,
        data=data,
        level=level,
        p_value=floored(float(stats.chi2.sf(deviance, 1))),
    )


def _contrast_degrees(surface: Surface, cells: Cells, best: State, contrasts: FloatArray) -> FloatArray:
    return cluster_covariance(
        surface.matrix, cells, best.probability, best.inverse, contrasts=contrasts @ surface.turn()
    ).degrees_of_freedom


def _raw(surface: Surface, robust: ClusterCovariance) -> ClusterCovariance:
    return ClusterCovariance(
        surface.raw_covariance(robust.uncorrected),
        surface.raw_covariance(robust.bias_reduced),
        surface.raw_covariance(robust.leave_one_out),
        robust.degrees_of_freedom,
        robust.one_patient,
        robust.clusters,
    )


def _null_value(data: Binary) -> float:
    share = data.event_count / data.n
    return data.event_count * float(np.log(share)) + (data.n - data.event_count) * float(np.log1p(-share))
