"""How many have had it by a given day, when some were followed for less long, or something else came first?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from outcomes.estimates.arrays import cluster_codes, numbers, positions
from outcomes.estimates.estimate import Answer, Estimate, FloatArray, NotEstimable
from outcomes.estimates.proportion import proportion

KAPLAN_MEIER = "Kaplan–Meier, log–log limits"
AALEN_JOHANSEN = "Aalen–Johansen cumulative incidence with competing events, log–log limits"
UNIT = "proportion"
Limits = tuple[tuple[float | None, ...], tuple[float | None, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class Incidence:
    """The event-free share and the cumulative incidence of each cause, day by day.

    Attributes
    ----------
    days : ndarray of shape (j,)
        Distinct days with an event or an end of follow-up.
    at_risk : ndarray of shape (j,)
        Records followed and event-free just before each day.
    events : ndarray of shape (causes, j)
        Events of each cause on each day.
    survival, survival_error : ndarray of shape (j,)
        Event-free share just after each day and its standard error (0 where none is defined).
    causes : tuple of int
    incidence, incidence_error : ndarray of shape (causes, j)
        Share that has had each cause by each day, and its standard error.
    ends, lost : ndarray, sorted
        Last day of every record, and of those whose follow-up ended without an event.
    n : int
    patients : int or None
    level : float
    method : str
    """

    days: FloatArray
    at_risk: NDArray[np.intp]
    events: NDArray[np.intp]
    survival: FloatArray
    survival_error: FloatArray
    causes: tuple[int, ...]
    incidence: FloatArray
    incidence_error: FloatArray
    ends: FloatArray
    lost: FloatArray
    n: int
    patients: int | None
    level: float
    method: str

    def at_risk_at(self, grid: ArrayLike) -> NDArray[np.intp]:
        """How many records are followed and event-free just before each day?"""
        days = np.asarray(grid, dtype=float)
        return np.asarray(self.n - np.searchsorted(self.ends, days, side="left"), dtype=np.intp)

    def survival_at(self, grid: ArrayLike) -> FloatArray:
        """What share is event-free just after each day? It says nothing beyond the last day."""
        return _step(self.days, self.survival, np.asarray(grid, dtype=float), 1.0)

    def survival_band_at(self, grid: ArrayLike) -> Limits:
        """Return pointwise log–log limits of the event-free share; None where none is defined."""
        days = np.asarray(grid, dtype=float)
        errors = _step(self.days, self.survival_error, days, 0.0)
        pairs = [log_log_limits(*at, self.level) for at in zip(self.survival_at(days), errors, strict=True)]
        return tuple(low for low, _ in pairs), tuple(high for _, high in pairs)

    def incidence_at(self, grid: ArrayLike, cause: int = 1) -> FloatArray:
        """What share has had this cause by each day?"""
        return _step(self.days, self.incidence[self.causes.index(cause)], np.asarray(grid, dtype=float), 0.0)

    def risk_by(self, day: float, cause: int = 1, *, term: str = "") -> Answer:
        """What is the risk of this cause by this day?

        Returns
        -------
        Estimate or NotEstimable
            Where no event, or nothing but events, was seen the variance is undefined: then exact binomial
            limits on patients if nobody was lost before that day, else "cannot say". NotEstimable beyond the last
            day that anybody was followed to.
        """
        which = self.causes.index(cause)
        seen = int(self.events[which, self.days <= day].sum())
        refused = NotEstimable(
            term, "no cases", n=self.n, patients=self.patients, events=seen, method=self.method, unit=UNIT
        )
        if self.n == 0:
            return refused
        value = float(self.incidence_at([day], cause)[0])
        error = float(_step(self.days, self.incidence_error[which], np.array([day]), 0.0)[0])
        if day > self.ends[-1] and len(self.lost):
            return replace(refused, reason=f"nobody was followed to day {day:g}")
        if 1e-12 < value < 1 - 1e-12:
            low, high = log_log_limits(1 - value, error, self.level)
            if low is None or high is None:
                return replace(refused, reason="too few patients to say how sure it is")
            return Estimate(
                term=term,
                value=value,
                low=1 - high,
                high=1 - low,
                level=self.level,
                unit=UNIT,
                method=self.method,
                n=self.n,
                patients=self.patients,
                events=seen,
            )
        early = int((self.lost < day).sum())
        if early:
            kind = "no event seen" if value < 0.5 else "nothing but events seen"
            return replace(refused, reason=f"{kind}, and {early} of {self.n} were followed for less long")
        size = self.n if self.patients is None else self.patients
        exact = proportion(size if value > 0.5 else 0, size, term=term, level=self.level)
        return replace(exact, n=self.n, patients=self.patients, events=seen)

    def median(self, *, term: str = "", unit: str = "days") -> Answer:
        """By which day was half no longer event-free?

        Limits where the pointwise limits of the curve cross one half; where the curve lies at one half for a
        while, the middle of that time.

        Returns
        -------
        Estimate or NotEstimable
            NotEstimable where half is not reached; the reason then has the lower limit, if there is one.
        """
        refused = NotEstimable(
            term,
            "no cases" if self.n == 0 else "not reached",
            n=self.n,
            patients=self.patients,
            events=int(self.n - len(self.lost)),
            method=self.method,
            unit=unit,
        )
        if self.n == 0:
            return refused
        low, high = (
            next((float(d) for d, v in zip(self.days, limit, strict=True) if v is not None and v <= 0.5), None)
            for limit in self.survival_band_at(self.days)
        )
        reached = np.flatnonzero(self.survival <= 0.5 + 1e-9)
        if not len(reached):
            if low is not None:
                words = f"not reached; lower {100 * self.level:g} % limit {low:g} {unit}"
                return replace(refused, reason=words)
            return refused
        value = float(self.days[reached[0]])
        if abs(self.survival[reached[0]] - 0.5) <= 1e-9:
            later = np.flatnonzero(self.survival < 0.5 - 1e-9)
            value = (value + float(self.days[later[0] if len(later) else -1])) / 2
        low = None if low is not None and low > value else low
        high = None if high is not None and high < value else high
        if (low is None and high is None) or low == high:
            return replace(refused, reason="too few records to say how sure it is")
        return Estimate(
            term=term,
            value=value,
            low=low,
            high=high,
            level=self.level,
            unit=unit,
            method=self.method,
            n=self.n,
            patients=self.patients,
            events=refused.events,
        )


def log_log_limits(share: float, error: float, level: float) -> tuple[float | None, float | None]:
    """Between which shares does ``S^exp(±z·se/(S ln S))`` lie? (None, None) where it is not defined.

    The interval ``± z·se`` of ln(−ln S), carried back, so that limits stay between 0 and 1.

    Parameters
    ----------
    share : float
        S, between 0 and 1.
    error : float
        Its standard error.
    level : float

    Returns
    -------
    low, high : float or None

    References
    ----------
    Kalbfleisch JD, Prentice RL (2002) The Statistical Analysis of Failure Time Data, 2nd ed., Wiley, section 1.4.

    Examples
    --------
    >>> [round(limit, 3) for limit in log_log_limits(0.6, 0.1, 0.95)]
    [0.38, 0.764]
    """
    if not 0 < share < 1 or not error > 1e-9:  # below lies the rounding of a variance by patient that is zero
        return None, None
    turn = stats.norm.isf((1 - level) / 2) * error / (share * abs(math.log(share)))
    if turn > 30:
        return None, None
    return float(share ** math.exp(turn)), float(share ** math.exp(-turn))


def kaplan_meier(
    days: ArrayLike, event: ArrayLike, *, cluster: ArrayLike | None = None, level: float = 0.95
) -> Incidence:
    """What share is still event-free on each day?

    ``S(t) = Π (1 − d/Y)``; Greenwood's variance, or with ``cluster`` the infinitesimal jackknife summed by patient
    (the same as Greenwood's when every record is a patient of its own). Events come before ends of follow-up on
    the same day.

    Parameters
    ----------
    days : array of shape (n,)
        Day of the event, or last day of follow-up. 0 is allowed, negative is not.
    event : array of shape (n,)
        True or 1 where it happened.
    cluster : array of shape (n,) or None
        Patient of each record.
    level : float

    Returns
    -------
    Incidence

    Raises
    ------
    ValueError
        If a day is missing or negative; positions are named.

    References
    ----------
    Kaplan EL, Meier P (1958) J Am Stat Assoc 53:457-481, doi:10.1080/01621459.1958.10501452.

    Examples
    --------
    >>> kaplan_meier([3, 3, 3, 5, 5, 8], [1, 0, 1, 1, 0, 0]).survival_at([3, 5]).round(4).tolist()
    [0.6667, 0.4444]
    """
    happened = numbers("event", event)
    if np.any((happened != 0) & (happened != 1)):
        raise ValueError(f"event is neither yes nor no at {positions((happened != 0) & (happened != 1))}")
    return _incidence(days, happened.astype(np.intp), (1,), cluster, level, KAPLAN_MEIER)


def aalen_johansen(
    days: ArrayLike,
    cause: ArrayLike,
    *,
    causes: Sequence[int] | None = None,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
) -> Incidence:
    """What share has had each of several events that rule each other out?

    ``F_k(t) = Σ_{u ≤ t} S(u−) d_k(u)/Y(u)``; variance by the infinitesimal jackknife, summed by patient with
    ``cluster``. Tied events of different causes share their day; nothing is drawn at random.

    Parameters
    ----------
    days : array of shape (n,)
    cause : array of int, shape (n,)
        0 where follow-up ended without an event, else 1, 2 …
    causes : sequence of int or None
        The causes to report; those that occur if None.
    cluster : array of shape (n,) or None
        Patient of each record.
    level : float

    Returns
    -------
    Incidence

    Raises
    ------
    ValueError
        If a day is missing or negative, or a cause is not 0, 1, 2 …; positions are named.

    References
    ----------
    Aalen OO, Johansen S (1978) Scand J Stat 5:141-150.

    Examples
    --------
    >>> found = aalen_johansen([3, 3, 4, 5, 5, 8], [1, 0, 2, 1, 2, 0])
    >>> round(found.risk_by(5, 1).value, 3), round(found.risk_by(5, 2).value, 3)
    (0.375, 0.417)
    """
    kinds = numbers("cause", cause)
    if np.any((kinds < 0) | (kinds != np.rint(kinds))):
        raise ValueError(f"cause is not 0, 1, 2 … at {positions((kinds < 0) | (kinds != np.rint(kinds)))}")
    found = sorted({int(k) for k in kinds if k > 0}) if causes is None else list(causes)
    return _incidence(days, kinds.astype(np.intp), tuple(found), cluster, level, AALEN_JOHANSEN)


def _incidence(
    days: ArrayLike,
    kinds: NDArray[np.intp],
    causes: tuple[int, ...],
    cluster: ArrayLike | None,
    level: float,
    method: str,
) -> Incidence:
    time = numbers("days", days)
    n = len(time)
    if len(kinds) != n:
        raise ValueError("days and events differ in length")
    if np.any(time < 0):
        raise ValueError(f"a time before the start (a negative duration) at {positions(time < 0)}")
    unknown = ~np.isin(kinds, [0, *causes])
    if np.any(unknown):
        raise ValueError(f"a cause that was not declared at {positions(unknown)}")
    codes = np.arange(n) if cluster is None else cluster_codes(cluster, n)
    distinct, at = np.unique(time, return_inverse=True)
    at = np.asarray(at).reshape(-1)
    j = len(distinct)
    gone = np.bincount(at, minlength=j)
    at_risk = n - np.concatenate([[0], np.cumsum(gone)[:-1]]) if j else np.zeros(0, dtype=int)
    by_cause = np.array([np.bincount(at[kinds == k], minlength=j) for k in causes]).reshape(len(causes), j)
    events = by_cause.sum(axis=0)
    survival = np.cumprod(1 - events / at_risk) if j else np.zeros(0)
    survival[at_risk == events] = 0.0
    before = np.concatenate([[1.0], survival[:-1]]) if j else np.zeros(0)
    incidence = np.cumsum(before * by_cause / at_risk, axis=1)
    errors = _errors(at, kinds, causes, codes, cluster is not None, at_risk, events, by_cause, survival, before)
    return Incidence(
        days=distinct,
        at_risk=np.asarray(at_risk, dtype=np.intp),
        events=np.asarray(by_cause, dtype=np.intp),
        survival=survival,
        survival_error=errors[0],
        causes=causes,
        incidence=incidence,
        incidence_error=errors[1:],
        ends=np.sort(time),
        lost=np.sort(time[kinds == 0]),
        n=n,
        patients=None if cluster is None else (int(codes.max()) + 1 if n else 0),
        level=level,
        method=method + (", variance by patient" if cluster is not None else ""),
    )


def _errors(
    at: NDArray[np.intp],
    kinds: NDArray[np.intp],
    causes: tuple[int, ...],
    codes: NDArray[np.intp],
    clustered: bool,
    at_risk: NDArray[np.intp],
    events: NDArray[np.intp],
    by_cause: NDArray[np.intp],
    survival: FloatArray,
    before: FloatArray,
) -> FloatArray:
    """Standard errors of S and of each F_k: how far each patient moves them, squared and summed.

    With weights w on the records, ``∂S(t)/∂w_i = S(t) · −Σ_{u ≤ t} (dN_i − Y_i d/Y)/(Y − d)`` and
    ``∂F_k(t)/∂w_i = Σ_{u ≤ t} [∂S(u−)/∂w_i · d_k/Y + S(u−)(dN_ik − Y_i d_k/Y)/Y]``.
    """
    groups, j = (int(codes.max()) + 1 if len(codes) else 0), len(at_risk)
    if not j:
        return np.zeros((1 + len(causes), 0))
    ended = np.zeros((groups, j))
    np.add.at(ended, (codes, at), 1.0)
    size = ended.sum(axis=1, keepdims=True)
    followed = size - np.concatenate([np.zeros((groups, 1)), np.cumsum(ended, axis=1)[:, :-1]], axis=1)
    had = np.zeros((groups, j))
    np.add.at(had, (codes[kinds > 0], at[kinds > 0]), 1.0)
    left = (at_risk - events).astype(float)
    rate = (had - followed * (events / at_risk)) / np.where(left > 0, left, np.inf)
    moved = -np.cumsum(rate, axis=1) * survival
    moved_before = np.concatenate([np.zeros((groups, 1)), moved[:, :-1]], axis=1)
    pieces = [moved]
    for k, cause in enumerate(causes):
        own = np.zeros((groups, j))
        np.add.at(own, (codes[kinds == cause], at[kinds == cause]), 1.0)
        share = by_cause[k] / at_risk
        pieces.append(np.cumsum(moved_before * share + before * (own - followed * share) / at_risk, axis=1))
    if clustered and groups < 2:
        return np.zeros((len(pieces), j))
    small = groups / (groups - 1) if clustered else 1.0
    return np.sqrt(small * np.array([(piece**2).sum(axis=0) for piece in pieces]))


def _step(days: FloatArray, values: FloatArray, grid: FloatArray, start: float) -> FloatArray:
    return np.concatenate([[start], values])[np.searchsorted(days, grid, side="right")]
