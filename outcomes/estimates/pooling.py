"""What do several completed data sets say together?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from outcomes.estimates.arrays import numbers
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable

METHOD = "multiple imputation, Rubin's rules with Barnard–Rubin degrees of freedom"


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
