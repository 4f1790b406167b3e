"""What do several completed data sets say together?"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats
from scipy.special import expit

from outcomes.estimates.arrays import numbers
from outcomes.estimates.estimate import Answer, Estimate, Fit, FloatArray, NotEstimable

METHOD = "multiple imputation, Rubin's rules with Barnard–Rubin degrees of freedom"
_LARGEST = 700.0  # e to this power is beyond any number that means something


@dataclass(frozen=True, slots=True)
class Pooled:
    """An estimate pooled over completed data sets, and how much of its variance is due to what was missing.

    Attributes
    ----------
    answer : Estimate or NotEstimable
    within, between, total : float
        Mean variance within data sets, variance between them, and ``within + (1 + 1/m) between``.
    missing_share : float
        λ, share of the total variance due to missing data.
    relative_increase : float
        ``(1 + 1/m) between / within``.
    missing_information : float
        Fraction of missing information, ``(r + 2/(df + 3)) / (r + 1)``.
    degrees_of_freedom : float
    """

    answer: Answer
    within: float
    between: float
    total: float
    missing_share: float
    relative_increase: float
    missing_information: float
    degrees_of_freedom: float


def rubin(
    estimates: Sequence[float],
    variances: Sequence[float],
    *,
    complete_df: float = math.inf,
    n: int = 0,
    patients: int | None = None,
    events: int | None = None,
    term: str = "",
    unit: str = "",
    level: float = 0.95,
    exponentiate: bool = False,
) -> Pooled:
    """What do the completed data sets say together about one number?

    ``T = Ū + (1 + 1/m) B``; t reference with Barnard and Rubin's degrees of freedom, which never exceed those
    of the complete data.

    Parameters
    ----------
    estimates, variances : sequence of float, length m
        One of each for every completed data set; at least two.
    complete_df : float
        Degrees of freedom if nothing had been missing; infinite for large samples.
    exponentiate : bool
        Estimates are logarithms of a ratio: pool them as they are, report the ratio.
    n : int
    patients, events : int or None
        Carried along.
    term, unit : str
    level : float

    Returns
    -------
    Pooled

    Raises
    ------
    ValueError
        With fewer than two data sets, or a variance that is not above 0.

    References
    ----------
    Rubin DB (1987) Multiple Imputation for Nonresponse in Surveys, Wiley, chapter 3.
    Barnard J, Rubin DB (1999) Biometrika 86:948-955, doi:10.1093/biomet/86.4.948.

    Examples
    --------
    >>> pooled = rubin([2.1, 1.85, 2.4, 1.95, 2.2], [0.16, 0.18, 0.15, 0.17, 0.16], complete_df=98)
    >>> round(pooled.answer.value, 3), round(pooled.degrees_of_freedom, 2)
    (2.1, 33.43)
    """
    q, u = numbers("estimates", np.asarray(estimates)), numbers("variances", np.asarray(variances))
    m = len(q)
    if m != len(u) or m < 2:
        raise ValueError("at least two completed data sets are needed, each with an estimate and its variance")
    if np.any(u <= 0):
        raise ValueError("a variance is above 0")
    value, within, between = float(q.mean()), float(u.mean()), float(q.var(ddof=1))
    inflated = (1 + 1 / m) * between
    total = within + inflated
    share, increase = inflated / total, inflated / within
    df = _degrees_of_freedom(m, share, complete_df)
    error = math.sqrt(total)
    reach = float(stats.t.isf((1 - level) / 2, df)) * error
    scale = math.exp if exponentiate else float
    answer: Answer
    if exponentiate and abs(value) + reach > 700:
        answer = NotEstimable(
            term, "the data do not bound it", n=n, patients=patients, events=events, method=METHOD, unit=unit
        )
    else:
        answer = Estimate(
            term=term,
            value=scale(value),
            low=scale(value - reach),
            high=scale(value + reach),
            level=level,
            unit=unit,
            method=f"{METHOD}, {m} data sets",
            n=n,
            patients=patients,
            events=events,
            p_value=max(float(2 * stats.t.sf(abs(value) / error, df)), float(np.finfo(float).tiny)),
        )
    return Pooled(
        answer=answer,
        within=within,
        between=between,
        total=total,
        missing_share=share,
        relative_increase=increase,
        missing_information=(increase + 2 / (df + 3)) / (increase + 1),
        degrees_of_freedom=df,
    )


def _degrees_of_freedom(m: int, share: float, complete_df: float) -> float:
    old = math.inf if share < 1e-12 else (m - 1) / share**2
    if math.isinf(complete_df):
        return old
    observed = (complete_df + 1) / (complete_df + 3) * complete_df * (1 - share)
    return observed if math.isinf(old) else old * observed / (old + observed)


def pooled_answers(
    answers: Sequence[Answer], *, degrees_of_freedom: Sequence[float] | None = None, complete_df: float = math.inf
) -> Answer:
    """What do the completed data sets say together about one number, each with an interval of its own?

    Rubin's rules for each limit: ``Q̄ ± t √(U + (1 + 1/m) B)`` with U the mean over data sets of ((limit − Q)/q)², q being
    the quantile that the data set's own interval rests on, so lopsided (profile) intervals stay lopsided and Wald
    intervals are pooled exactly as by `rubin`. Ratios are pooled as logarithms and proportions as logits. p is that of
    the limit on the side of no difference, and is there only where the answers carry one.

    Parameters
    ----------
    answers : sequence of Estimate or NotEstimable, length m
        The same number from each completed data set, on the same records.
    degrees_of_freedom : sequence of float, length m, or None
        Of the t reference of each interval; None for a normal or a profile reference.
    complete_df : float
        Degrees of freedom if nothing had been missing.

    Returns
    -------
    Estimate or NotEstimable
        NotEstimable where one of the answers is. A limit that one data set does not set is open. Events are carried
        where the data sets agree on them.

    Raises
    ------
    ValueError
        With fewer than two answers, or answers about different numbers or records.

    References
    ----------
    Rubin DB (1987) Multiple Imputation for Nonresponse in Surveys, Wiley, chapter 3.
    Barnard J, Rubin DB (1999) Biometrika 86:948-955, doi:10.1093/biomet/86.4.948.

    Examples
    --------
    >>> three = [Estimate("density", v, v / 2, 2 * v, "Firth", 200, unit="odds ratio") for v in (1.2, 1.3, 1.5)]
    >>> pooled = pooled_answers(three, complete_df=90)
    >>> round(pooled.value, 3), round(pooled.low, 3), round(pooled.high, 3)
    (1.328, 0.623, 2.831)
    """
    if len(answers) < 2:
        raise ValueError("at least two completed data sets are needed, each with an answer")
    if len({(a.term, a.unit, a.n, a.patients) for a in answers}) > 1:
        raise ValueError("answers of completed data sets are about the same number on the same records")
    method = f"{answers[0].method}; {METHOD}, {len(answers)} data sets"
    refused = [answer for answer in answers if isinstance(answer, NotEstimable)]
    if refused:
        known = refused[0]
        where = "" if len(refused) == len(answers) else f" in {len(refused)} of {len(answers)} completed data sets"
        return replace(known, reason=f"{known.reason}{where}", method=method)
    found = [answer for answer in answers if isinstance(answer, Estimate)]
    if len({answer.level for answer in found}) > 1:
        raise ValueError("answers of completed data sets have one confidence level")
    first = found[0]
    forth, back, null = _scale(first.unit)
    try:
        values = np.array([forth(answer.value) for answer in found])
        sides = [_side(found, values, forth, high, degrees_of_freedom, complete_df) for high in (False, True)]
    except ValueError:  # a proportion or ratio at the end of its scale
        return NotEstimable(
            first.term, "it lies at the end of its scale in a completed data set", first.n, first.patients,
            first.events, method, first.unit,
        )  # fmt: skip
    value = float(values.mean())
    tail = (1 - first.level) / 2
    ends = [
        None if side is None else value + sign * float(stats.t.isf(tail, side[1])) * side[0]
        for sign, side in zip((-1, 1), sides, strict=True)
    ]
    low, high = (None if end is None or (back is not float and abs(end) > _LARGEST) else back(end) for end in ends)
    if (
        (low is None and high is None)
        or (back is not float and abs(value) > _LARGEST)
        or (low is not None and low == high)
    ):
        return NotEstimable(
            first.term, "the data do not bound it", first.n, first.patients, first.events, method, first.unit
        )
    p_value = None
    facing = sides[0] if value > null else sides[1]
    if facing is not None and all(answer.p_value is not None for answer in found):
        p_value = max(float(2 * stats.t.sf(abs(value - null) / facing[0], facing[1])), float(np.finfo(float).tiny))
    events = first.events if len({answer.events for answer in found}) == 1 else None
    return replace(first, value=back(value), low=low, high=high, method=method, events=events, p_value=p_value)


def _side(
    found: Sequence[Estimate],
    values: FloatArray,
    forth: Callable[[float], float],
    high: bool,
    degrees_of_freedom: Sequence[float] | None,
    complete_df: float,
) -> tuple[float, float] | None:
    """Standard error and degrees of freedom towards one limit, None where a data set leaves it open."""
    limits = [answer.high if high else answer.low for answer in found]
    own_df = np.full(len(found), math.inf) if degrees_of_freedom is None else np.asarray(degrees_of_freedom, float)
    quantiles = stats.t.isf((1 - found[0].level) / 2, own_df)
    known = [forth(limit) for limit in limits if limit is not None]
    if len(known) < len(limits):
        return None
    m = len(found)
    within = float((((np.array(known) - values) / quantiles) ** 2).mean())
    inflated = (1 + 1 / m) * float(values.var(ddof=1))
    total = within + inflated
    return math.sqrt(total), _degrees_of_freedom(m, inflated / total, complete_df)


def _scale(unit: str) -> tuple[Callable[[float], float], Callable[[float], float], float]:
    """The scale that an answer is pooled on, the way back, and where "no difference" lies on it."""
    if unit.endswith("ratio") or unit == "observed/expected":
        return math.log, math.exp, 0.0
    if unit == "proportion":
        return lambda p: math.log(p) - math.log(1 - p), lambda x: float(expit(x)), 0.0
    return float, float, 0.0


def _places(fits: Sequence[Fit]) -> list[int | None]:
    """Which coefficient each term reports, None where that cannot be told or does not matter."""
    coefficients = np.array([fit.coefficients for fit in fits])
    found: list[int | None] = []
    for terms in zip(*(fit.terms for fit in fits), strict=True):
        known = [term for term in terms if isinstance(term, Estimate)]
        alike: list[int] = []
        if len(known) == len(fits):
            values = np.array([_scale(term.unit)[0](term.value) for term in known])
            gap = np.abs(coefficients - values[:, None]).max(axis=0)
            alike = np.flatnonzero(gap <= 1e-8 * max(1.0, float(np.abs(values).max()))).tolist()
        found.append(alike[0] if len(alike) == 1 else None)
    return found


def pooled_fits(fits: Sequence[Fit | NotEstimable]) -> Fit | NotEstimable:
    """What does a model say that was fitted to each completed data set?

    Each term is pooled by `pooled_answers`. Coefficients are averaged; their covariance is
    ``Ū + (1 + 1/m) B`` with B the covariance of the coefficients between data sets. Complete-data degrees of freedom
    are the mean of the fits' own, else patients (without them, records) less coefficients.

    Parameters
    ----------
    fits : sequence of Fit or NotEstimable, length m
        The same model on the same records, one for each completed data set.

    Returns
    -------
    Fit or NotEstimable
        NotEstimable where one of the fits is. ``details``: ``missing_information``, the fraction of missing information of
        each coefficient, ndarray of shape (p,); ``within`` and ``between``, covariances of shape (p, p);
        ``standard_error``; ``data_sets``, m. Records, patients and events are those of every data set.

    Raises
    ------
    ValueError
        With fewer than two fits, or fits of different models or records.

    References
    ----------
    Rubin DB (1987) Multiple Imputation for Nonresponse in Surveys, Wiley, chapter 3.
    Barnard J, Rubin DB (1999) Biometrika 86:948-955, doi:10.1093/biomet/86.4.948.

    Examples
    --------
    >>> one = Fit("m", (), ("intercept", "x"), np.array([0.0, 1.0]), np.eye(2) * 0.10, n=60)
    >>> two = Fit("m", (), ("intercept", "x"), np.array([0.2, 1.4]), np.eye(2) * 0.12, n=60)
    >>> pooled = pooled_fits([one, two])
    >>> np.diag(pooled.covariance).round(3).tolist()
    [0.14, 0.23]
    """
    if len(fits) < 2:
        raise ValueError("at least two completed data sets are needed, each with a fit")
    refused = [fit for fit in fits if isinstance(fit, NotEstimable)]
    found = [fit for fit in fits if isinstance(fit, Fit)]
    if refused:
        where = "" if not found else f" in {len(refused)} of {len(fits)} completed data sets"
        return replace(refused[0], reason=f"{refused[0].reason}{where}")
    if len({(f.names, f.n, f.patients, f.events, tuple(t.term for t in f.terms)) for f in found}) > 1:
        raise ValueError("fits of completed data sets are of the same model on the same records")
    first, m = found[0], len(found)
    coefficients = np.array([fit.coefficients for fit in found])
    within = np.mean([fit.covariance for fit in found], axis=0)
    between = np.atleast_2d(np.cov(coefficients, rowvar=False))
    total = within + (1 + 1 / m) * between
    default = float((first.patients or first.n) - len(first.names))
    own = [fit.degrees_of_freedom for fit in found if fit.degrees_of_freedom is not None]
    complete = np.mean(own, axis=0) if len(own) == m else np.full(len(first.names), max(default, 1.0))
    share = (1 + 1 / m) * np.diag(between) / np.maximum(np.diag(total), np.finfo(float).tiny)
    degrees = np.array([_degrees_of_freedom(m, s, c) for s, c in zip(share, complete, strict=True)])
    increase = share / np.maximum(1 - share, np.finfo(float).tiny)
    terms = tuple(
        pooled_answers(
            [fit.terms[i] for fit in found],
            degrees_of_freedom=None if len(own) < m or j is None else [float(df[j]) for df in own],
            complete_df=float(complete.min() if j is None else complete[j]),
        )
        for i, j in enumerate(_places(found))
    )
    return Fit(
        method=f"{first.method}; {METHOD}, {m} data sets",
        terms=terms,
        names=first.names,
        coefficients=coefficients.mean(axis=0),
        covariance=total,
        n=first.n,
        patients=first.patients,
        events=first.events,
        degrees_of_freedom=degrees,
        details={
            "missing_information": (increase + 2 / (degrees + 3)) / (increase + 1),
            "within": within,
            "between": between,
            "standard_error": np.sqrt(np.diag(total)),
            "data_sets": m,
        },
    )
