"""Cox's partial likelihood: risk sets, its maximum, and what each record adds to it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from outcomes.estimates.estimate import FloatArray

_FAR = 12.0  # standard deviations of a column times its coefficient: beyond it a ratio is running off


class RunsOff(ArithmeticError):
    """The likelihood rises without end.

    Attributes
    ----------
    columns : tuple of int
        Columns whose coefficients run off.
    """

    def __init__(self, columns: tuple[int, ...]) -> None:
        super().__init__("no finite maximum")
        self.columns = columns


class Pieces(NamedTuple):
    """The likelihood in pieces, one an event time.

    Attributes
    ----------
    value : ndarray of shape (k,)
    residual : ndarray of shape (k, p)
        Schoenfeld residuals: covariates of the events less those expected.
    information : ndarray of shape (k, p, p)
    deaths : ndarray of shape (k,)
    """

    value: FloatArray
    residual: FloatArray
    information: FloatArray
    deaths: FloatArray


class Maximum(NamedTuple):
    """Where the partial likelihood is highest.

    Attributes
    ----------
    point : ndarray of shape (p,)
    inverse : ndarray of shape (p, p)
        Inverse information there.
    value, null_value : float
        Log partial likelihood there and with all coefficients nought.
    score_chi_square : float
        Score statistic against all coefficients nought.
    """

    point: FloatArray
    inverse: FloatArray
    value: float
    null_value: float
    score_chi_square: float


@dataclass(frozen=True, slots=True, eq=False)
class RiskSets:
    """Records arranged by time.

    Attributes
    ----------
    matrix : ndarray of shape (n, p)
        Covariates in order of falling time.
    order : ndarray of shape (n,)
        Row of each of them.
    first, last : ndarray of shape (k,)
        For each event time, position of the last record at risk (``last``) and of the first with that time.
    event : boolean ndarray of shape (n,)
    group : ndarray of shape (n,)
        Which event time a record's own time is, counted from the latest; only meant where ``event``.
    time : ndarray of shape (n,)
    event_times : ndarray of shape (k,)
        Falling.
    efron : bool
    """

    matrix: FloatArray
    order: NDArray[np.intp]
    last: NDArray[np.intp]
    event: NDArray[np.bool_]
    group: NDArray[np.intp]
    time: FloatArray
    event_times: FloatArray
    efron: bool

    @classmethod
    def of(cls, matrix: FloatArray, time: FloatArray, event: NDArray[np.bool_], efron: bool) -> RiskSets:
        """Arrange records by falling time."""
        order = np.argsort(-time, kind="stable").astype(np.intp)
        falling = time[order]
        event_times = np.unique(time[event])[::-1]
        last = np.searchsorted(-falling, -event_times, side="right") - 1
        group = np.searchsorted(-event_times, -falling, side="left").astype(np.intp)
        return cls(matrix[order], order, last.astype(np.intp), event[order], group, falling, event_times, efron)

    def pieces(self, point: FloatArray) -> Pieces:
        """The likelihood, its residuals and information at each event time."""
        x, k = self.matrix, len(self.event_times)
        eta = x @ point
        shift = float(eta.max())
        weight = np.exp(eta - shift)
        first = weight[:, None] * x
        second = first[:, :, None] * x[:, None, :]
        total = [np.cumsum(part, axis=0)[self.last] for part in (weight, first, second)]
        own, at = self.event, self.group[self.event]
        tied = [np.zeros_like(part) for part in total]
        for part, values in zip(tied, (weight, first, second), strict=True):
            np.add.at(part, at, values[own])
        deaths = np.bincount(at, minlength=k).astype(float)
        covariates = np.zeros((k, x.shape[1]))
        np.add.at(covariates, at, x[own])
        value = np.bincount(at, eta[own] - shift, k).astype(float)
        residual, information = covariates, np.zeros((k, x.shape[1], x.shape[1]))
        for step in range(int(deaths.max())):
            there = deaths > step
            part = step / deaths[there] if self.efron else np.zeros(int(there.sum()))
            s0 = total[0][there] - part * tied[0][there]
            mean = (total[1][there] - part[:, None] * tied[1][there]) / s0[:, None]
            square = (total[2][there] - part[:, None, None] * tied[2][there]) / s0[:, None, None]
            value[there] -= np.log(s0)
            residual[there] -= mean
            information[there] += square - mean[:, :, None] * mean[:, None, :]
        return Pieces(value, residual, information, deaths)

    def score_residuals(self, point: FloatArray) -> FloatArray:
        """What each record adds to the score, in the order the records came in; shape (n, p)."""
        x, k = self.matrix, len(self.event_times)
        weight = np.exp(x @ point - float((x @ point).max()))
        first = weight[:, None] * x
        total0, total1 = np.cumsum(weight)[self.last], np.cumsum(first, axis=0)[self.last]
        own, at = self.event, self.group[self.event]
        tied0 = np.bincount(at, weight[own], k)
        tied1 = np.zeros((k, x.shape[1]))
        np.add.at(tied1, at, first[own])
        deaths = np.bincount(at, minlength=k).astype(float)
        hazard, hazard_mean = np.zeros(k), np.zeros((k, x.shape[1]))
        less, less_mean, mean_sum = np.zeros(k), np.zeros((k, x.shape[1])), np.zeros((k, x.shape[1]))
        for step in range(int(deaths.max())):
            there = deaths > step
            part = step / deaths[there] if self.efron else np.zeros(int(there.sum()))
            s0 = total0[there] - part * tied0[there]
            mean = (total1[there] - part[:, None] * tied1[there]) / s0[:, None]
            hazard[there] += 1 / s0
            hazard_mean[there] += mean / s0[:, None]
            less[there] += part / s0
            less_mean[there] += part[:, None] * mean / s0[:, None]
            mean_sum[there] += mean
        # event times are falling: a record is at risk at its own and at all earlier ones
        from_here = hazard[::-1].cumsum()[::-1]
        from_here_mean = hazard_mean[::-1].cumsum(axis=0)[::-1]
        start = np.searchsorted(-self.event_times, -self.time, side="left")
        padded = np.append(from_here, 0.0)
        padded_mean = np.vstack([from_here_mean, np.zeros(x.shape[1])])
        found = -weight[:, None] * (x * padded[start][:, None] - padded_mean[start])
        found[own] += x[own] - mean_sum[at] / deaths[at][:, None]
        found[own] += weight[own][:, None] * (x[own] * less[at][:, None] - less_mean[at])
        back: FloatArray = np.empty_like(found)
        back[self.order] = found
        return back

    def transformed(self, kind: str) -> FloatArray:
        """Event times as they are, as ranks among all times, or as one less the Kaplan–Meier curve just before them."""
        k = len(self.event_times)
        deaths = np.bincount(self.group[self.event], minlength=k).astype(float)
        if kind == "identity":
            return self.event_times
        if kind == "rank":
            rising = self.time[::-1]
            below, upto = (np.searchsorted(rising, self.event_times, side=side) for side in ("left", "right"))
            return np.asarray((below + 1 + upto) / 2, dtype=float)
        survival = np.cumprod((1 - deaths / (self.last + 1))[::-1])
        return np.asarray(1 - np.concatenate([[1.0], survival[:-1]])[::-1], dtype=float)


def maximise(sets: RiskSets) -> Maximum:
    """Find the maximum of the partial likelihood, of standardised columns, by Newton steps.

    Parameters
    ----------
    sets : RiskSets

    Returns
    -------
    Maximum

    Raises
    ------
    RunsOff
        If a coefficient runs off, or the information is nought in some direction.

    References
    ----------
    Cox DR (1972) J R Stat Soc B 34:187–220. doi:10.1111/j.2517-6161.1972.tb00899.x
    Efron B (1977) J Am Stat Assoc 72:557–565 (ties). doi:10.1080/01621459.1977.10480613
    """
    p = sets.matrix.shape[1]
    point = np.zeros(p)
    pieces = sets.pieces(point)
    null = float(pieces.value.sum())
    score, information = pieces.residual.sum(axis=0), pieces.information.sum(axis=0)
    floor = 1e-9 * max(float(np.trace(information)), 1e-300)
    values, vectors = np.linalg.eigh(information)
    if values[0] <= floor:
        raise RunsOff(_loud(vectors[:, 0]))
    score_chi = float(score @ np.linalg.solve(information, score))
    value = null
    for _ in range(100):
        step = np.linalg.solve(information, score)
        slope = float(score @ step)
        if slope < 1e-20 * max(1.0, abs(value)):
            break
        scale = min(1.0, 4.0 / max(float(np.abs(step).max()), 1e-300))
        for _ in range(40):
            pieces = sets.pieces(point + scale * step)
            if float(pieces.value.sum()) >= value - 1e-12 * abs(value):
                break
            scale /= 2
        else:
            break
        point, value = point + scale * step, float(pieces.value.sum())
        score, information = pieces.residual.sum(axis=0), pieces.information.sum(axis=0)
        values, vectors = np.linalg.eigh(information)
        if values[0] <= floor or np.abs(point).max() > _FAR:
            raise RunsOff(_loud(vectors[:, 0] if values[0] <= floor else point))
    if not math.isfinite(value) or not np.all(np.isfinite(point)):
        raise RunsOff(tuple(range(p)))
    return Maximum(point, np.linalg.inv(information), value, null, score_chi)


def _loud(direction: FloatArray) -> tuple[int, ...]:
    size = np.abs(direction)
    return tuple(int(j) for j in np.flatnonzero(size > 0.3 * float(size.max())))
