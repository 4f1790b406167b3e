"""By how much do two estimates differ?"""

from __future__ import annotations

import math
from typing import cast

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable

METHOD = "difference with limits recovered from the two intervals (MOVER; Newcombe's hybrid for proportions)"


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
