"""How long, on average, up to a fixed day? The restricted mean time without the event, and its difference."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from outcomes.estimates.arrays import cluster_codes, numbers, positions
from outcomes.estimates.estimate import Answer, Estimate, FloatArray, NotEstimable

METHOD = "restricted mean time, area under the Kaplan–Meier curve"
_SMALLEST = float(np.finfo(float).tiny)


@dataclass(frozen=True, slots=True)
class RestrictedMean:
    """A restricted mean with its standard error.

    Attributes
    ----------
    answer : Estimate or NotEstimable
        The mean in the unit of the days.
    standard_error : float or None
        None where the answer is "cannot say".
    """

    answer: Answer
    standard_error: float | None


@dataclass(frozen=True, slots=True)
class RestrictedMeans:
    """The restricted means of two groups and how they differ.

    Attributes
    ----------
    first, second : RestrictedMean
    difference : Answer
        First minus second, limits and p on its own scale.
    ratio : Answer
        First over second, limits and p on the log scale.
    """

    first: RestrictedMean
    second: RestrictedMean
    difference: Answer
    ratio: Answer


@dataclass(frozen=True, slots=True, eq=False)
class _Area:
    value: float
    influence: FloatArray
    n: int
    events: int
    reason: str


def restricted_mean(
    days: ArrayLike,
    event: ArrayLike,
    horizon: float,
    *,
    cluster: ArrayLike | None = None,
    term: str = "",
    unit: str = "days",
    level: float = 0.95,
) -> RestrictedMean:
    """How long without the event, on average, of the days up to the horizon?

    The area under the Kaplan–Meier curve S from 0 to the horizon h. With ``a(t)`` the area under it from t to h,
    record i moves it by ``−Σ_{t ≤ h} a(t) (dN_i − Y_i d/Y)/(Y − d)``; the squares of these, summed over records or
    over patients, are its variance. For independent records that is Greenwood's
    ``Σ a(t)² d/(Y (Y − d))``. Assumes, as the curve does, that leaving follow-up tells nothing of the event.

    Parameters
    ----------
    days : array of shape (n,)
        Day of the event, or last day of follow-up; 0 is allowed, negative is not.
    event : array of shape (n,)
        True or 1 where it happened.
    horizon : float
        Above 0, fixed before the data are seen, in the unit of the days.
    cluster : array of shape (n,) or None
        Patient of each record; limits then use t on patients − 1 degrees of freedom.
    term, unit : str
    level : float

    Returns
    -------
    RestrictedMean
        "Cannot say" without records, where nobody was followed to the horizon, or where no event was seen before it
        (the mean is then the horizon itself, and nothing tells how sure that is).

    Raises
    ------
    ValueError
        If a day is missing or negative, an event is neither yes nor no, or the horizon is not above 0.

    References
    ----------
    Irwin JO (1949) J Hyg 47:188–189. doi:10.1017/S0022172400014443
    Royston P, Parmar MKB (2013) BMC Med Res Methodol 13:152. doi:10.1186/1471-2288-13-152

    Examples
    --------
    >>> found = restricted_mean([2, 4, 4, 6, 8], [1, 1, 0, 1, 0], 7)
    >>> round(found.answer.value, 3), round(found.standard_error, 3)
    (5.1, 0.844)
    """
    time, happened = _checked(days, event, horizon)
    codes = None if cluster is None else cluster_codes(cluster, len(time))
    return _mean(_area(time, happened, horizon), codes, horizon, term, unit, level)


def compare_restricted_means(
    days: ArrayLike,
    event: ArrayLike,
    first: ArrayLike,
    horizon: float,
    *,
    cluster: ArrayLike | None = None,
    labels: tuple[str, str] = ("first", "second"),
    unit: str = "days",
    level: float = 0.95,
) -> RestrictedMeans:
    """How many more days without the event has one group than the other, up to the horizon?

    The records' influences on both means are summed within patient, so that a patient with records on both sides is
    allowed for.

    Parameters
    ----------
    days, event, horizon, cluster
        As in `restricted_mean`.
    first : boolean array of shape (n,)
        True where a record belongs to the first group.
    labels : tuple of two str
        What the groups are called.
    unit : str
    level : float

    Returns
    -------
    RestrictedMeans

    Raises
    ------
    ValueError
        As `restricted_mean`, and if a group is missing.

    References
    ----------
    Royston P, Parmar MKB (2013) BMC Med Res Methodol 13:152. doi:10.1186/1471-2288-13-152

    Examples
    --------
    >>> first = [True] * 4 + [False] * 4
    >>> means = compare_restricted_means([2, 4, 6, 8, 3, 3, 5, 8], [1, 1, 1, 0, 1, 1, 1, 0], first, 7)
    >>> round(means.difference.value, 3), round(means.ratio.value, 3)
    (0.25, 1.056)
    """
    time, happened = _checked(days, event, horizon)
    side = np.asarray(first)
    if side.shape != time.shape or side.dtype != bool:
        raise ValueError("first is a yes or no for each record, none missing")
    codes = None if cluster is None else cluster_codes(cluster, len(time))
    areas = [_area(time[at], happened[at], horizon) for at in (side, ~side)]
    means = [
        _mean(area, None if codes is None else _renumbered(codes[at]), horizon, label, unit, level)
        for area, at, label in zip(areas, (side, ~side), labels, strict=True)
    ]
    difference, ratio = _contrasts(areas, means, side, codes, labels, unit, level)
    return RestrictedMeans(means[0], means[1], difference, ratio)


def _contrasts(
    areas: list[_Area],
    means: list[RestrictedMean],
    side: NDArray[np.bool_],
    codes: NDArray[np.intp] | None,
    labels: tuple[str, str],
    unit: str,
    level: float,
) -> tuple[Answer, Answer]:
    n, events = areas[0].n + areas[1].n, areas[0].events + areas[1].events
    names = (f"{labels[0]} minus {labels[1]}", f"{labels[0]} over {labels[1]}")
    method = f"{METHOD}, {_variance_words(codes)}"
    patients = None if codes is None else int(codes.max()) + 1 if n else 0
    for label, mean in zip(labels, means, strict=True):
        if isinstance(mean.answer, NotEstimable):
            reason = f"{label}: {mean.answer.reason}"
            return (
                NotEstimable(names[0], reason, n, patients, events, method, unit),
                NotEstimable(names[1], reason, n, patients, events, method, "ratio of means"),
            )
    a, b = areas[0].value, areas[1].value
    plain, logarithmic = np.empty(n), np.empty(n)
    plain[side], plain[~side] = areas[0].influence, -areas[1].influence
    logarithmic[side], logarithmic[~side] = areas[0].influence / a, -areas[1].influence / b
    answers: list[Answer] = []
    for name, value, move, scale, kind in (
        (names[0], a - b, plain, float, unit),
        (names[1], math.log(a / b), logarithmic, math.exp, "ratio of means"),
    ):
        error, quantile, tail = _error(move, codes, level, value)
        if not error > 1e-12 * max(1.0, abs(value)):
            answers.append(NotEstimable(name, "the patients do not differ", n, patients, events, method, kind))
            continue
        low, high = value - quantile * error, value + quantile * error
        answers.append(
            Estimate(
                name, scale(value), scale(low), scale(high), method, n, level=level, unit=kind, patients=patients,
                events=events, p_value=tail,
            )
        )  # fmt: skip
    return answers[0], answers[1]


def _mean(
    area: _Area, codes: NDArray[np.intp] | None, horizon: float, term: str, unit: str, level: float
) -> RestrictedMean:
    method = f"{METHOD} up to {horizon:g} {unit}, {_variance_words(codes)}"
    patients = None if codes is None else int(codes.max()) + 1 if area.n else 0
    reason = area.reason
    if not reason and patients is not None and patients < 2:
        reason = "one patient only"
    error, quantile, _ = (0.0, 0.0, None) if reason else _error(area.influence, codes, level, 0.0)
    if not reason and not error > 1e-12 * horizon:
        reason = "the records do not differ"
    if reason:
        return RestrictedMean(NotEstimable(term, reason, area.n, patients, area.events, method, unit), None)
    answer = Estimate(
        term, area.value, max(0.0, area.value - quantile * error), min(horizon, area.value + quantile * error),
        method, area.n, level=level, unit=unit, patients=patients, events=area.events,
    )  # fmt: skip
    return RestrictedMean(answer, error)


def _area(time: FloatArray, happened: NDArray[np.bool_], horizon: float) -> _Area:
    """Area under the curve and how far each record moves it; the reason where it cannot be had."""
    n = len(time)
    seen = int((happened & (time <= horizon)).sum())
    empty = np.zeros(n)
    if n == 0:
        return _Area(math.nan, empty, 0, 0, "no cases")
    days, at = np.unique(time, return_inverse=True)
    at = np.asarray(at).reshape(-1)
    deaths = np.bincount(at[happened], minlength=len(days)).astype(float)
    gone = np.bincount(at, minlength=len(days))
    at_risk = (n - np.concatenate([[0], np.cumsum(gone)[:-1]])).astype(float)
    left = at_risk - deaths
    survival = np.cumprod(left / at_risk)
    if days[-1] < horizon and survival[-1] > 1e-12:
        return _Area(math.nan, empty, n, seen, f"nobody was followed to day {horizon:g}")
    if seen == 0:
        return _Area(math.nan, empty, n, 0, f"no event seen by day {horizon:g}")
    ends = np.minimum(np.append(days, horizon), horizon)
    ends[-1] = horizon
    steps = np.diff(np.concatenate([[0.0], ends]))
    heights = np.concatenate([[1.0], survival])
    pieces = steps * heights
    after = pieces[::-1].cumsum()[::-1][1:]
    per = np.where(left > 0, left, np.inf)
    counted = days <= horizon
    jump = np.where(counted, after / per, 0.0)
    drift = np.cumsum(jump * deaths / at_risk)
    influence = drift[at] - np.where(happened, jump[at], 0.0)
    return _Area(float(pieces.sum()), influence, n, seen, "")


def _error(
    influence: FloatArray, codes: NDArray[np.intp] | None, level: float, value: float
) -> tuple[float, float, float | None]:
    if codes is None:
        error = math.sqrt(float(influence @ influence))
        quantile, degrees = float(stats.norm.isf((1 - level) / 2)), math.inf
    else:
        groups = int(codes.max()) + 1
        if groups < 2:
            return 0.0, 0.0, None
        totals = np.bincount(codes, influence, groups)
        error = math.sqrt(groups / (groups - 1) * float(totals @ totals))
        degrees = float(groups - 1)
        quantile = float(stats.t.isf((1 - level) / 2, degrees))
    if not error > 0:
        return 0.0, quantile, None
    p = 2 * float(stats.t.sf(abs(value) / error, degrees))
    return error, quantile, min(1.0, max(p, _SMALLEST))


def _renumbered(codes: NDArray[np.intp]) -> NDArray[np.intp]:
    return np.asarray(np.unique(codes, return_inverse=True)[1], dtype=np.intp).reshape(-1)


def _variance_words(codes: NDArray[np.intp] | None) -> str:
    return "records taken as independent" if codes is None else "variance by patient, t reference"


def _checked(days: ArrayLike, event: ArrayLike, horizon: float) -> tuple[FloatArray, NDArray[np.bool_]]:
    time, happened = numbers("days", days), numbers("event", event)
    if len(time) != len(happened):
        raise ValueError("days and events differ in length")
    if np.any(time < 0):
        raise ValueError(f"a time before the start (a negative duration) at {positions(time < 0)}")
    if np.any((happened != 0) & (happened != 1)):
        raise ValueError(f"event is neither yes nor no at {positions((happened != 0) & (happened != 1))}")
    if not (math.isfinite(horizon) and horizon > 0):
        raise ValueError("the horizon is a day above 0")
    return time, happened == 1
