"""How far apart are practitioners, and what is the best guess for each?"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats

from outcomes.estimates.arrays import numbers
from outcomes.estimates.estimate import Answer, Estimate, FloatArray, NotEstimable

ESTIMATORS = {
    "paule_mandel": "Paule–Mandel",
    "dersimonian_laird": "DerSimonian–Laird",
}


@dataclass(frozen=True, slots=True, eq=False)
class Between:
    """Units that vary around a common value, each known with its own error.

    Attributes
    ----------
    common : Estimate or NotEstimable
        The common value, on the scale of the values.
    spread : Estimate or NotEstimable
        Standard deviation between units, Q-profile limits. NotEstimable where units differ even less than
        chance alone would have it.
    shrunken : tuple of Estimate
        Best guess for each unit: its own value drawn towards the common one, the more the less is known.
    reliability : ndarray of shape (k,)
        Share of a unit's own value in its best guess, ``τ²/(τ² + v)``: 0 nothing known, 1 everything.
    chi_square, p_value : float
        Of no difference between units (Cochran's Q, k − 1 degrees of freedom).
    """

    common: Estimate
    spread: Answer
    shrunken: tuple[Estimate, ...]
    reliability: FloatArray
    chi_square: float
    p_value: float


def between_units(
    values: ArrayLike,
    variances: ArrayLike,
    labels: Sequence[str],
    *,
    counts: Sequence[tuple[int, int]] | None = None,
    estimator: str = "paule_mandel",
    term: str = "",
    unit: str = "",
    level: float = 0.95,
) -> Between | NotEstimable:
    """How far apart are the units, allowing for the error of each, and what is the best guess for each?

    Normal–normal model: ``y_i ~ N(θ_i, v_i)``, ``θ_i ~ N(μ, τ²)``. Paule and Mandel's τ² solves
    ``Σ (y_i − μ)²/(v_i + τ²) = k − 1``; its limits make the same sum equal χ² quantiles (Q-profile). The best guess
    is ``λ_i y_i + (1 − λ_i) μ`` with ``λ_i = τ²/(τ² + v_i)`` and variance ``λ_i v_i + (1 − λ_i)² var(μ)``.

    Parameters
    ----------
    values, variances : array of shape (k,)
        On a scale where errors are near normal (log odds, log ratios); variances clustered by patient where
        patients have several records.
    labels : sequence of str, length k
    counts : sequence of (n, events), length k, or None
        Carried along.
    estimator : {"paule_mandel", "dersimonian_laird"}
    term, unit : str
    level : float

    Returns
    -------
    Between or NotEstimable
        NotEstimable with fewer than three units.

    Raises
    ------
    ValueError
        If lengths differ, the estimator is unknown, or a variance is not above 0.

    References
    ----------
    Paule RC, Mandel J (1982) J Res Natl Bur Stand 87:377-385, doi:10.6028/jres.087.022.
    Viechtbauer W (2007) Stat Med 26:37-52, doi:10.1002/sim.2514 (Q-profile).

    Examples
    --------
    >>> found = between_units([-2.0, -1.5, -2.6, -1.0], [0.1, 0.2, 0.1, 0.15], ["A", "B", "C", "D"])
    >>> [round(unit.value, 2) for unit in found.shrunken]
    [-1.96, -1.61, -2.42, -1.25]
    """
    y, v = numbers("values", values), numbers("variances", variances)
    k = len(y)
    if len(v) != k or len(labels) != k or (counts is not None and len(counts) != k):
        raise ValueError("values, variances, labels and counts differ in length")
    if estimator not in ESTIMATORS:
        raise ValueError(f"estimator must be one of {', '.join(ESTIMATORS)}")
    if np.any(v <= 0):
        raise ValueError("a variance is above 0")
    known = [(0, 0)] * k if counts is None else [(int(n), int(e)) for n, e in counts]
    n = sum(each for each, _ in known)
    events = None if counts is None else sum(each for _, each in known)
    method = f"normal–normal model, {ESTIMATORS[estimator]} spread between units"
    if k < 3:
        return NotEstimable(term, f"{k} units, 3 needed", n=n, events=events, method=method, unit=unit)
    spread = _paule_mandel(y, v) if estimator == "paule_mandel" else _dersimonian_laird(y, v)
    weight = 1 / (v + spread)
    middle, error = float(weight @ y / weight.sum()), float(weight.sum()) ** -0.5
    z = float(stats.norm.isf((1 - level) / 2))
    share = spread / (spread + v)
    guess = share * y + (1 - share) * middle
    guess_error = np.sqrt(share * v + (1 - share) ** 2 * error**2)
    q = _q(0.0, y, v)

    def estimate(label: str, value: float, half: float, records: int, had: int | None) -> Estimate:
        return Estimate(label, value, value - half, value + half, method, records, level=level, unit=unit, events=had)

    return Between(
        common=estimate(term or "all units", middle, z * error, n, events),
        spread=_spread(spread, y, v, level, term, n, events, method),
        shrunken=tuple(
            estimate(label, float(g), z * float(e), records, None if counts is None else had)
            for label, g, e, (records, had) in zip(labels, guess, guess_error, known, strict=True)
        ),
        reliability=share,
        chi_square=q,
        p_value=max(float(stats.chi2.sf(q, k - 1)), float(np.finfo(float).tiny)),
    )


def log_odds(events: ArrayLike, sizes: ArrayLike, *, design_effect: float = 1.0) -> tuple[FloatArray, FloatArray]:
    """Return the log odds of each unit and their variances ``d (1/y + 1/(n−y))``.

    Units with no event, or nothing but events, get half an event on either side.

    Parameters
    ----------
    events, sizes : array of shape (k,)
        Records with the event and all records of each unit.
    design_effect : float
        d, 1 or more.

    Returns
    -------
    values, variances : ndarray of shape (k,)

    Raises
    ------
    ValueError
        If a unit has no records, or events outside 0 … n.

    References
    ----------
    Agresti A (2013) Categorical Data Analysis, 3rd ed., Wiley, section 3.1 (half an event added).

    Examples
    --------
    >>> values, variances = log_odds([5, 0], [25, 9])
    >>> values.round(3).tolist(), variances.round(3).tolist()
    ([-1.386, -2.944], [0.25, 2.105])
    """
    y, n = numbers("events", events), numbers("sizes", sizes)
    if len(y) != len(n) or np.any(n <= 0) or np.any((y < 0) | (y > n)):
        raise ValueError("every unit needs records, and events within them")
    if design_effect < 1:
        raise ValueError("a design effect is 1 or more")
    half = np.where((y == 0) | (y == n), 0.5, 0.0)
    yes, no = y + half, n - y + half
    return np.log(yes / no), design_effect * (1 / yes + 1 / no)


def shrunken_risks(
    events: ArrayLike,
    sizes: ArrayLike,
    labels: Sequence[str],
    *,
    design_effect: float = 1.0,
    term: str = "",
    level: float = 0.95,
) -> tuple[Estimate, ...] | NotEstimable:
    """What is the best guess of each unit's risk, borrowing from the others what it lacks itself?

    `between_units` on log odds, carried back to risks.

    Parameters
    ----------
    events, sizes : array of shape (k,)
        Records with the event and all records of each unit.
    labels : sequence of str, length k
    design_effect : float
        1 or more; what the likeness of a patient's records takes from each unit's counts.
    term : str
    level : float

    Returns
    -------
    tuple of Estimate, length k, or NotEstimable
        NotEstimable with fewer than three units.

    References
    ----------
    Efron B, Morris C (1975) J Am Stat Assoc 70:311-319, doi:10.1080/01621459.1975.10479864.

    Examples
    --------
    >>> risks = shrunken_risks([0, 18, 8, 46], [47, 148, 119, 810], ["A", "B", "C", "D"])
    >>> [round(risk.value, 3) for risk in risks]
    [0.057, 0.11, 0.068, 0.058]
    """
    counts = [(int(n), int(y)) for y, n in zip(np.asarray(events), np.asarray(sizes), strict=True)]
    values, variances = log_odds(events, sizes, design_effect=design_effect)
    found = between_units(values, variances, labels, counts=counts, term=term, unit="log odds", level=level)
    if isinstance(found, NotEstimable):
        return found
    return tuple(_as_risk(answer) for answer in found.shrunken)


def risks_from_modes(
    intercept: float,
    modes: Mapping[str, tuple[float, float]],
    counts: Mapping[str, tuple[int, int]],
    *,
    level: float = 0.95,
) -> tuple[Estimate, ...]:
    """What is the best guess of each unit's risk, from a random-intercept model?

    Risk at the model's intercept plus the unit's mode; limits from the mode's own standard deviation, the
    intercept taken as known.

    Parameters
    ----------
    intercept : float
        Linear predictor of an average unit.
    modes : mapping of label to (mode, standard deviation)
        ``details["modes"]`` of `outcomes.estimates.mixed.random_intercept`.
    counts : mapping of label to (n, events)

    Returns
    -------
    tuple of Estimate
        One a unit, in the order of the modes.

    References
    ----------
    Pinheiro JC, Bates DM (2000) Mixed-Effects Models in S and S-PLUS, Springer, section 2.5. doi:10.1007/b98882

    Examples
    --------
    >>> found = risks_from_modes(-2.0, {"A": (0.4, 0.3), "B": (-0.3, 0.2)}, {"A": (60, 12), "B": (80, 5)})
    >>> [round(risk.value, 3) for risk in found]
    [0.168, 0.091]
    """
    z = float(stats.norm.isf((1 - level) / 2))
    method = "random-intercept logistic model, conditional mode"
    answers = []
    for label, (mode, deviation) in modes.items():
        n, events = counts[label]
        at = intercept + mode
        answers.append(
            _as_risk(Estimate(label, at, at - z * deviation, at + z * deviation, method, n, level=level, events=events))
        )
    return tuple(answers)


def _as_risk(answer: Estimate) -> Estimate:
    low, value, high = (float(special.expit(x)) for x in (answer.low, answer.value, answer.high))
    return Estimate(
        answer.term,
        value,
        low,
        high,
        answer.method,
        answer.n,
        level=answer.level,
        unit="proportion",
        patients=answer.patients,
        events=answer.events,
        note="drawn towards the risk of all units",
    )


def _q(spread: float, y: FloatArray, v: FloatArray) -> float:
    weight = 1 / (v + spread)
    return float(weight @ (y - weight @ y / weight.sum()) ** 2)


def _solve(target: float, y: FloatArray, v: FloatArray) -> float:
    """Find the spread at which Q falls to a target; 0 where it is below it from the start."""
    if _q(0.0, y, v) <= target:
        return 0.0
    top = float(v.max() + np.var(y) + 1e-12)
    while _q(top, y, v) > target:
        top *= 4
    return float(optimize.brentq(lambda s: _q(s, y, v) - target, 0.0, top, xtol=1e-15, rtol=1e-13))


def _paule_mandel(y: FloatArray, v: FloatArray) -> float:
    return _solve(len(y) - 1, y, v)


def _dersimonian_laird(y: FloatArray, v: FloatArray) -> float:
    weight = 1 / v
    scale = float(weight.sum() - (weight**2).sum() / weight.sum())
    return max(0.0, (_q(0.0, y, v) - (len(y) - 1)) / scale)


def _spread(
    spread: float,
    y: FloatArray,
    v: FloatArray,
    level: float,
    term: str,
    n: int,
    events: int | None,
    method: str,
) -> Answer:
    tail, df = (1 - level) / 2, len(y) - 1
    low = _solve(float(stats.chi2.isf(tail, df)), y, v)
    high = _solve(float(stats.chi2.ppf(tail, df)), y, v)
    words, name = f"{method}, Q-profile limits", f"{term}: spread between units" if term else "spread between units"
    if not high > 0:
        reason = "units differ less than chance alone would have it"
        return NotEstimable(name, reason, n=n, events=events, method=words, unit="standard deviation")
    return Estimate(
        name,
        math.sqrt(spread),
        math.sqrt(min(low, spread)),
        math.sqrt(max(high, spread)),
        words,
        n,
        level=level,
        unit="standard deviation",
        events=events,
    )
