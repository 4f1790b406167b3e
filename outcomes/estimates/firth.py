"""Odds ratios when events are few or separated: Firth's penalised likelihood, profile limits, corrected intercept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy import stats
from scipy.special import expit

from outcomes.estimates.binary import Binary, Values, observe
from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Answer, Fit, FloatArray, NotEstimable
from outcomes.estimates.likelihood import NotConverged, State, Surface
from outcomes.estimates.ratios import cannot_say, left_out, nothing_to_fit, odds_ratio
from outcomes.estimates.scaled_profile import DesignEffects, working_correlation

PLAIN = "Firth logistic regression, profile penalised-likelihood limits"
SCALED = "Firth logistic regression, scaled profile-likelihood limits, patient as cluster"


@dataclass(frozen=True, slots=True)
class Rung:
    """Which model the number of events allows, decided before any association is looked at.

    Attributes
    ----------
    rung : str
        ``penalised`` or ``rates only``.
    reason : str
        Why, as a clause without a full stop.
    """

    rung: str
    reason: str


def ladder(parameters: int, patients_with_events: int, events: int) -> Rung:
    """May a model be fitted, or only rates be given?

    A penalised model needs three patients with events for each parameter beside the intercept, and five events at
    the least (events are never fewer than the patients that have them). Common practice, no source.

    Parameters
    ----------
    parameters : int
        Columns of the model beside the intercept.
    patients_with_events : int
    events : int
        Records with the event.

    Returns
    -------
    Rung

    Raises
    ------
    ValueError
        If a number is negative, or there are more patients with events than events.

    Examples
    --------
    >>> ladder(6, 40, 55).rung
    'penalised'
    >>> ladder(12, 20, 31).reason
    '12 parameters need 36 patients with events, and there are 20'
    """
    if parameters < 0 or not 0 <= patients_with_events <= events:
        raise ValueError("parameters are not negative, and patients with events are no more than events")
    noun = "parameter needs" if parameters == 1 else "parameters need"
    if patients_with_events < 3 * parameters:
        return Rung(
            "rates only",
            f"{parameters} {noun} {3 * parameters} patients with events, and there are {patients_with_events}",
        )
    if events < 5:
        return Rung("rates only", f"a model needs 5 events, and there are {events}")
    return Rung(
        "penalised",
        f"{parameters} parameters on {events} events of {patients_with_events} patients",
    )


def penalised(
    design: Design,
    events: Values,
    *,
    trials: Values | None = None,
    cluster: Values | None = None,
    weight: Values | None = None,
    level: float = 0.95,
    profile: Sequence[str] | None = None,
) -> Fit | NotEstimable:
    """Which odds ratios do the records carry, when events may be few or separated?

    Firth's penalised likelihood on grouped records: the log-likelihood plus ½ ln |X′WX|, which has a finite maximum
    even under separation. Limits are profile limits and p comes from the penalised likelihood ratio; Wald limits
    are never used. With `cluster` the deviance is divided by a design effect first (`DesignEffects`), and the
    odds ratios are marginal ones.

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
    profile : sequence of str or None
        Names, labels or frame columns whose terms are wanted; all but spline columns when None. Terms cost one
        profile each; the fit itself is the same.

    Returns
    -------
    Fit or NotEstimable
        Terms are odds ratios named by the design's labels. ``covariance`` is the inverse information without
        `cluster`, else the one-step leave-one-patient-out covariance (CR3). ``details``: ``design_effect`` by label
        (at the estimate), ``flic_intercept``, ``risk_covariances`` (at the corrected intercept: model, working
        correlation, leave-one-out; a standardised risk takes the largest variance of the three),
        ``information_covariance``, ``standard_error``, ``patients_with_events``, ``working_correlation``.

    Raises
    ------
    ValueError
        If events are text, missing or no whole numbers within their trials, a cluster is missing, or lengths
        or row labels differ.

    References
    ----------
    Firth D (1993) Biometrika 80:27–38. doi:10.1093/biomet/80.1.27
    Heinze G, Schemper M (2002) Stat Med 21:2409–2419. doi:10.1002/sim.1047
    Puhr R, Heinze G, Nold M, Lusa L, Geroldinger A (2017) Stat Med 36:2302–2317 (FLIC, FLAC). doi:10.1002/sim.7273

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import Category, build
    >>> rows = pd.DataFrame({"density": ["low", "high"], "events": [0, 4], "zones": [12, 10]})
    >>> fit = penalised(build(rows, [Category("density", "low")]), rows["events"], trials=rows["zones"])
    >>> round(fit.terms[0].value, 3), round(fit.terms[0].low, 3)
    (17.308, 1.488)
    """
    method = PLAIN if cluster is None else SCALED
    data = observe(design, events, trials=trials, cluster=cluster, weight=weight)
    refusal = nothing_to_fit(design, data, method=method, finite=False)
    if refusal is not None:
        return refusal
    surface = Surface.of(data, penalty=0.5)
    try:
        best = surface.maximum()
    except (NotConverged, np.linalg.LinAlgError):
        return cannot_say("model", "the penalised fit did not converge", method=method, data=data)
    effects = None if data.cells is None else DesignEffects.of(surface, data.cells, best)
    wanted = _wanted(design, profile)
    answers: list[Answer] = []
    sizes: dict[str, float] = {}
    for column in wanted:
        answer, size = _term(design, data, surface, best, effects, column, level, method)
        answers.append(answer)
        sizes[design.labels[column]] = size
    coefficients = surface.raw(best.point)
    corrected = flic_intercept(data, coefficients)
    covariance = surface.raw_covariance(best.inverse if effects is None else effects.leave_one_out)
    details: dict[str, object] = {
        "design_effect": sizes,
        "flic_intercept": corrected,
        "risk_covariances": _risk_covariances(surface, best, data, corrected - float(coefficients[0])),
        "information_covariance": surface.raw_covariance(best.inverse),
        "standard_error": np.sqrt(np.maximum(np.diag(covariance), 0.0)),
    }
    if data.cells is not None:
        details["patients_with_events"] = data.cells.with_events
        details["working_correlation"] = working_correlation(data.cells, best.probability, data.matrix.shape[1])
    return Fit(
        method=method,
        terms=(*answers, *left_out(design, method=method, data=data)),
        names=design.names,
        coefficients=coefficients,
        covariance=covariance,
        n=data.n,
        patients=data.patients,
        events=data.event_count,
        log_likelihood=surface.raw_value(best),
        details=details,
    )


def _risk_covariances(surface: Surface, best: State, data: Binary, shift: float) -> tuple[FloatArray, ...]:
    """Covariances at the corrected intercept: of the model, under the working correlation, leave-one-out."""
    point = best.point.copy()
    point[0] += shift
    state = surface.at(point)
    found = [state.inverse]
    if data.cells is not None:
        effects = DesignEffects.of(surface, data.cells, state)
        found += [effects.exchangeable(state), effects.leave_one_out]
    return tuple(surface.raw_covariance(covariance) for covariance in found)


def _wanted(design: Design, profile: Sequence[str] | None) -> tuple[int, ...]:
    if profile is None:
        return tuple(j for j, shown in enumerate(design.reported) if shown)
    return tuple(dict.fromkeys(j for name in profile for j in design.columns_of(name)))


def _term(
    design: Design,
    data: Binary,
    surface: Surface,
    best: State,
    effects: DesignEffects | None,
    column: int,
    level: float,
    method: str,
) -> tuple[Answer, float]:
    label = design.labels[column]
    if effects is not None and bool(effects.one_patient[column]):
        return cannot_say(label, "it rests on one patient", method=method, data=data), float("nan")
    divisor = None if effects is None else partial(effects.divisor, column=column, level=level)
    size = 1.0 if effects is None else effects.at(best, column)
    quantile = float(stats.chi2.ppf(level, 1))
    try:
        low, high = (surface.limit(column, side, best, quantile, divisor) for side in (-1, 1))
        null = surface.held(column, 0.0, best)
    except NotConverged:
        return cannot_say(label, "the profile did not converge", method=method, data=data), size
    deviance = max(2 * (best.value - null.value), 0.0) / (1.0 if divisor is None else divisor(null))
    scale = float(surface.scale[column])
    answer = odds_ratio(
        label,
        float(best.point[column]) / scale,
        None if low is None else low / scale,
        None if high is None else high / scale,
        method=method,
        data=data,
        level=level,
        p_value=float(stats.chi2.sf(deviance, 1)),
    )
    return answer, size


def flic_intercept(data: Binary, coefficients: FloatArray) -> float:
    """Which intercept makes predicted events equal observed ones, slopes held (FLIC)?

    Firth's penalty pulls predicted risks towards one half, which inflates small risks; the slopes are kept and the
    intercept is fitted again by maximum likelihood.

    Parameters
    ----------
    data : Binary
    coefficients : ndarray of shape (p,)
        Of the penalised fit, intercept first.

    Returns
    -------
    float
        The corrected intercept.

    References
    ----------
    Puhr R, Heinze G, Nold M, Lusa L, Geroldinger A (2017) Stat Med 36:2302–2317. doi:10.1002/sim.7273

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import build
    >>> rows = pd.DataFrame({"events": [3], "zones": [100]})
    >>> data = observe(build(rows, []), rows["events"], trials=rows["zones"])
    >>> round(float(expit(flic_intercept(data, np.array([-3.3])))), 6)
    0.03
    """
    rest = data.matrix[:, 1:] @ coefficients[1:]
    value = float(coefficients[0])
    for _ in range(200):
        mu = expit(value + rest)
        step = float((data.events - data.trials * mu).sum()) / float(data.trials @ (mu * (1 - mu)))
        value += float(np.clip(step, -5.0, 5.0))
        if abs(step) < 1e-12:
            break
    return value


def flac(
    design: Design, events: Values, *, trials: Values | None = None, weight: Values | None = None
) -> FloatArray | NotEstimable:
    """Coefficients of Firth's method with an added covariate (FLAC), whose mean predicted risk is the observed one.

    Each record is followed by a pseudo-record with half an event and the record's leverage as weight; an added column
    tells the two apart, and maximum likelihood on both gives the coefficients. A sensitivity check of FLIC.

    Parameters
    ----------
    design : Design
    events, trials, weight
        As in `penalised`.

    Returns
    -------
    ndarray of shape (p,) or NotEstimable
        Coefficients of the design's columns, intercept first.

    References
    ----------
    Puhr R, Heinze G, Nold M, Lusa L, Geroldinger A (2017) Stat Med 36:2302–2317. doi:10.1002/sim.7273

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import Category, build
    >>> rows = pd.DataFrame({"density": ["low", "high"], "events": [0, 4], "zones": [12, 10]})
    >>> found = flac(build(rows, [Category("density", "low")]), rows["events"], trials=rows["zones"])
    >>> found.round(3).tolist()
    [-3.593, 3.051]
    """
    method = "Firth logistic regression with added covariate (FLAC)"
    data = observe(design, events, trials=trials, weight=weight)
    refusal = nothing_to_fit(design, data, method=method, finite=False)
    if refusal is not None:
        return refusal
    surface = Surface.of(data, penalty=0.5)
    try:
        leverage = surface.maximum().leverage
        rows = len(surface.matrix)
        added = np.repeat([0.0, 1.0], rows)[:, None]
        augmented = Surface(
            matrix=np.hstack([np.vstack([surface.matrix, surface.matrix]), added]),
            shift=np.append(surface.shift, 0.0),
            scale=np.append(surface.scale, 1.0),
            events=np.concatenate([surface.events, leverage / 2]),
            trials=np.concatenate([surface.trials, leverage]),
            penalty=0.0,
        )
        best = augmented.maximum()
    except (NotConverged, np.linalg.LinAlgError):
        return cannot_say("model", "the penalised fit did not converge", method=method, data=data)
    return augmented.raw(best.point)[:-1]
