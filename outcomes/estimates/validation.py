"""How well would the case-mix model do on patients it has not seen? Optimism and cross-validation by patient."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.special import expit
from sklearn.model_selection import GroupKFold

from outcomes.estimates.binary import Binary, Codes, Values, cluster_codes, patterns, whole_numbers
from outcomes.estimates.design import Design
from outcomes.estimates.discrimination import placements
from outcomes.estimates.estimate import FloatArray, NotEstimable
from outcomes.estimates.likelihood import NotConverged, Surface
from outcomes.estimates.ratios import floored
from outcomes.estimates.separation import collinear_columns, find_separation


@dataclass(frozen=True, slots=True, eq=False)
class Optimism:
    """What a model promises on its own records, and what is left of it.

    Attributes
    ----------
    apparent_c, corrected_c : float
        c-statistic on the records the model was fitted to, and less its optimism.
    apparent_brier, corrected_brier : float
    corrected_slope : float
        Mean slope of the resampled models on the original records; under 1 means overfitted.
    resamples, failed : int
        Resamples used, and those left out because no model could be fitted to them.
    resampled_c, original_c, original_slope : ndarray of shape (resamples,)
        By resample: c-statistic within it, c-statistic and slope on the original records.
    """

    apparent_c: float
    corrected_c: float
    apparent_brier: float
    corrected_brier: float
    corrected_slope: float
    resamples: int
    failed: int
    resampled_c: FloatArray
    original_c: FloatArray
    original_slope: FloatArray


def coefficients_of(matrix: FloatArray, events: FloatArray, penalty: float = 0.0) -> FloatArray | None:
    """Logistic coefficients of single records, or None where there is no finite estimate.

    Parameters
    ----------
    matrix : ndarray of shape (n, p)
        Intercept first.
    events : ndarray of shape (n,)
    penalty : float
        0 for maximum likelihood, ½ for Firth's method.
    """
    pattern, first = patterns(matrix)
    size = len(first)
    data = Binary(
        matrix[first],
        np.bincount(pattern, events, size).astype(np.float64),
        np.bincount(pattern, minlength=size).astype(np.float64),
        len(events),
        int(events.sum()),
        None,
        pattern,
    )
    if data.event_count in (0, data.n) or collinear_columns(data.matrix, data.trials):
        return None
    if penalty == 0 and find_separation(data).separated:
        return None
    surface = Surface.of(data, penalty)
    try:
        return surface.raw(surface.maximum().point)
    except (NotConverged, np.linalg.LinAlgError):
        return None


def optimism(
    design: Design,
    events: Values,
    *,
    cluster: Values | None = None,
    resamples: int = 500,
    seed: int = 1,
    penalty: float = 0.0,
    draws: Iterable[NDArray[np.intp]] | None = None,
) -> Optimism | None:
    """How much better does the model look on its own records than it is?

    The model is fitted again to patients drawn with replacement; its performance within the resample less that on
    the original records, averaged, is taken off the apparent performance.

    Parameters
    ----------
    design : Design
        Of n single records.
    events : array of shape (n,)
        0/1 or booleans.
    cluster : array of shape (n,) or None
        Patient of each record; patients are drawn, with all their records. Records are drawn when None.
    resamples, seed : int
    penalty : float
        0 for maximum likelihood, ½ for Firth's method.
    draws : iterable of integer arrays or None
        Row positions of each resample, in place of drawing.

    Returns
    -------
    Optimism or None
        None where no model can be fitted to the records themselves, or to any resample.

    References
    ----------
    Harrell FE, Lee KL, Mark DB (1996) Stat Med 15:361–387.
    doi:10.1002/(SICI)1097-0258(19960229)15:4<361::AID-SIM168>3.0.CO;2-4
    """
    y = whole_numbers("events", events)
    matrix = design.matrix
    if len(y) != len(matrix):
        raise ValueError("events and design differ in length")
    whole = coefficients_of(matrix, y, penalty)
    if whole is None:
        return None
    apparent_c, apparent_brier = _performance(matrix @ whole, y)
    rows: list[tuple[float, float, float, float, float]] = []
    failed = 0
    for draw in _draws(len(y), cluster, design, resamples, seed) if draws is None else draws:
        found = coefficients_of(matrix[draw], y[draw], penalty)
        linear = None if found is None else matrix @ found
        slope = None if linear is None else coefficients_of(np.column_stack([np.ones(len(y)), linear]), y)
        if linear is None or slope is None:
            failed += 1
            continue
        inside_c, inside_brier = _performance(linear[draw], y[draw])
        outside_c, outside_brier = _performance(linear, y)
        rows.append((inside_c, outside_c, inside_brier, outside_brier, float(slope[1])))
    if not rows:
        return None
    table = np.asarray(rows)
    c_gap = float((table[:, 0] - table[:, 1]).mean())
    brier_gap = float((table[:, 2] - table[:, 3]).mean())
    return Optimism(
        apparent_c=apparent_c,
        corrected_c=apparent_c - c_gap,
        apparent_brier=apparent_brier,
        corrected_brier=apparent_brier - brier_gap,
        corrected_slope=float(table[:, 4].mean()),
        resamples=len(rows),
        failed=failed,
        resampled_c=table[:, 0],
        original_c=table[:, 1],
        original_slope=table[:, 4],
    )


def cross_validated(
    design: Design,
    events: Values,
    *,
    cluster: Values | None = None,
    folds: int = 10,
    penalty: float = 0.0,
) -> FloatArray | None:
    """What risk is predicted for each record by a model that has not seen its patient?

    Parameters
    ----------
    design : Design
        Of n single records.
    events : array of shape (n,)
    cluster : array of shape (n,) or None
        Patient of each record, never split between folds; each record is its own when None.
    folds : int
        Folds, at least 2 and at most one a patient, which leaves out one at a time.
    penalty : float

    Returns
    -------
    ndarray of shape (n,) or None
        None where a fold cannot be fitted, or there is one patient only.
    """
    y = whole_numbers("events", events)
    if len(y) != len(design.matrix):
        raise ValueError("events and design differ in length")
    codes: Codes = np.arange(len(y)) if cluster is None else cluster_codes(cluster, design.index)
    patients = len(np.unique(codes))
    if patients < 2:
        return None
    found = np.empty(len(y))
    for seen, unseen in GroupKFold(n_splits=min(folds, patients)).split(design.matrix, y, codes):
        coefficients = coefficients_of(design.matrix[seen], y[seen], penalty)
        if coefficients is None:
            return None
        found[unseen] = expit(design.matrix[unseen] @ coefficients)
    return found


@dataclass(frozen=True, slots=True)
class Explained:
    """How much of the outcome a model explains on its own records.

    Attributes
    ----------
    likelihood_ratio : float
        χ² of the model against the intercept alone.
    shrinkage : float or None
        Heuristic shrinkage, (χ² − df) / χ²; None where the model explains nothing.
    nagelkerke, cox_snell, tjur : float
        Measures of explained variation.
    """

    likelihood_ratio: float
    shrinkage: float | None
    nagelkerke: float
    cox_snell: float
    tjur: float


def explained(events: Values, predicted: FloatArray, parameters: int) -> Explained | NotEstimable:
    """How much of the outcome does the model explain on the records it was fitted to?

    Parameters
    ----------
    events : array of shape (n,)
    predicted : ndarray of shape (n,)
        Fitted probabilities.
    parameters : int
        Parameters beside the intercept.

    Returns
    -------
    Explained or NotEstimable
        NotEstimable without events or non-events, or where a fitted probability is 0 or 1.

    References
    ----------
    van Houwelingen JC, le Cessie S (1990) Stat Med 9:1303–1325. doi:10.1002/sim.4780091109
    Tjur T (2009) Am Stat 63:366–372. doi:10.1198/tast.2009.08210
    """
    y = whole_numbers("events", events)
    n, events_seen = len(y), int(y.sum())
    reason = (
        "no cases"
        if n == 0
        else "no events"
        if events_seen == 0
        else "every record has the event"
        if events_seen == n
        else "a fitted probability is 0 or 1"
        if not (predicted.min() > 0 and predicted.max() < 1)
        else ""
    )
    if reason:
        return NotEstimable("explained variation", reason, n=n, events=events_seen)
    share = events_seen / n
    null = n * (share * np.log(share) + (1 - share) * np.log1p(-share))
    model = float((y * np.log(predicted) + (1 - y) * np.log1p(-predicted)).sum())
    chi = 2 * (model - null)
    cox_snell = float(-np.expm1(-chi / n))
    return Explained(
        likelihood_ratio=float(chi),
        shrinkage=float((chi - parameters) / chi) if chi > 0 else None,
        nagelkerke=cox_snell / float(-np.expm1(2 * null / n)),
        cox_snell=cox_snell,
        tjur=float(predicted[y == 1].mean() - predicted[y == 0].mean()),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """Observed beside expected events in groups of rising predicted risk (Hosmer and Lemeshow).

    Attributes
    ----------
    n, observed, expected : ndarray of shape (groups,)
    chi_square : float
    degrees_of_freedom : int
    p_value : float
    """

    n: FloatArray
    observed: FloatArray
    expected: FloatArray
    chi_square: float
    degrees_of_freedom: int
    p_value: float


def risk_groups(
    events: Values, predicted: FloatArray, *, groups: int = 10, fitted: bool = True
) -> Groups | NotEstimable:
    """Do observed and expected events agree from low to high predicted risk?

    Groups are cut at quantiles (type 7) of the predicted risk, ties kept together. The degrees of freedom are groups
    − 2 on the records the model was fitted to, groups on others.

    Returns
    -------
    Groups or NotEstimable
        NotEstimable where ties leave fewer than three groups, or a group's risks are all 0 or all 1.

    References
    ----------
    Hosmer DW, Lemeshow S (1980) Commun Stat Theory Methods 9:1043–1069. doi:10.1080/03610928008827941
    """
    y = whole_numbers("events", events)
    term, seen = "groups of predicted risk", int(y.sum())
    if len(y) == 0:
        return NotEstimable(term, "no cases", n=0, events=0)
    cuts = np.unique(np.quantile(predicted, np.linspace(0, 1, groups + 1)))
    member = np.clip(np.searchsorted(cuts, predicted, side="left") - 1, 0, None)
    member = np.unique(member, return_inverse=True)[1]  # a quantile between two values can leave a group without any
    n = np.bincount(member).astype(np.float64)
    if len(n) < 3:
        return NotEstimable(term, "predicted risks take too few values for groups", n=len(y), events=seen)
    observed = np.bincount(member, y).astype(np.float64)
    expected = np.bincount(member, predicted).astype(np.float64)
    spread = expected * (1 - expected / n)
    if not float(spread.min()) > 0:
        return NotEstimable(term, "the risks of a group are all 0 or all 1", n=len(y), events=seen)
    chi = float(((observed - expected) ** 2 / spread).sum())
    degrees = len(n) - 2 if fitted else len(n)
    return Groups(n, observed, expected, chi, degrees, floored(float(stats.chi2.sf(chi, degrees))))


def _performance(linear: FloatArray, y: FloatArray) -> tuple[float, float]:
    return float(placements(y, linear)[0].mean()), float(((y - expit(linear)) ** 2).mean())


def _draws(rows: int, cluster: Values | None, design: Design, resamples: int, seed: int) -> Iterable[NDArray[np.intp]]:
    codes: Codes = np.arange(rows) if cluster is None else cluster_codes(cluster, design.index)
    order = np.argsort(codes, kind="stable")
    members = np.split(order, np.cumsum(np.bincount(codes))[:-1])
    generator = np.random.default_rng(seed)
    for _ in range(resamples):
        chosen = generator.integers(0, len(members), len(members))
        yield np.concatenate([members[j] for j in chosen]).astype(np.intp)
