"""How well would the case-mix model do on patients it has not seen? Optimism and cross-validation by patient."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit
from sklearn.model_selection import GroupKFold

from outcomes.estimates.binary import Binary, Codes, Values, cluster_codes, patterns, whole_numbers
from outcomes.estimates.design import Design
from outcomes.estimates.discrimination import placements
from outcomes.estimates.estimate import FloatArray
from outcomes.estimates.likelihood import NotConverged, Surface
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

    Raises
    ------
    ValueError
        If events are missing or not 0/1, or lengths differ.

    References
    ----------
    Harrell FE, Lee KL, Mark DB (1996) Stat Med 15:361–387.
    doi:10.1002/(SICI)1097-0258(19960229)15:4<361::AID-SIM168>3.0.CO;2-4

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import Numeric, build
    >>> rows = pd.DataFrame({"depth": [1, 2, 3, 4] * 20, "event": [0, 0, 0, 1, 0, 0, 1, 1, 0, 0] * 8})
    >>> found = optimism(build(rows, [Numeric("depth")]), rows["event"], resamples=20, penalty=0.5)
    >>> found.corrected_c < found.apparent_c
    True
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

    Patients are divided into folds; each fold is predicted by the model fitted to all others.

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

    Raises
    ------
    ValueError
        If there are fewer than two folds, events are missing or not 0/1, or lengths differ.

    References
    ----------
    Hastie T, Tibshirani R, Friedman J (2009) The Elements of Statistical Learning, 2nd ed., Springer, section 7.10.
    doi:10.1007/978-0-387-84858-7

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import build
    >>> rows = pd.DataFrame({"event": [1, 0, 0, 0, 1, 0, 0, 0]})
    >>> cross_validated(build(rows, []), rows["event"], folds=8).round(3).tolist()
    [0.143, 0.286, 0.286, 0.286, 0.143, 0.286, 0.286, 0.286]
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
