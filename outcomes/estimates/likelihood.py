"""The (penalised) logistic likelihood of grouped records: its value, its maximum, its profile.

Shared by maximum likelihood (penalty 0) and Firth's method (penalty ½). Columns are centred and scaled inside,
so that units and origin of a covariate do not matter; what leaves is on the scale of the columns as given.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize
from scipy.special import expit

from outcomes.estimates.binary import Binary, Codes
from outcomes.estimates.estimate import FloatArray
from outcomes.estimates.separation import standardised

_STEP_LIMIT = 5.0
_HALVINGS = 3  # a step halved more often than this is not a good step
_PROFILE_PRECISION = 1e-8  # the profile's value errs by the square of it
_WEAKEST = 1e-9
_FARTHEST = 30.0  # log odds ratio for one standard deviation of a column
_FEW_EVENTS = 10  # for each coefficient: with fewer there may be several maxima
_FAR = 60  # outward steps in search of a limit


class NotConverged(ArithmeticError):
    """The maximum was not found; the caller turns it into a "cannot say"."""


class _OutOfReach(ArithmeticError):
    """A value so far from the maximum that the records hardly tell it from the next."""


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """The likelihood at one point, on the centred and scaled columns.

    Attributes
    ----------
    point : ndarray of shape (p,)
    value : float
        (Penalised) log-likelihood, without binomial constants.
    score : ndarray of shape (p,)
    information : ndarray of shape (p, p)
        Fisher information X′WX.
    inverse : ndarray of shape (p, p)
    probability, leverage : arrays of shape (m,)
        Of each pattern; the leverage counts all its records, and is left at nought where nothing is penalised.
    """

    point: FloatArray
    value: float
    score: FloatArray
    information: FloatArray
    inverse: FloatArray
    probability: FloatArray
    leverage: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """A (penalised) logistic likelihood over centred and scaled columns.

    ``ℓ(β) = Σ [k η − n ln(1 + e^η)] + penalty · ln |X′WX|`` with η = Xβ, W = n μ (1 − μ).

    Attributes
    ----------
    matrix : ndarray of shape (m, p)
        Centred and scaled, intercept first.
    shift, scale : arrays of shape (p,)
    events, trials : arrays of shape (m,)
    penalty : float
        0 for maximum likelihood, ½ for Firth's.
    """

    matrix: FloatArray
    shift: FloatArray
    scale: FloatArray
    events: FloatArray
    trials: FloatArray
    penalty: float

    @classmethod
    def of(cls, data: Binary, penalty: float) -> Surface:
        """The surface of checked records."""
        matrix, shift, scale = standardised(data.matrix, data.trials)
        return cls(matrix, shift, scale, data.events, data.trials, penalty)

    def at(self, point: FloatArray) -> State:
        """The likelihood at one point.

        Raises
        ------
        numpy.linalg.LinAlgError
            If the information is singular there.
        """
        eta = self.matrix @ point
        mu = expit(eta)
        weight = self.trials * mu * (1 - mu)
        information = (self.matrix * weight[:, None]).T @ self.matrix
        lower = np.linalg.cholesky(information)
        inverse = np.linalg.inv(information)
        value = float(self.events @ eta - self.trials @ np.logaddexp(0.0, eta))
        residual, leverage = self.events - self.trials * mu, np.zeros(len(mu))
        if self.penalty:
            leverage = weight * np.einsum("ij,ij->i", self.matrix @ inverse, self.matrix)
            value += 2 * self.penalty * float(np.log(np.diag(lower)).sum())
            residual += 2 * self.penalty * leverage * (0.5 - mu)
        return State(point, value, self.matrix.T @ residual, information, inverse, mu, leverage)

    def maximum(self, start: State | None = None, fixed: int | None = None, precision: float = 1e-10) -> State:
        """The maximum, or the maximum with one coefficient held at its value in `start`.

        Newton steps with the information of the records augmented by their leverages, halved until the value
        rises, until no scaled coefficient moves by more than `precision`.

        Raises
        ------
        NotConverged
            If no maximum is found.
        """
        state = self._origin() if start is None else start
        free = np.array([j for j in range(self.matrix.shape[1]) if j != fixed])
        if len(free) == 0:
            return state
        slack = precision * max(1.0, float(np.sqrt(self.trials.sum())))
        for _ in range(200):
            step, size = self._step(state, free)
            state, halvings = self._climb(state, step)
            if size < precision or (size < 100 * precision and float(np.abs(state.score[free]).max()) < slack):
                return state
            if halvings > _HALVINGS:
                break
        return self._by_gradient(state, free)

    def _origin(self) -> State:
        point = np.zeros(self.matrix.shape[1])
        k, n = float(self.events.sum()), float(self.trials.sum())
        point[0] = np.log((k + 0.5) / (n - k + 0.5))
        return self.at(point)

    def _step(self, state: State, free: Codes) -> tuple[FloatArray, float]:
        found = np.linalg.solve(self._augmented(state, free), state.score[free])
        size = float(np.abs(found).max())
        step = np.zeros(self.matrix.shape[1])
        step[free] = found * min(1.0, _STEP_LIMIT / size) if size > 0 else found
        return step, size

    def _augmented(self, state: State, free: Codes) -> FloatArray:
        """Information of the records augmented by their leverages, free columns only."""
        if not self.penalty:
            return state.information[np.ix_(free, free)]
        mu = state.probability
        weight = (self.trials + 2 * self.penalty * state.leverage) * mu * (1 - mu)
        columns = self.matrix[:, free]
        return (columns * weight[:, None]).T @ columns

    def _climb(self, state: State, step: FloatArray) -> tuple[State, int]:
        for halvings in range(40):
            try:
                tried = self.at(state.point + step)
            except np.linalg.LinAlgError:
                step = step / 2
                continue
            if tried.value >= state.value - 1e-12 * abs(state.value):
                return tried, halvings
            step = step / 2
        return state, 40

    def _by_gradient(self, state: State, free: Codes) -> State:
        """The maximum by quasi-Newton steps, where the penalty bends too much for those of the information."""

        def negative(values: FloatArray) -> tuple[float, FloatArray]:
            point = state.point.copy()
            point[free] = values
            try:
                here = self.at(point)
            except np.linalg.LinAlgError:
                return 1e10, np.zeros(len(free))
            return -here.value, -here.score[free]

        found = minimize(
            negative,
            state.point[free],
            jac=True,
            method="BFGS",
            options={"gtol": 1e-8, "maxiter": 500, "hess_inv0": _positive_inverse(self._augmented(state, free))},
        )
        point = state.point.copy()
        point[free] = found.x
        try:
            final = self.at(point)
        except np.linalg.LinAlgError as failure:
            raise NotConverged("no maximum was found") from failure
        if float(np.abs(final.score[free]).max()) > 1e-5 * max(1.0, float(np.sqrt(self.trials.sum()))):
            raise NotConverged("no maximum was found")
        return final

    def held(self, column: int, value: float, near: State) -> State:
        """The maximum with one (scaled) coefficient held at `value`.

        Searched from a solved state nearby. With few events the penalised likelihood may have several maxima: then
        it is searched from all risks at one half too, and the highest of what was found is returned, whichever
        state was near.

        Raises
        ------
        NotConverged
            If no maximum is found.
        """
        tangent = near.point + near.inverse[:, column] / near.inverse[column, column] * (value - near.point[column])
        nought = np.zeros_like(near.point)
        several = self._several_maxima_may_be()
        found: list[State] = []
        for start in (tangent, nought, near.point.copy()) if several else (tangent, near.point.copy(), nought):
            start[column] = value
            try:
                found.append(self.maximum(self.at(start), fixed=column, precision=_PROFILE_PRECISION))
            except (np.linalg.LinAlgError, NotConverged):
                continue
            if len(found) == (2 if several else 1):
                break
        if not found:
            raise NotConverged("no maximum was found with one coefficient held")
        return max(found, key=lambda state: state.value)

    def _several_maxima_may_be(self) -> bool:
        events, trials = float(self.events.sum()), float(self.trials.sum())
        return self.penalty > 0 and min(events, trials - events) < _FEW_EVENTS * self.matrix.shape[1]

    def limit(
        self,
        column: int,
        side: int,
        best: State,
        quantile: float,
        divisor: Callable[[State], float] | None = None,
    ) -> float | None:
        """Where the deviance, over its divisor, reaches the quantile on one side.

        Parameters
        ----------
        column : int
        side : {-1, 1}
        best : State
            The maximum.
        quantile : float
            Of χ² on one degree of freedom, or what stands in its place.
        divisor : callable or None
            Design effect at a state; 1 when None.

        Returns
        -------
        float or None
            On the scaled column; None when the quantile is not reached before the records stop telling values apart
            (the weakest direction of the information falls to a billionth of what it is at the maximum, no
            constrained maximum can be found, or the distance passes 30).
        """
        target = float(np.sqrt(quantile))
        middle = float(best.point[column])
        error = float(np.sqrt(best.inverse[column, column]))
        nearby = [best]

        floor = _WEAKEST * float(np.linalg.eigvalsh(best.information)[0])

        def gap(value: float) -> float:
            if abs(value - middle) > _FARTHEST:
                raise _OutOfReach
            close = min(nearby, key=lambda state: abs(float(state.point[column]) - value))
            here = self.held(column, value, close)
            if float(np.linalg.eigvalsh(here.information)[0]) < floor:
                raise _OutOfReach
            nearby.append(here)
            deviance = max(2 * (best.value - here.value), 0.0)
            return float(np.sqrt(deviance / (1.0 if divisor is None else divisor(here)))) - target

        inner, step = middle, target * error
        if divisor is not None:
            step *= float(np.sqrt(divisor(best)))
        try:
            for _ in range(_FAR):
                outer = inner + side * step
                if gap(outer) > 0:
                    return self._root(gap, inner, outer, middle, target, 1e-9 * error)
                inner, step = outer, step * 1.5
        except (_OutOfReach, NotConverged):
            return None
        return None

    @staticmethod
    def _root(
        gap: Callable[[float], float], inner: float, outer: float, middle: float, target: float, close: float
    ) -> float:
        def known(value: float) -> float:
            return -target if value == middle else gap(value)

        return float(brentq(known, min(inner, outer), max(inner, outer), xtol=close, rtol=1e-12))

    def raw(self, point: FloatArray) -> FloatArray:
        """Coefficients of the columns as given."""
        return self.turn() @ point

    def turn(self) -> FloatArray:
        """The matrix that turns scaled coefficients into those of the columns as given."""
        turn = np.diag(1 / self.scale)
        turn[0, 1:] = -self.shift[1:] / self.scale[1:]
        return turn

    def raw_covariance(self, covariance: FloatArray) -> FloatArray:
        """Covariance of the coefficients of the columns as given."""
        turn = self.turn()
        return turn @ covariance @ turn.T

    def raw_value(self, state: State) -> float:
        """The (penalised) log-likelihood of the columns as given."""
        return state.value + 2 * self.penalty * float(np.log(self.scale).sum())


def _positive_inverse(information: FloatArray) -> FloatArray:
    """Inverse of a symmetric matrix whose small or negative eigenvalues are raised to where they do no harm."""
    values, vectors = np.linalg.eigh((information + information.T) / 2)
    if not float(values.max()) > 1e-12:
        raise NotConverged("the likelihood is flat")
    raised = np.maximum(values, 1e-10 * float(values.max()))
    inverse = (vectors / raised) @ vectors.T
    return np.asarray((inverse + inverse.T) / 2, dtype=np.float64)
