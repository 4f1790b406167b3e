"""Can predicted risks be trusted? Discrimination, calibration and the Brier score."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats
from scipy.special import expit, logit

from outcomes.estimates.binary import Values, cluster_codes, whole_numbers
from outcomes.estimates.design import Numeric, build
from outcomes.estimates.estimate import Answer, Estimate, FloatArray, NotEstimable
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.mean import clustered_mean

C_METHOD = "c-statistic, DeLong variance"
C_CLUSTERED = "c-statistic, clustered variance of Obuchowski, patient as cluster"


def c_statistic(
    event: Values,
    score: ArrayLike,
    level: float = 0.95,
    *,
    cluster: Values | None = None,
    limits: str = "logit",
    term: str = "c-statistic",
) -> Answer:
    """How often does the record with the event carry the higher predicted risk?

    The share of pairs of an event and a non-event in which the event scores higher, ties counting one half.
    DeLong's variance, or Obuchowski's where records cluster in patients; limits on the logit scale, so
    that they stay below 1, or on the plain one.

    Parameters
    ----------
    event : array of shape (n,)
        0/1 or booleans.
    score : array of shape (n,)
        Predicted risk, or anything that rises with it.
    level : float
    cluster : array of shape (n,) or None
        Patient of each record.
    limits : {"logit", "plain"}
    term : str

    Returns
    -------
    Estimate or NotEstimable
        NotEstimable without events or non-events, or where the scores do not overlap at all.

    Raises
    ------
    ValueError
        If lengths differ, the kind of limits is unknown, or events are missing or neither 0 nor 1.

    References
    ----------
    DeLong ER, DeLong DM, Clarke-Pearson DL (1988) Biometrics 44:837–845. doi:10.2307/2531595
    Obuchowski NA (1997) Nonparametric analysis of clustered ROC curve data. Biometrics 53:567–578.
    doi:10.2307/2533958

    Examples
    --------
    >>> round(c_statistic([0, 0, 1, 0, 1, 1], [0.1, 0.2, 0.3, 0.4, 0.5, 0.6]).value, 4)
    0.8889
    """
    if limits not in ("logit", "plain"):
        raise ValueError("limits are logit or plain")
    y, x = _outcome(event), _scores(score)
    if len(y) != len(x):
        raise ValueError("event and score differ in length")
    codes = None if cluster is None else cluster_codes(cluster)
    if codes is not None and len(codes) != len(y):
        raise ValueError("event and cluster differ in length")
    n, events = len(y), int(y.sum())
    patients = None if codes is None else int(codes.max()) + 1 if n else 0
    method = C_METHOD if codes is None else C_CLUSTERED

    def cannot(reason: str) -> NotEstimable:
        return NotEstimable(term, reason, n=n, patients=patients, events=events, method=method, unit="c-statistic")

    if n == 0:
        return cannot("no cases")
    if events == 0 or events == n:
        return cannot("no events" if events == 0 else "every record has the event")
    with_event, without = placements(y, x)
    value = float(with_event.mean())
    variance = (
        _delong(with_event, without)
        if codes is None
        else _obuchowski(with_event, without, codes[y == 1], codes[y == 0])
    )
    if variance is None:
        return cannot("too few events or non-events, or patients with them, for an interval")
    if not variance > 1e-24 or not 0 < value < 1:
        return cannot("the scores of events and non-events do not overlap")
    error, quantile = math.sqrt(variance), float(stats.norm.ppf(0.5 + level / 2))
    if limits == "logit":
        half = quantile * error / (value * (1 - value))
        low, high = float(expit(logit(value) - half)), float(expit(logit(value) + half))
    else:
        low, high = max(0.0, value - quantile * error), min(1.0, value + quantile * error)
    return Estimate(
        term, value, low, high, method, n, level=level, unit="c-statistic", patients=patients, events=events
    )


def placements(y: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """For each event the share of non-events below it, for each non-event the share of events above it.

    Ties count one half. The mean of either is the c-statistic, their spreads are its variance.

    Parameters
    ----------
    y : ndarray of shape (n,)
        1 with the event, 0 without.
    x : ndarray of shape (n,)
        Score.

    Returns
    -------
    of_events : ndarray of shape (events,)
    of_others : ndarray of shape (n − events,)

    References
    ----------
    DeLong ER, DeLong DM, Clarke-Pearson DL (1988) Biometrics 44:837–845. doi:10.2307/2531595

    Examples
    --------
    >>> above, below = placements(np.array([0.0, 0, 1, 1]), np.array([0.1, 0.4, 0.4, 0.9]))
    >>> above.tolist(), below.tolist()
    ([0.75, 1.0], [1.0, 0.75])
    """
    yes, no = x[y == 1], x[y == 0]
    everyone = stats.rankdata(x)
    with_event = (everyone[y == 1] - stats.rankdata(yes)) / len(no)
    without = 1 - (everyone[y == 0] - stats.rankdata(no)) / len(yes)
    return with_event, without


def _delong(with_event: FloatArray, without: FloatArray) -> float | None:
    if len(with_event) < 2 or len(without) < 2:
        return None
    return float(with_event.var(ddof=1) / len(with_event) + without.var(ddof=1) / len(without))


def _obuchowski(with_event: FloatArray, without: FloatArray, yes: np.ndarray, no: np.ndarray) -> float | None:
    value = float(with_event.mean())
    size = int(max(yes.max(), no.max())) + 1
    up = np.bincount(yes, with_event - value, size)
    down = np.bincount(no, without - value, size)
    m, n = len(with_event), len(without)
    with_yes, with_no = len(np.unique(yes)), len(np.unique(no))
    patients = len(np.unique(np.concatenate([yes, no])))
    if with_yes < 2 or with_no < 2:
        return None
    return float(
        with_yes / (with_yes - 1) * (up @ up) / m**2
        + with_no / (with_no - 1) * (down @ down) / n**2
        + 2 * patients / (patients - 1) * (up @ down) / (m * n)
    )


@dataclass(frozen=True, slots=True)
class Calibration:
    """How predicted risks stand to observed ones.

    Attributes
    ----------
    intercept : Estimate or NotEstimable
        Calibration in the large: shift on the logit scale with the slope held at 1; 0 is perfect.
    slope : Estimate or NotEstimable
        Slope of the outcome on the logit of the predicted risk; 1 is perfect, under 1 means overfitted.
    intercept_with_slope : float or None
        Intercept of the same regression with the slope left free.
    observed_over_expected : float or None
        Observed events over the sum of predicted risks; None without records.
    """

    intercept: Answer
    slope: Answer
    intercept_with_slope: float | None
    observed_over_expected: float | None


def calibration(
    event: Values, predicted: ArrayLike, level: float = 0.95, *, cluster: Values | None = None
) -> Calibration:
    """Do predicted risks match observed ones, on average and across their range?

    Slope: coefficient of logit(predicted) in a logistic regression of the event; intercept: the constant of one with
    logit(predicted) as offset. 1 and 0 where predictions are right.

    Parameters
    ----------
    event : array of shape (n,)
        0/1 or booleans.
    predicted : array of shape (n,)
        Predicted risks, strictly between 0 and 1, from a model that was not fitted to these records; on the
        records it was fitted to, intercept 0 and slope 1 follow from the fit and show nothing.
    cluster : array of shape (n,) or None
        Patient of each record; limits then rest on CR2 (slope) or the patient totals (intercept), with t
        references.
    level : float

    Returns
    -------
    Calibration

    Raises
    ------
    ValueError
        If lengths differ, or a predicted risk is not strictly between 0 and 1.

    References
    ----------
    Cox DR (1958) Biometrika 45:562–565. doi:10.1093/biomet/45.3-4.562

    Examples
    --------
    >>> found = calibration([0, 0, 1, 0, 1, 1, 0, 1], [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.6, 0.7])
    >>> round(found.intercept.value, 2), round(found.slope.value, 2)
    (0.36, 1.38)
    """
    y, risk = _outcome(event), _risks(predicted)
    if len(y) != len(risk):
        raise ValueError("event and predicted differ in length")
    if len(risk) and not (risk.min() > 0 and risk.max() < 1):
        raise ValueError("predicted risks lie strictly between 0 and 1")
    slope, free = _slope(y, risk, level, cluster)
    expected = float(risk.sum())
    ratio = float(y.sum()) / expected if expected > 0 else None
    return Calibration(_in_the_large(y, risk, level, cluster), slope, free, ratio)


def _slope(y: FloatArray, risk: FloatArray, level: float, cluster: Values | None) -> tuple[Answer, float | None]:
    frame = pd.DataFrame({"logit": logit(risk)})
    labels = None if cluster is None else np.asarray(cluster)
    fit = maximum_likelihood(build(frame, [Numeric("logit")]), y, cluster=labels, level=level)
    term, unit = "calibration slope", "slope"
    if isinstance(fit, NotEstimable):
        return replace(fit, term=term, unit=unit), None
    answer = fit.terms[0]
    if isinstance(answer, NotEstimable):
        return replace(answer, term=term, unit=unit), float(fit.coefficients[0])
    value, error = float(fit.coefficients[1]), float(math.sqrt(fit.covariance[1, 1]))
    quantile = (
        float(stats.norm.ppf(0.5 + level / 2))
        if fit.degrees_of_freedom is None
        else float(stats.t.ppf(0.5 + level / 2, fit.degrees_of_freedom[1]))
    )
    low, high = value - quantile * error, value + quantile * error
    return (
        Estimate(
            term, value, low, high, fit.method, fit.n, level=level, unit=unit, patients=fit.patients,
            events=fit.events,
        ),
        float(fit.coefficients[0]),
    )  # fmt: skip


def _in_the_large(y: FloatArray, risk: FloatArray, level: float, cluster: Values | None) -> Answer:
    codes = None if cluster is None else cluster_codes(cluster)
    n, events = len(y), int(y.sum())
    patients = None if codes is None else int(codes.max()) + 1 if n else 0
    term, unit, method = "calibration in the large", "log odds", "logistic recalibration, slope held at 1"

    def cannot(reason: str) -> NotEstimable:
        return NotEstimable(term, reason, n=n, patients=patients, events=events, method=method, unit=unit)

    if n == 0:
        return cannot("no cases")
    if events in (0, n):
        return cannot("no events" if events == 0 else "every record has the event")
    if patients is not None and patients < 2:
        return cannot("one patient only")
    offset, shift = logit(risk), 0.0
    for _ in range(200):
        mu = expit(offset + shift)
        step = float((y - mu).sum() / (mu * (1 - mu)).sum())
        shift += float(np.clip(step, -5, 5))
        if abs(step) < 1e-12:
            break
    mu = expit(offset + shift)
    information = float((mu * (1 - mu)).sum())
    if codes is None or patients is None:
        error, quantile = information**-0.5, float(stats.norm.ppf(0.5 + level / 2))
    else:
        totals = np.bincount(codes, y - mu, patients)
        error = math.sqrt(patients / (patients - 1) * float(totals @ totals)) / information
        quantile = float(stats.t.ppf(0.5 + level / 2, patients - 1))
        method += ", variance from patient totals"
    if not error > 0:
        return cannot("the patients do not differ")
    return Estimate(
        term, shift, shift - quantile * error, shift + quantile * error, method, n, level=level, unit=unit,
        patients=patients, events=events,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Brier:
    """Mean squared distance between predicted risk and outcome.

    Attributes
    ----------
    score : Estimate or NotEstimable
    reference : float
        Score of predicting the mean risk for everybody.
    scaled : float or None
        1 − score / reference; None without events or non-events.
    """

    score: Answer
    reference: float
    scaled: float | None


def brier(event: Values, predicted: ArrayLike, level: float = 0.95, *, cluster: Values | None = None) -> Brier:
    """How far are predicted risks from what happened, on average?

    The mean of ``(y − p)²``, its variance by patient.

    Parameters
    ----------
    event : array of shape (n,)
        0/1 or booleans.
    predicted : array of shape (n,)
        Predicted risks.
    level : float
    cluster : array of shape (n,) or None
        Patient of each record; each record is its own when None.

    Returns
    -------
    Brier

    Raises
    ------
    ValueError
        If lengths differ, or a predicted risk lies outside 0 … 1.

    References
    ----------
    Brier GW (1950) Mon Weather Rev 78:1–3. doi:10.1175/1520-0493(1950)078<0001:VOFEIT>2.0.CO;2

    Examples
    --------
    >>> round(brier([0, 1, 0, 1], [0.1, 0.8, 0.3, 0.6]).score.value, 3)
    0.075
    """
    y, p = _outcome(event), _risks(predicted)
    if len(y) != len(p):
        raise ValueError("event and predicted differ in length")
    labels: Values = np.arange(len(y)) if cluster is None else cluster
    score = clustered_mean((y - p) ** 2, np.asarray(labels), term="Brier score", unit="squared distance", level=level)
    share = float(y.mean()) if len(y) else 0.0
    reference = share * (1 - share)
    mean = float(((y - p) ** 2).mean()) if len(y) else 0.0
    return Brier(score, reference, 1 - mean / reference if reference > 0 else None)


def _outcome(event: Values) -> FloatArray:
    y = whole_numbers("event", event)
    if len(y) and (y.min() < 0 or y.max() > 1):
        raise ValueError("event must be 0 or 1")
    return y


def _scores(score: ArrayLike) -> FloatArray:
    x = np.asarray(score, dtype=np.float64)
    if x.ndim != 1 or not np.all(np.isfinite(x)):
        raise ValueError("scores are a vector of finite numbers")
    return x


def _risks(predicted: ArrayLike) -> FloatArray:
    p = _scores(predicted)
    if len(p) and not (p.min() >= 0 and p.max() <= 1):
        raise ValueError("predicted risks lie between 0 and 1")
    return p
