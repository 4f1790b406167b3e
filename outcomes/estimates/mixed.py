"""How far apart are practitioners (or sites) once case-mix is allowed for? A random intercept for each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats
from scipy.optimize import brentq, minimize
from scipy.special import gammaln

from outcomes.estimates.binary import Binary, Values
from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Answer, Estimate, Fit, FloatArray, NotEstimable
from outcomes.estimates.intercept_likelihood import WIDEST_SD, InterceptLikelihood, grouped
from outcomes.estimates.likelihood import NotConverged, Surface
from outcomes.estimates.ratios import cannot_say, floored, left_out, odds_ratio

METHOD = "random-intercept logistic regression, adaptive Gauss–Hermite quadrature, profile-likelihood limits"
_AT_ZERO = 1e-4


def random_intercept(
    design: Design,
    events: Values,
    *,
    trials: Values | None = None,
    group: Values,
    nodes: int = 25,
    level: float = 0.95,
    profile: Sequence[str] | None = None,
) -> Fit | NotEstimable:
    """How far apart are the groups, and what are the odds ratios within a group?

    ``logit P(event) = x′β + b_g``, b_g normal with standard deviation σ, the same for all records of a group. The
    integral over b_g is taken by adaptive Gauss–Hermite quadrature around each group's mode; limits are
    profile-likelihood limits. The odds ratios hold within a group and lie further from 1 than marginal ones.

    Profile limits refer to χ², which is right for many groups. With few, the odds ratio of a covariate that has one value
    in each group, the spread itself and the intercept are less sure than their limits say; for such an odds ratio
    `outcomes.estimates.few_groups.on_few_groups` widens to t on the groups.

    Parameters
    ----------
    design : Design
        Of n rows.
    events : array of shape (n,)
        0/1 or booleans; with `trials`, whole numbers from 0 to them.
    trials : array of shape (n,) or None
        Records behind each row.
    group : array of shape (n,)
        Practitioner or site of each row, none missing. Patients are not known to this model: where several records of
        a patient lie within a group, its limits are too narrow.
    nodes : int
        Quadrature nodes, at least 5.
    level : float
    profile : sequence of str or None
        Names, labels or frame columns whose odds ratios are wanted; all but spline columns when None.

    Returns
    -------
    Fit or NotEstimable
        NotEstimable with fewer than 3 groups, 5 events or 5 non-events, with collinear columns or under separation.
        ``covariance`` holds the coefficients only. ``details``: ``between_sd`` (`Estimate` of σ on the logit scale,
        profile limits, the upper one None beyond 5, p of the likelihood ratio against σ = 0 by the even mixture of
        χ²₀ and χ²₁; "cannot say" where σ itself is beyond 5), ``modes`` (group → mode of b_g and its standard
        deviation, both on the logit scale, σ taken as known; all 0 where σ is at zero), ``p_value``, ``groups``, ``standard_error``.

    Raises
    ------
    ValueError
        If fewer than 5 nodes are asked for, events are not whole numbers within their trials, or a group is missing.

    References
    ----------
    Pinheiro JC, Bates DM (1995) J Comput Graph Stat 4:12–35 (quadrature). doi:10.1080/10618600.1995.10474663
    Self SG, Liang K-Y (1987) J Am Stat Assoc 82:605–610 (test at the boundary). doi:10.1080/01621459.1987.10478472

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import build
    >>> rows = pd.DataFrame({"events": [2, 9, 4, 12, 7, 1], "zones": [40, 42, 38, 45, 40, 39]})
    >>> fit = random_intercept(build(rows, []), rows["events"], trials=rows["zones"], group=[*"abcdef"])
    >>> round(fit.details["between_sd"].value, 2)
    0.65
    """
    ready = grouped(design, events, trials=trials, group=group, nodes=nodes, method=METHOD)
    if isinstance(ready, NotEstimable):
        return ready
    shown, surface, model = ready
    try:
        fixed = surface.maximum()
        theta = _best(model, fixed.point)
    except (NotConverged, np.linalg.LinAlgError):
        return cannot_say("model", "the fit did not converge", method=METHOD, data=shown)
    return _report(design, shown, surface, model, theta, fixed.value, group, level, profile)


def _best(model: InterceptLikelihood, start: FloatArray) -> FloatArray:
    best = _minimum(model, np.append(start, 0.5), None)
    if abs(best[-1]) < _AT_ZERO:  # zero is always stationary; look whether it is more than that
        other = _minimum(model, np.append(start, 1.5), None)
        best = min(best, other, key=lambda theta: model.negative(theta)[0])
    value, slope = model.negative(best)
    try:
        tried = best - np.linalg.solve(model.hessian(best), slope)
    except np.linalg.LinAlgError:
        tried = best
    if model.negative(tried)[0] <= value:
        best = tried
    best = best.copy()
    best[-1] = abs(best[-1])
    if float(np.abs(model.negative(best)[1]).max()) > 1e-3:
        raise NotConverged("no maximum was found")
    return best


def _minimum(
    model: InterceptLikelihood, start: FloatArray, held: int | None, inverse: FloatArray | None = None
) -> FloatArray:
    free = np.array([j for j in range(len(start)) if j != held])

    def negative(values: FloatArray) -> tuple[float, FloatArray]:
        theta = start.copy()
        theta[free] = values
        value, slope = model.negative(theta)
        return value, slope[free]

    options: dict[str, object] = {"gtol": 1e-6, "maxiter": 100}
    if inverse is not None:
        options["hess_inv0"] = inverse
    found = minimize(negative, start[free], jac=True, method="BFGS", options=options)
    theta = start.copy()
    theta[free] = found.x
    return theta


def _report(
    design: Design,
    data: Binary,
    surface: Surface,
    model: InterceptLikelihood,
    theta: FloatArray,
    fixed_value: float,
    group: Values,
    level: float,
    profile: Sequence[str] | None,
) -> Fit:
    p = len(theta) - 1
    minimum = model.negative(theta)[0]
    hessian = model.hessian(theta)
    at_zero = theta[-1] < _AT_ZERO
    whole = hessian[:p, :p] if at_zero else hessian
    scaled = np.asarray(np.linalg.inv(whole)[:p, :p], dtype=np.float64)
    deviance = max(2 * (-minimum - fixed_value), 0.0)
    p_value = 1.0 if at_zero or deviance < 1e-8 else floored(0.5 * float(stats.chi2.sf(deviance, 1)))
    quantile = float(stats.chi2.ppf(level, 1))
    wanted = (
        [j for j, reported in enumerate(design.reported) if reported]
        if profile is None
        else [j for name in profile for j in design.columns_of(name)]
    )
    answers: list[Answer] = []
    for j in wanted:
        low, high = (_limit(model, theta, hessian, j, side, minimum, quantile) for side in (-1, 1))
        null = _held(model, theta, hessian, j, 0.0)
        change = max(2 * (model.negative(null)[0] - minimum), 0.0)
        scale = float(surface.scale[j])
        answers.append(
            odds_ratio(
                design.labels[j],
                float(theta[j]) / scale,
                None if low is None else low / scale,
                None if high is None else high / scale,
                method=METHOD,
                data=data,
                level=level,
                p_value=float(stats.chi2.sf(change, 1)),
            )
        )
    u, spread = model.modes(theta)
    labels = pd.factorize(pd.Series(group).reset_index(drop=True))[1]
    sd = 0.0 if at_zero else float(theta[-1])
    constant = float(
        (gammaln(model.trials + 1) - gammaln(model.events + 1) - gammaln(model.trials - model.events + 1)).sum()
    )
    covariance = surface.raw_covariance(scaled)
    return Fit(
        method=METHOD,
        terms=(*answers, *left_out(design, method=METHOD, data=data)),
        names=design.names,
        coefficients=surface.raw(theta[:-1]),
        covariance=covariance,
        n=data.n,
        events=data.event_count,
        log_likelihood=-minimum + constant,
        details={
            "between_sd": _between(model, theta, hessian, minimum, quantile, level, data, p_value),
            "modes": {label: (sd * float(m), sd * float(s)) for label, m, s in zip(labels, u, spread, strict=True)},
            "p_value": p_value,
            "groups": len(model.starts),
            "standard_error": np.sqrt(np.diag(covariance)),
        },
    )


def _held(model: InterceptLikelihood, theta: FloatArray, hessian: FloatArray, column: int, value: float) -> FloatArray:
    start = theta.copy()
    start[column] = value
    free = [j for j in range(len(theta)) if j != column]
    block = hessian[np.ix_(free, free)]
    values, vectors = np.linalg.eigh(block)
    inverse = (vectors / np.maximum(values, 1e-3 * float(values.max()))) @ vectors.T
    start[free] -= inverse @ hessian[free, column] * (value - theta[column])
    return _minimum(model, start, column, (inverse + inverse.T) / 2)


def _limit(
    model: InterceptLikelihood,
    theta: FloatArray,
    hessian: FloatArray,
    column: int,
    side: int,
    minimum: float,
    quantile: float,
) -> float | None:
    middle, target = float(theta[column]), float(np.sqrt(quantile))
    curvature = float(np.linalg.pinv(hessian)[column, column])
    step = float(np.sqrt(quantile * curvature)) if curvature > 0 else 0.5
    known = {middle: -target}
    spread = column == len(theta) - 1

    def gap(value: float) -> float:
        if value not in known:
            here = model.negative(_held(model, theta, hessian, column, value))[0]
            known[value] = float(np.sqrt(max(2 * (here - minimum), 0.0))) - target
        return known[value]

    if spread and side < 0 and gap(0.0) <= 0:
        return 0.0
    if spread and side > 0 and (middle >= WIDEST_SD or gap(WIDEST_SD) <= 0):
        return None
    inner = middle
    for _ in range(40):
        outer = inner + side * step
        if spread:
            outer = min(max(outer, 0.0), WIDEST_SD)
        if gap(outer) > 0:
            return float(brentq(gap, min(inner, outer), max(inner, outer), xtol=1e-6))
        inner, step = outer, step * 1.5
    return None


def _between(
    model: InterceptLikelihood,
    theta: FloatArray,
    hessian: FloatArray,
    minimum: float,
    quantile: float,
    level: float,
    data: Binary,
    p_value: float,
) -> Answer:
    last = len(theta) - 1
    if float(theta[last]) >= WIDEST_SD:
        reason = "the groups lie too far apart for a spread to be put to it"
        return cannot_say("standard deviation between groups", reason, method=METHOD, data=data, unit="log odds")
    low = _limit(model, theta, hessian, last, -1, minimum, quantile)
    high = _limit(model, theta, hessian, last, 1, minimum, quantile)
    term, unit = "standard deviation between groups", "log odds"
    return Estimate(
        term, float(theta[-1]), low, high, METHOD, data.n, level=level, unit=unit,
        events=data.event_count, p_value=p_value, note=f"{len(model.starts)} groups",
    )  # fmt: skip
