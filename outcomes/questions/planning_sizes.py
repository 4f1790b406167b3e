"""How many more records would settle what is not shown, and by when at the clinic's volume?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import NormalDist

from outcomes.estimates.binomial import exact_limits
from outcomes.estimates.estimate import Estimate
from outcomes.estimates.needed import MOST, cases_for_verdict, more_to_settle

CHANCE = 0.8
HORIZON_DAYS = 1826  # five years
DAYS_A_MONTH = 365.25 / 12


@dataclass(frozen=True, slots=True)
class Needed:
    """What it would take, were the present estimate true.

    Attributes
    ----------
    n : int
        Records that there are.
    more : int or None
        More records until the interval, narrowed but not moved, leaves out the target or 1: about half of such audits
        would be settled then. None where none up to a million would do.
    more_likely : int or None
        More records for a chance of four in five.
    """

    n: int
    more: int | None
    more_likely: int | None


def implied_design_effect(answer: Estimate, target: float | None = None) -> float:
    """By what factor are the records of a share worth fewer than independent ones, judged by its interval?

    The number of independent records whose exact limits are as wide, over which the records are divided; at least 1. It
    holds what made the interval wide: zones of one patient, and weights for who was seen. With a target, the limit on
    its side is looked at alone: the other may be nearer or farther than exact ones.

    Examples
    --------
    >>> low, high = exact_limits(12.0, 60.0, 0.95)
    >>> round(implied_design_effect(Estimate("x", 0.2, low, high, "m", 120, unit="proportion")), 2)
    2.0
    """
    if answer.low is None or answer.high is None:
        return 1.0

    def reach(low: float, high: float) -> float:
        if target is None or target == answer.value:
            return high - low
        return high - answer.value if target > answer.value else answer.value - low

    def width(size: float) -> float:
        return reach(*exact_limits(answer.value * size, size, answer.level))

    wanted = reach(answer.low, answer.high)
    few, many = 1e-3, float(answer.n)
    if width(many) >= wanted:
        return 1.0
    for _ in range(80):
        middle = math.sqrt(few * many)
        few, many = (middle, many) if width(middle) > wanted else (few, middle)
    return max(1.0, answer.n / many)


def needed_for_share(answer: Estimate, target: float) -> Needed:
    """Records until a share is settled against a target, were it to stay as it is."""
    effect = implied_design_effect(answer, target)
    just = more_to_settle(answer, target, design_effect=effect)
    likely = None
    if answer.value != target:
        chosen = cases_for_verdict(answer.value, target, chance=CHANCE, level=answer.level, design_effect=effect)
        likely = None if chosen is None or chosen > MOST else max(0, chosen - answer.n)
    return Needed(answer.n, just.more, likely)


def needed_for_ratio(answer: Estimate) -> Needed:
    """Records until the interval of a ratio leaves out 1, were the ratio to stay as it is.

    Half-width on the log scale falls with the square root of the records: ``n' = n (z' s / |b|)²`` with b the log ratio, s
    its standard error by the interval, and z' the normal quantile at the level that the adjustment for multiplicity leaves
    (the ratio of the adjusted to the plain p). For a chance of four in five z' grows by 0.84.

    Examples
    --------
    >>> import math
    >>> limits = (math.exp(0.5 - 1.96 * 0.5), math.exp(0.5 + 1.96 * 0.5))
    >>> answer = Estimate("x", math.exp(0.5), *limits, "m", 100, unit="odds ratio")
    >>> needed_for_ratio(answer).more, needed_for_ratio(answer).more_likely
    (285, 685)
    """
    nothing = Needed(answer.n, None, None)
    if answer.low is None or answer.high is None or answer.low <= 0 or answer.value <= 0 or answer.value == 1:
        return nothing
    normal = NormalDist()
    tail = (1 - answer.level) / 2
    error = (math.log(answer.high) - math.log(answer.low)) / (2 * normal.inv_cdf(1 - tail))
    times = 1.0
    if answer.p_value is not None and answer.p_adjusted is not None:
        times = max(1.0, answer.p_adjusted / answer.p_value)
    quantile = normal.inv_cdf(1 - tail / times)

    def size(reach: float) -> int | None:
        n = answer.n * (reach * error / math.log(answer.value)) ** 2
        return None if n > MOST else max(0, math.ceil(n - 1e-9) - answer.n)

    return Needed(answer.n, size(quantile), size(quantile + normal.inv_cdf(CHANCE)))


def day_reached(more: int | None, a_month: float, start: date, due_days: int, as_of: date) -> date | None:
    """On which day could so many more records, treated from `start` on, be judged? None beyond five years.

    Parameters
    ----------
    a_month : float
        Records that a month brings.
    start : date
        Day after which treatments are new.
    due_days : int
        Days after treatment until a record has had its time.

    Examples
    --------
    >>> day_reached(120, 20.0, date(2026, 9, 30), 30, date(2026, 10, 14))
    datetime.date(2027, 5, 1)
    """
    if more is None or a_month <= 0:
        return None
    days = more / a_month * DAYS_A_MONTH + due_days
    if days > HORIZON_DAYS + (as_of - start).days:
        return None
    return max(start + timedelta(days=math.ceil(days)), as_of)
