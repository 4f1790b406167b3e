"""The likelihood of yes/no records with a normal intercept for each group, integrated over the intercepts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit

from outcomes.estimates.binary import Binary, Codes, Values, observe
from outcomes.estimates.design import Design
from outcomes.estimates.estimate import FloatArray, NotEstimable
from outcomes.estimates.likelihood import Surface
from outcomes.estimates.ratios import cannot_say, nothing_to_fit

FEWEST_GROUPS = 3
FEWEST_EVENTS = 5
WIDEST_SD = 5.0  # odds 150 times apart one standard deviation on: a limit beyond it is no limit


@dataclass(frozen=True, slots=True, eq=False)
class Within:
    """The likelihood in the coefficients with the spread held.

    Attributes
    ----------
    log_likelihood : float
        Marginal, without binomial constants.
    slope : ndarray of shape (p,)
        Its first derivatives in β.
    information : ndarray of shape (p, p)
        Minus its second derivatives: the posterior mean of X′WX less the posterior covariance of the scores.
    mean, deviation : arrays of shape (g,)
        Mean and standard deviation of each group's standard normal effect, given the records.
    """

    log_likelihood: float
    slope: FloatArray
    information: FloatArray
    mean: FloatArray
    deviation: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class InterceptLikelihood:
    """Grouped records sorted by group, with the nodes of the quadrature.

    ``logit P(event) = x′β + σ u_g``, u_g standard normal and integrated over. A point is (β, σ), β on centred and scaled
    columns.

    Attributes
    ----------
    matrix : ndarray of shape (c, p)
        Centred and scaled columns of each cell (a pattern within a group), intercept first.
    events, trials : arrays of shape (c,)
    group : integer array of shape (c,)
    starts : integer array of shape (g,)
        First cell of each group.
    nodes, log_weights : arrays of shape (k,)
        Of Gauss–Hermite quadrature for a standard normal.
    """

    matrix: FloatArray
    events: FloatArray
    trials: FloatArray
    group: Codes
    starts: Codes
    nodes: FloatArray
    log_weights: FloatArray

    def modes(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mode and curvature-based sd of each group's standard normal effect, by Newton steps kept between known ends."""
        eta, sd = self.matrix @ theta[:-1], float(theta[-1])
        u = np.zeros(len(self.starts))
        high = abs(sd) * self.by_group(self.trials) + 1.0  # the slope falls in u, and is below 0 here
        low = -high
        for _ in range(100):
            mu = expit(eta + sd * u[self.group])
            slope = self.by_group(self.events - self.trials * mu) * sd - u
            curve = self.by_group(self.trials * mu * (1 - mu)) * sd * sd + 1
            low, high = np.where(slope > 0, u, low), np.where(slope < 0, u, high)
            step = np.clip(slope / curve, -2.0, 2.0)
            if float(np.abs(step).max()) < 1e-11:
                break
            tried = u + step
            outside = ((tried <= low) | (tried >= high)) & (np.abs(step) > 1e-11)
            u = np.where(outside, (low + high) / 2, tried)
        mu = expit(eta + sd * u[self.group])
        return u, 1 / np.sqrt(self.by_group(self.trials * mu * (1 - mu)) * sd * sd + 1)

    def negative(self, theta: FloatArray) -> tuple[float, FloatArray]:
        """Minus the marginal log-likelihood and its exact gradient (a posterior mean over the nodes)."""
        value, mu, effect, share = self._over_nodes(theta)
        expected = self.trials[:, None] * mu
        by_coefficient = self.matrix.T @ (self.events - np.einsum("ij,ij->i", expected, share[self.group]))
        surplus = self.by_group(self.events)[:, None] - self.by_group(expected)
        return value, -np.append(by_coefficient, float((surplus * effect * share).sum()))

    def within(self, theta: FloatArray) -> Within:
        """What the records say with σ held: slope and information in β, moments of each group's effect."""
        value, mu, effect, share = self._over_nodes(theta)
        expected = self.trials[:, None] * mu
        weight = np.einsum("ij,ij->i", expected * (1 - mu), share[self.group])
        residual = self.events[:, None] - expected
        score = self.by_group(self.matrix[:, :, None] * residual[:, None, :])
        middle = np.einsum("gpk,gk->gp", score, share)
        score -= middle[:, :, None]
        apart = np.moveaxis(score * np.sqrt(share)[:, None, :], 1, 0).reshape(self.matrix.shape[1], -1)
        mean = (effect * share).sum(axis=1)
        return Within(
            log_likelihood=-value,
            slope=middle.sum(axis=0),
            information=np.asarray((self.matrix * weight[:, None]).T @ self.matrix - apart @ apart.T),
            mean=mean,
            deviation=np.sqrt(((effect - mean[:, None]) ** 2 * share).sum(axis=1)),
        )

    def _over_nodes(self, theta: FloatArray) -> tuple[float, FloatArray, FloatArray, FloatArray]:
        """Minus the log-likelihood; risks of cells, effects of groups and their posterior shares at each node."""
        eta, sd = self.matrix @ theta[:-1], float(theta[-1])
        u, spread = self.modes(theta)
        effect = u[:, None] + spread[:, None] * self.nodes
        linear = eta[:, None] + sd * effect[self.group]
        small = np.exp(-np.abs(linear))
        softplus = np.maximum(linear, 0.0) + np.log1p(small)
        mu = np.where(linear >= 0, 1.0, small) / (1.0 + small)
        log_joint = self.by_group(self.events * eta)[:, None] + sd * self.by_group(self.events)[:, None] * effect
        log_joint -= self.by_group(self.trials[:, None] * softplus)
        log_joint += -0.5 * effect**2 + 0.5 * self.nodes**2 + self.log_weights + np.log(spread)[:, None]
        top = log_joint.max(axis=1, keepdims=True)
        mass = np.exp(log_joint - top)
        total = mass.sum(axis=1, keepdims=True)
        return -float((top[:, 0] + np.log(total[:, 0])).sum()), mu, effect, mass / total

    def by_group(self, values: FloatArray) -> FloatArray:
        """Sums over the cells of each group."""
        return np.add.reduceat(values, self.starts, axis=0)

    def hessian(self, theta: FloatArray) -> FloatArray:
        """Second derivatives of `negative`, by central differences of its exact gradient."""
        size, step = len(theta), 1e-5
        found = np.zeros((size, size))
        for j in range(size):
            shift = np.zeros(size)
            shift[j] = step
            found[j] = (self.negative(theta + shift)[1] - self.negative(theta - shift)[1]) / (2 * step)
        return (found + found.T) / 2


