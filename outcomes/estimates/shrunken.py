"""How far is each practitioner (or site) from the average one, when how far they lie apart is not known either?"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq, minimize_scalar
from scipy.special import expit, ndtr

from outcomes.estimates.binary import Binary, Codes, Values, whole_numbers
from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Answer, Estimate, FloatArray, NotEstimable
from outcomes.estimates.intercept_likelihood import WIDEST_SD, InterceptLikelihood, grouped
from outcomes.estimates.likelihood import NotConverged, Surface
from outcomes.estimates.ratios import cannot_say, floored

METHOD = "random-intercept logistic regression, adaptive Gauss–Hermite quadrature"
SPREAD_METHOD = f"{METHOD}, profile likelihood modified for the coefficients"
SHRUNKEN_METHOD = f"{METHOD}; median and limits over the spreads that the records leave possible"
PRIOR_SD = 1.0  # half of all spreads below 0.67 on the log odds scale, 19 in 20 below 2
_FINE = 0.05  # spreads below it are spaced evenly, those above it by equal ratios
_WIDEST = float(np.arcsinh(WIDEST_SD / _FINE))
_COARSE, _FINER, _CELLS = 12, 20, 300
_FAR = 2.5  # beyond it hardly any spread has weight: with groups without events the nodes may not reach to the widest
_BEYOND = 12.0  # a spread whose log-likelihood lies so far below the best has no weight
_STILL = 1e-7
_LEAST = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class BetweenGroups:
    """How far groups lie apart, and each of them from the average one.

    Attributes
    ----------
    spread : Estimate or NotEstimable
        Standard deviation σ between groups on the log odds scale, with p of σ = 0.
    shrunken : dict of label to Estimate or NotEstimable
        Odds ratio of each group against the average one.
    reliability : dict of label to float
        Share of what sets a group apart that is not chance.
    """

    spread: Answer
    shrunken: dict[Hashable, Answer]
    reliability: dict[Hashable, float]


@dataclass(frozen=True, slots=True, eq=False)
class _Known:
    """What holds if the spread is known to be `spread`; all on the scale of log odds."""

    spread: float
    coefficients: FloatArray
    log_likelihood: float
    modified: float
    effects: FloatArray
    errors: FloatArray
    reliability: FloatArray


def between_groups(
    design: Design,
    events: Values,
    *,
    trials: Values | None = None,
    group: Values,
    design_effect: float = 1.0,
    nodes: int = 25,
    level: float = 0.95,
) -> BetweenGroups | NotEstimable:
    """How far is each group from the average one, and how far do they lie apart, with neither taken as known?

    ``logit P(event) = x′β + b_g``, b_g normal with standard deviation σ, as in `outcomes.estimates.mixed.random_intercept`.
    There the mode of b_g has the error it would have if β and σ were known, which is too small with few groups. Here

    * the likelihood of σ is the marginal likelihood with β integrated out by Laplace's method,
      ``ℓ_m(σ) = ℓ(β_σ, σ) − ½ ln |I(β_σ)|``, β_σ being the best β at σ and I its information. It does not draw σ
      towards 0 as the profile likelihood does. Its maximum is the spread, and where it has fallen by half a quantile of
      χ²₁ are its limits;
    * given σ, b_g is normal with its mean given the records and variance ``v_g + d_g′ I⁻¹ d_g``: mean and v_g over the
      nodes at β_σ, ``d_g = −σ² Σ w x / (1 + σ² Σ w)`` how b_g moves with β, w = n μ (1 − μ) over the records of the group;
    * b_g is then a mixture of these normals over σ, each weighted by ``exp ℓ_m(σ)`` times a half-normal prior of standard
      deviation 1. The shrunken log odds ratio is the median of the mixture, its limits are quantiles;
    * reliability is ``σ² Σ w / (1 + σ² Σ w)``, averaged with the same weights.

    Effects are taken as normal, and groups as exchangeable: what is known of a group beforehand is not used.

    Parameters
    ----------
    design : Design
        Of n rows.
    events : array of shape (n,)
        0/1 or booleans; with `trials`, whole numbers from 0 to them.
    trials : array of shape (n,) or None
        Records behind each row.
    group : array of shape (n,)
        Practitioner or site of each row, none missing.
    design_effect : float
        By how much several records of a patient inflate the variance of a risk, at least 1: every count enters the
        likelihood divided by it.
    nodes : int
        Quadrature nodes, at least 5.
    level : float

    Returns
    -------
    BetweenGroups or NotEstimable
        NotEstimable with fewer than 3 groups, 5 events or 5 non-events, with collinear columns or under separation.
        The p value of the spread is that of the likelihood ratio against σ = 0, by the even mixture of χ²₀ and χ²₁. Its
        upper limit is None beyond 5; "cannot say" where σ itself is beyond 5.

    Raises
    ------
    ValueError
        If fewer than 5 nodes are asked for, the design effect lies below 1, events are not whole numbers within their
        trials, or a group is missing.

    References
    ----------
    Cox DR, Reid N (1987) J R Stat Soc B 49:1–39 (modified profile). doi:10.1111/j.2517-6161.1987.tb01422.x
    Tierney L, Kadane JB (1986) J Am Stat Assoc 81:82–86 (Laplace's method). doi:10.1080/01621459.1986.10478240
    Morris CN (1983) J Am Stat Assoc 78:47–55 (limits that allow for the spread). doi:10.1080/01621459.1983.10477920
    Gelman A (2006) Bayesian Analysis 1:515–534 (half-normal and kin as priors of σ). doi:10.1214/06-BA117A
    Self SG, Liang K-Y (1987) J Am Stat Assoc 82:605–610 (test at the boundary). doi:10.1080/01621459.1987.10478472

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import build
    >>> rows = pd.DataFrame({"events": [2, 9, 4, 12, 7, 1], "zones": [40, 42, 38, 45, 40, 39]})
    >>> found = between_groups(build(rows, []), rows["events"], trials=rows["zones"], group=[*"abcdef"])
    >>> fourth = found.shrunken["d"]
    >>> round(found.spread.value, 2), round(fourth.value, 2), round(fourth.low, 2), round(fourth.high, 2)
    (0.78, 2.04, 0.86, 6.83)
    """
    if not 1 <= design_effect < np.inf:
        raise ValueError("a design effect is at least 1")
    ready = grouped(design, events, trials=trials, group=group, nodes=nodes, method=METHOD)
    if isinstance(ready, NotEstimable):
        return ready
    data, surface, model = ready
    surface = replace(surface, events=surface.events / design_effect, trials=surface.trials / design_effect)
    model = replace(model, events=model.events / design_effect, trials=model.trials / design_effect)
    depth = 0.5 * float(stats.chi2.ppf(level, 1)) + _BEYOND
    try:
        at_none = surface.maximum().value
        known = _over_spreads(surface, model, depth)
    except (NotConverged, np.linalg.LinAlgError):
        return cannot_say("model", "the fit did not converge", method=METHOD, data=data)
    codes, labels = pd.factorize(pd.Series(group).reset_index(drop=True))
    shrunken, reliability = _mixture(known, level)
    return BetweenGroups(
        _spread(known, level, data, at_none),
        dict(zip(labels, _ratios(shrunken, labels, codes.astype(np.intp), events, trials, level), strict=True)),
        dict(zip(labels, reliability.tolist(), strict=True)),
    )


def _over_spreads(surface: Surface, model: InterceptLikelihood, depth: float) -> list[_Known]:
    """The spreads that the likelihood does not leave out, from a coarse look at all of them."""
    coarse: list[_Known] = []
    point = surface.maximum().point
    places = np.linspace(0.0, _WIDEST, _COARSE)
    for x in places:
        try:
            coarse.append(_at(model, float(_FINE * np.sinh(x)), point))
        except NotConverged:
            if _FINE * np.sinh(x) < _FAR:
                raise
            break
        point = coarse[-1].coefficients
        if coarse[-1].modified < max(k.modified for k in coarse) - 2 * depth and len(coarse) > 2:
            break
    top = max(k.modified for k in coarse)
    within = [i for i, k in enumerate(coarse) if k.modified > top - depth]
    first, last = max(within[0] - 1, 0), min(within[-1] + 1, len(coarse) - 1)
    known = []
    for x in np.linspace(places[first], places[last], _FINER):
        near = coarse[int(np.argmin(np.abs(places[: len(coarse)] - x)))]
        known.append(_at(model, float(_FINE * np.sinh(x)), near.coefficients))
    return known


def _at(model: InterceptLikelihood, spread: float, start: FloatArray) -> _Known:
    """Coefficients, effects of groups and their errors at a spread that is known, by Newton steps."""
    theta = np.append(start, spread)
    for _ in range(100):
        here = model.within(theta)
        covariance = np.linalg.inv(here.information)
        step = np.clip(covariance @ here.slope, -1.0, 1.0)
        theta[:-1] += step
        if float(np.abs(step).max()) < _STILL:
            break
    else:
        raise NotConverged("the steps do not shrink")
    sign, logarithm = np.linalg.slogdet(covariance)
    if sign <= 0:
        raise NotConverged("the information is not positive")
    u, curved = model.modes(theta)
    chance = curved**2  # 1 / (1 + σ² Σ w)
    mu = expit(model.matrix @ theta[:-1] + spread * u[model.group])
    weight = (model.trials * mu * (1 - mu))[:, None]
    moved = -(spread**2) * chance[:, None] * model.by_group(weight * model.matrix)
    return _Known(
        spread=spread,
        coefficients=theta[:-1],
        log_likelihood=here.log_likelihood,
        modified=here.log_likelihood + 0.5 * float(logarithm),
        effects=spread * here.mean,
        errors=np.sqrt((spread * here.deviation) ** 2 + np.einsum("gp,pq,gq->g", moved, covariance, moved)),
        reliability=1 - chance,
    )


def _along(known: list[_Known], values: FloatArray, *, even: bool) -> CubicSpline:
    """A value at each spread as a smooth function of arsinh(σ / 0.05), even about 0 where that is known."""
    at = np.arcsinh(np.array([k.spread for k in known]) / _FINE)
    flat = (1, np.zeros(values.shape[1:])) if even and at[0] == 0 else "not-a-knot"
    return CubicSpline(at, values, bc_type=(flat, "not-a-knot"))


def _spread(known: list[_Known], level: float, data: Binary, at_none: float) -> Answer:
    """The maximum of the modified profile likelihood, and where it has fallen by half a quantile of χ²₁."""
    term, unit = "standard deviation between groups", "log odds"
    modified = _along(known, np.array([k.modified for k in known]), even=True)
    plain = _along(known, np.array([k.log_likelihood for k in known]), even=True)
    fine = np.linspace(modified.x[0], modified.x[-1], 1000)
    heights = modified(fine)
    place = int(np.argmax(heights))
    best = float(fine[place])
    if 0 < place < len(fine) - 1:
        around = (fine[place - 1], fine[place + 1])
        best = float(
            minimize_scalar(lambda x: -modified(x), bounds=around, method="bounded", options={"xatol": 1e-9}).x
        )
    if best >= modified.x[-1]:
        reason = "the groups lie too far apart for a spread to be put to it"
        return cannot_say(term, reason, method=SPREAD_METHOD, data=data, unit=unit)
    floor = float(modified(best)) - 0.5 * float(stats.chi2.ppf(level, 1))
    low, high = (_fallen(modified, floor, best, beyond) for beyond in (fine[fine < best][::-1], fine[fine > best]))
    deviance = max(2 * float(plain(fine).max() - at_none), 0.0)
    p_value = 1.0 if deviance < 1e-8 else floored(0.5 * float(stats.chi2.sf(deviance, 1)))
    return Estimate(
        term, float(_FINE * np.sinh(best)), low or 0.0, high, SPREAD_METHOD, data.n, level=level, unit=unit,
        events=data.event_count, p_value=p_value, note=f"{len(known[0].effects)} groups",
    )  # fmt: skip


def _fallen(modified: CubicSpline, floor: float, best: float, beyond: FloatArray) -> float | None:
    """The first spread on the way from the best one at which the likelihood has fallen to a floor."""
    below = beyond[modified(beyond) < floor]
    if not len(below):
        return None
    start, stop = sorted((best, float(below[0])))
    return _FINE * float(np.sinh(brentq(lambda x: float(modified(x)) - floor, start, stop)))


def _mixture(known: list[_Known], level: float) -> tuple[FloatArray, FloatArray]:
    """Lower limit, median and upper limit of each group's log odds ratio, and its reliability."""
    bottom, top = (float(np.arcsinh(k.spread / _FINE)) for k in (known[0], known[-1]))
    at = bottom + (np.arange(_CELLS) + 0.5) * (top - bottom) / _CELLS
    spread = _FINE * np.sinh(at)
    modified = _along(known, np.array([k.modified for k in known]), even=True)(at)
    weight = np.exp(modified - modified.max() - 0.5 * (spread / PRIOR_SD) ** 2) * np.cosh(at)
    weight /= weight.sum()
    effects = _along(known, np.array([k.effects for k in known]), even=True)(at)
    errors = np.maximum(_along(known, np.array([k.errors for k in known]), even=False)(at), _LEAST)
    reliability = np.clip(_along(known, np.array([k.reliability for k in known]), even=True)(at), 0.0, 1.0)
    tail = (1 - level) / 2
    found = []
    for share in (tail, 0.5, 1 - tail):
        low, high = (effects - 12 * errors).min(axis=0), (effects + 12 * errors).max(axis=0)
        for _ in range(60):
            middle = (low + high) / 2
            below = weight @ ndtr((middle - effects) / errors) < share
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        found.append((low + high) / 2)
    return np.array(found), weight @ reliability


def _ratios(
    shrunken: FloatArray, labels: pd.Index, codes: Codes, events: Values, trials: Values | None, level: float
) -> list[Answer]:
    happened = np.bincount(codes, whole_numbers("events", events))
    records = np.bincount(codes, None if trials is None else whole_numbers("trials", trials))
    answers: list[Answer] = []
    for label, (low, value, high), k, n in zip(labels, shrunken.T, happened, records, strict=True):
        term, unit = f"{label} against the average group", "odds ratio"
        if not low < high:
            reason = "the interval has no width"
            answers.append(NotEstimable(term, reason, int(n), events=int(k), method=SHRUNKEN_METHOD, unit=unit))
            continue
        value, low, high = (float(np.exp(x)) for x in (value, low, high))
        answers.append(Estimate(term, value, low, high, SHRUNKEN_METHOD, int(n), level=level, unit=unit, events=int(k)))
    return answers
