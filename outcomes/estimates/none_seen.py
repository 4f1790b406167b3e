"""Nothing was seen: how high may the risk be all the same?"""

from __future__ import annotations

import math

from outcomes.estimates.binomial import check_counts
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.proportion import UNIT


def upper_bound_if_none(
    n: int, *, term: str = "", level: float = 0.95, sides: int = 2, patients: int | None = None
) -> Answer:
    """Up to which risk is "none in n" compatible?

    One-sided ``1 − (1 − level)^(1/n)``, near ``3/n`` at 95 % (the rule of three); two-sided
    ``1 − ((1 − level)/2)^(1/n)``. Where records share patients give the patients as n.

    Parameters
    ----------
    n : int
        Independent records without an event.
    term : str
    level : float
    sides : {2, 1}
    patients : int or None
        Carried along.

    Returns
    -------
    Estimate or NotEstimable
        NotEstimable("no cases") for n = 0.

    Raises
    ------
    ValueError
        If sides are neither 1 nor 2, n is negative, or the level does not lie between 0 and 1.

    References
    ----------
    Hanley JA, Lippman-Hand A (1983) JAMA 249:1743-1745, doi:10.1001/jama.1983.03330370053031.

    Examples
    --------
    >>> round(upper_bound_if_none(30, sides=1).high, 3), round(upper_bound_if_none(30).high, 3)
    (0.095, 0.116)
    """
    if sides not in (1, 2):
        raise ValueError("an interval has one side or two")
    words = f"exact binomial upper bound, {'one' if sides == 1 else 'two'}-sided"
    if n == 0:
        return NotEstimable(term, "no cases", n=0, patients=patients, events=0, method=words, unit=UNIT)
    check_counts(0, n, level)
    bound = -math.expm1(math.log((1 - level) / sides) / n)
    return Estimate(
        term=term,
        value=0.0,
        low=0.0,
        high=bound,
        level=level,
        unit=UNIT,
        method=words,
        n=n,
        patients=patients,
        events=0,
    )


def cases_to_exclude(risk: float, *, level: float = 0.95) -> int:
    """How many cases without any event exclude a risk this high (one-sided)?

    The smallest n with ``(1 − risk)^n ≤ 1 − level``.

    Parameters
    ----------
    risk : float
        Between 0 and 1.
    level : float

    Returns
    -------
    int

    Raises
    ------
    ValueError
        If risk or level does not lie between 0 and 1.

    References
    ----------
    Hanley JA, Lippman-Hand A (1983) JAMA 249:1743-1745, doi:10.1001/jama.1983.03330370053031.

    Examples
    --------
    >>> cases_to_exclude(0.01)
    299
    """
    if not 0 < risk < 1 or not 0 < level < 1:
        raise ValueError("risk and level must lie between 0 and 1")
    return max(1, math.ceil(math.log(1 - level) / math.log1p(-risk) - 1e-9))