def grouped(
    design: Design, events: Values, *, trials: Values | None, group: Values, nodes: int, method: str
) -> tuple[Binary, Surface, InterceptLikelihood] | NotEstimable:
    """Records made ready for a model with an intercept for each group, or why there is none.

    Returns
    -------
    tuple or NotEstimable
        The records (without their groups), their likelihood without groups, and the one with an intercept for each.
        NotEstimable with fewer than 3 groups, 5 events or 5 non-events, with collinear columns or under separation.

    Raises
    ------
    ValueError
        If fewer than 5 nodes are asked for, events are not whole numbers within their trials, or a group is missing.
    """
    if nodes < 5:
        raise ValueError("one node is the Laplace approximation, which is biased here; use at least 5")
    data = observe(design, events, trials=trials, cluster=group)
    shown = replace(data, cells=None)
    refusal = nothing_to_fit(design, shown, method=method, finite=True)
    if refusal is not None:
        return refusal
    cells = data.cells
    if cells is None or cells.clusters < FEWEST_GROUPS:
        reason = f"a spread needs {FEWEST_GROUPS} groups, and there are {0 if cells is None else cells.clusters}"
        return cannot_say("model", reason, method=method, data=shown)
    if min(data.event_count, data.n - data.event_count) < FEWEST_EVENTS:
        return cannot_say("model", f"fewer than {FEWEST_EVENTS} events or non-events", method=method, data=shown)
    surface = Surface.of(data, penalty=0.0)
    z, weight = np.polynomial.hermite_e.hermegauss(nodes)
    model = InterceptLikelihood(
        surface.matrix[cells.pattern], cells.events, cells.trials, cells.cluster,
        np.searchsorted(cells.cluster, np.arange(cells.clusters)).astype(np.intp),
        z, np.log(weight) - 0.5 * np.log(2 * np.pi),
    )  # fmt: skip
    return shown, surface, model
