"""Risks as natural frequencies: so many in 100 or 1,000, never rounded to nothing and never narrower than the interval."""

from __future__ import annotations

import math

from outcomes.estimates.estimate import Estimate
from outcomes.wording.numbers import count


def one_in(share: float) -> str:
    """An upper bound as a natural frequency that is not below it: at most "1 in 163" for 0.61 %.

    Raises
    ------
    ValueError
        If the share is not above zero.

    Examples
    --------
    >>> one_in(0.0061)
    '1 in 163'
    """
    if not share > 0:
        raise ValueError("a bound of zero is not a frequency")
    return f"1 in {count(math.floor(1 / share))}"


def frequency_base(share: float) -> int:
    """Of how many a share is best said: 100, or 1,000 below two in a hundred.

    Examples
    --------
    >>> frequency_base(0.07), frequency_base(0.004)
    (100, 1000)
    """
    return 100 if share >= 0.02 else 1000


def in_so_many(share: float, base: int) -> str:
    """A share as a natural frequency: never none for something above zero, never all for something below one.

    Examples
    --------
    >>> in_so_many(0.0712, 100), in_so_many(0.0002, 1000), in_so_many(0.998, 100)
    ('7 in 100', 'fewer than 1 in 1,000', 'more than 99 in 100')
    """
    # a ten-thousandth of a case is the error of the arithmetic, not of the share
    number = math.floor(share * base + 0.5 + 1e-4)
    if number == 0 and share > 0:
        return f"fewer than 1 in {count(base)}"
    if number >= base and share < 1:
        return f"more than {count(base - 1)} in {count(base)}"
    return f"{count(number)} in {count(base)}"


def between_so_many(low: float, high: float, base: int, *, bare: bool = False) -> str:
    """Limits as natural frequencies, rounded outward so that they never hold less than the interval does.

    A lower limit below one in the base is left unsaid: the words then give the upper limit alone, and no count of none.

    Examples
    --------
    >>> between_so_many(0.0512, 0.0931, 100), between_so_many(0.004, 0.021, 100)
    ('5 to 10 in 100', 'up to 3 in 100')
    >>> between_so_many(0.0512, 0.0931, 100, bare=True)
    '5 to 10'
    """
    least, most = math.floor(low * base + 1e-9), min(base, math.ceil(high * base - 1e-9))
    text = f"{count(least)} to {count(most)}" if least else f"up to {count(most)}"
    return text if bare else f"{text} in {count(base)}"


def frequency_text(estimate: Estimate, base: int | None = None) -> str:
    """A risk as it can be said to a patient, with what is compatible with the records.

    Examples
    --------
    >>> frequency_text(Estimate("a", value=0.0712, low=0.0512, high=0.0931, method="m", n=300, unit="proportion"))
    'about 7 in 100; from 5 to 10 in 100 are compatible'
    >>> frequency_text(Estimate("a", value=0.0, low=0.0, high=0.0221, method="m", n=300, unit="proportion", events=0))
    'none recorded; up to 3 in 100 are compatible'
    """
    if estimate.low is None or estimate.high is None:
        raise ValueError("a natural frequency needs both limits")
    if base is None:
        base = frequency_base(estimate.value or estimate.high)
    limits = between_so_many(estimate.low, estimate.high, base)
    limits = limits if limits.startswith("up to") else f"from {limits}"
    if estimate.value == 0:
        return f"none recorded; {limits} are compatible"
    words = in_so_many(estimate.value, base)
    return f"{words if words[0] in 'fm' else f'about {words}'}; {limits} are compatible"


def frequency_cell(estimate: Estimate, base: int | None = None) -> str:
    """The same for the cell of a table: "7 in 100 (5 to 10)".

    Examples
    --------
    >>> frequency_cell(Estimate("a", value=0.0712, low=0.0512, high=0.0931, method="m", n=300, unit="proportion"))
    '7 in 100 (5 to 10)'
    >>> frequency_cell(Estimate("a", value=0.0, low=0.0, high=0.0221, method="m", n=300, unit="proportion", events=0))
    'none recorded (up to 3 in 100)'
    """
    if estimate.low is None or estimate.high is None:
        raise ValueError("a natural frequency needs both limits")
    if base is None:
        base = frequency_base(estimate.value or estimate.high)
    if estimate.value == 0:
        return f"none recorded ({between_so_many(estimate.low, estimate.high, base)})"
    limits = between_so_many(estimate.low, estimate.high, base, bare=True)
    return f"{in_so_many(estimate.value, base)} ({limits})"
