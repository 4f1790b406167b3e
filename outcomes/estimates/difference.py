"""By how much do two estimates differ, and how many times as large is one as the other?"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import cast

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable

METHOD = "difference with limits recovered from the two intervals (MOVER; Newcombe's hybrid for proportions)"

RATIO_METHOD = "ratio with limits recovered from the two intervals on the logarithmic scale (MOVER)"


def difference(a: Answer, b: Answer, *, correlation: float = 0.0, term: str = "") -> Answer:
    """By how much does a exceed b?

    With d = a − b and ρ the correlation of the two estimates,
    ``low = d − √((a−l_a)² + (u_b−b)² − 2ρ(a−l_a)(u_b−b))`` and
    ``high = d + √((u_a−a)² + (b−l_b)² − 2ρ(u_a−a)(b−l_b))``. With two Wilson intervals and ρ = 0 it is
    Newcombe's method 10; it takes any two intervals, clustered ones too.

    Parameters
    ----------
    a, b : Estimate or NotEstimable
        Both on the same scale, unit and level.
    correlation : float
        Of the two estimates; above 0 where the same patients stand on both sides. Between −1 and 1, both
        excluded.

    Returns
    -------
    Estimate or NotEstimable
        NotEstimable where either side is, or has an open limit.

    Raises
    ------
    ValueError
        If units or levels differ, or the correlation is not between −1 and 1.

    References
    ----------
    Newcombe RG (1998) Stat Med 17:873-890, doi:10.1002/(SICI)1097-0258(19980430)17:8<873::AID-SIM779>3.0.CO;2-I.
    Zou GY, Donner A (2008) Stat Med 27:1693-1702, doi:10.1002/sim.3095.

    Examples
    --------
    >>> from outcomes.estimates.proportion import proportion
    >>> answer = difference(proportion(56, 70), proportion(48, 80))
    >>> [round(x, 4) for x in (answer.value, answer.low, answer.high)]
    [0.2, 0.0524, 0.3339]
    """
    if not -1 < correlation < 1:
        raise ValueError("a correlation of two estimates lies between −1 and 1, both excluded")
    unit = _unit(a, b)
    n = (a.n or 0) + (b.n or 0)
    events = None if a.events is None or b.events is None else a.events + b.events
    for side in (a, b):
        if isinstance(side, NotEstimable):
            reason = f"{side.term}: {side.reason}" if side.term else side.reason
            return NotEstimable(term, reason, n=n, events=events, method=METHOD, unit=unit)
    return _mover(cast(Estimate, a), cast(Estimate, b), correlation, term, unit, n, events)


def ratio(a: Answer, b: Answer, *, term: str = "", unit: str = "ratio") -> Answer:
    """How many times as large is a as b, when the two are independent?

    The method of `difference` on logarithms: with r = a/b,
    ``ln low = ln r − √(ln²(a/l_a) + ln²(u_b/b))`` and ``ln high = ln r + √(ln²(u_a/a) + ln²(b/l_b))``. A lower limit of 0
    stays 0. Where a is 0, ``high = u_a / l_b``, both errors in full.

    Parameters
    ----------
    a, b : Estimate or NotEstimable
        Both above 0, or a equal to 0, of the same level.
    term, unit : str

    Returns
    -------
    Estimate or NotEstimable
        NotEstimable where either side is, has an open limit, or b or its lower limit is not above 0.

    Raises
    ------
    ValueError
        If a is negative or the levels differ.

    References
    ----------
    Zou GY, Donner A (2008) Stat Med 27:1693-1702, doi:10.1002/sim.3095, applied to logarithms.

    Examples
    --------
    >>> from outcomes.estimates.proportion import proportion
    >>> answer = ratio(proportion(15, 100), proportion(30, 120))
    >>> [round(x, 3) for x in (answer.value, answer.low, answer.high)]
    [0.6, 0.343, 1.035]
    """
    n = (a.n or 0) + (b.n or 0)
    empty = NotEstimable(term, "one of the two intervals is open", n=n, events=a.events, method=RATIO_METHOD, unit=unit)
    for side in (a, b):
        if isinstance(side, NotEstimable):
            return replace(empty, reason=f"{side.term}: {side.reason}" if side.term else side.reason)
    first, second = cast(Estimate, a), cast(Estimate, b)
    if not math.isclose(first.level, second.level):
        raise ValueError("the two estimates have intervals of different levels")
    if first.value < 0:
        raise ValueError("a ratio is of what is not negative")
    if first.low is None or first.high is None or second.low is None or second.high is None:
        return empty
    if second.value <= 0 or second.low <= 0:
        return replace(empty, reason="what it is divided by may be nothing")
    value = first.value / second.value
    low, high = 0.0, first.high / second.low
    if first.value > 0:
        above = _reach(math.log(first.high / first.value), math.log(second.value / second.low), 0.0)
        high = value * math.exp(above)
    if first.low > 0:
        below = _reach(math.log(first.value / first.low), math.log(second.high / second.value), 0.0)
        low = value * math.exp(-below)
    return Estimate(
        term,
        value,
        low,
        high,
        RATIO_METHOD,
        n,
        level=first.level,
        unit=unit,
        patients=first.patients,
        events=first.events,
    )


def _mover(a: Estimate, b: Estimate, correlation: float, term: str, unit: str, n: int, events: int | None) -> Answer:
    if not math.isclose(a.level, b.level):
        raise ValueError("the two estimates have intervals of different levels")
    if a.low is None or a.high is None or b.low is None or b.high is None:
        return NotEstimable(term, "one of the two intervals is open", n=n, events=events, method=METHOD, unit=unit)
    value = a.value - b.value
    low = value - _reach(a.value - a.low, b.high - b.value, correlation)
    high = value + _reach(a.high - a.value, b.value - b.low, correlation)
    words = METHOD if correlation == 0 else f"{METHOD}, correlation {correlation:.2f}"
    return Estimate(
        term=term,
        value=value,
        low=low,
        high=high,
        level=a.level,
        unit=unit,
        method=words,
        n=n,
        events=events,
    )


def _reach(first: float, second: float, correlation: float) -> float:
    return math.sqrt(max(0.0, first**2 + second**2 - 2 * correlation * first * second))


def _unit(a: Answer, b: Answer) -> str:
    if a.unit and b.unit and a.unit != b.unit:
        raise ValueError("the two estimates are in different units")
    unit = a.unit or b.unit
    return f"difference in {unit}" if unit else "difference"
