"""Counts, shares, ratios, limits and estimates as text.

Rounding shows what the interval can bear and no more; small counts are worded, never rounded to nothing.
Thousands are parted by a comma and a minus is a true minus sign; typesetting turns the space before % into a
no-break space.
"""

from __future__ import annotations

import math

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable

MINUS = "−"

NUMBER_WORDS = (
    "none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip


def _signed(text: str) -> str:
    return text.replace("-", MINUS)


def count(n: int) -> str:
    """How many, in digits: ``6012`` is set as 6,012.

    Examples
    --------
    >>> count(6012)
    '6,012'
    """
    return _signed(f"{n:,d}")


def count_or_dash(n: int | None) -> str:
    """How many, or a dash for a number that is held back.

    Examples
    --------
    >>> count_or_dash(6012), count_or_dash(None)
    ('6,012', '–')
    """
    return "–" if n is None else count(n)


def number_word(n: int) -> str:
    """A small count as a word, a larger one in digits; for the beginning of a sentence or running text."""
    return NUMBER_WORDS[n] if 0 <= n < len(NUMBER_WORDS) else count(n)


def plural(n: int, noun: str, nouns: str = "") -> str:
    """A count with its noun in the right number.

    Examples
    --------
    >>> plural(1, "zone"), plural(1200, "patient")
    ('1 zone', '1,200 patients')
    """
    word = noun if n == 1 else (nouns or noun + "s")
    return f"{count(n)} {word}"


def of_total(events: int, n: int) -> str:
    """A count of a total: "12 of 530"."""
    return f"{count(events)} of {count(n)}"


def decimal(value: float, places: int) -> str:
    """A number with a fixed count of decimals; a true minus, never minus zero.

    Examples
    --------
    >>> decimal(-0.04, 1), decimal(-1.26, 1)
    ('0.0', '−1.3')
    """
    text = f"{value:,.{places}f}"
    if float(text.replace(",", "")) == 0:
        text = text.lstrip("-")
    return _signed(text)


def percent(share: float, *, sign: bool = True) -> str:
    """A proportion in per cent: one decimal, two below 1 % when one would hide it.

    Nothing above zero is ever printed as 0, nothing below one as 100.

    Examples
    --------
    >>> percent(0.0712), percent(0.0042), percent(0.00002), percent(0.99996), percent(0.0)
    ('7.1 %', '0.42 %', 'under 0.01 %', 'over 99.9 %', '0 %')
    """
    value = 100 * share
    tail = " %" if sign else ""
    if value == 0 or value == 100:
        return f"{value:.0f}{tail}"
    if 0 < value < 0.01:
        return f"under 0.01{tail}"
    if 99.95 <= value < 100:
        return f"over 99.9{tail}"
    return decimal(value, 2 if abs(value) < 0.995 else 1) + tail


def ratio(value: float) -> str:
    """An odds, risk or time ratio: two decimals under 10, one under 100, none beyond.

    Examples
    --------
    >>> ratio(1.304), ratio(0.7), ratio(17.31), ratio(2432.2), ratio(0.0012)
    ('1.30', '0.70', '17.3', '2,432', '0.0012')
    """
    size = abs(value)
    if 0 < size < 0.01:
        return _signed(f"{value:.2g}") if size >= 1e-4 else "under 0.0001"
    return decimal(value, 2 if size < 9.995 else 1 if size < 99.95 else 0)


def days(value: float) -> str:
    """A number of days, one decimal.

    Examples
    --------
    >>> days(6.04)
    '6.0'
    """
    return decimal(value, 1)


def quantity(value: float, unit: str = "") -> str:
    """A setting or dose with up to three figures that carry meaning, and its unit.

    Examples
    --------
    >>> quantity(12.0, "mJ"), quantity(0.5, "W"), quantity(163.98, "J/cm²")
    ('12 mJ', '0.5 W', '164 J/cm²')
    """
    if value == 0:
        text = "0"
    else:
        places = max(0, 2 - math.floor(math.log10(abs(value))))
        text = f"{round(value, places):,.{places}f}"
        if "." in text:
            text = text.rstrip("0").rstrip(".")
    return _signed(text) + (f" {unit}" if unit else "")


def p_value(p: float) -> str:
    """A p value: never zero, never "significant".

    Examples
    --------
    >>> p_value(0.0421), p_value(0.31), p_value(1e-9)
    ('0.042', '0.31', 'under 0.001')
    """
    if p < 0.001:
        return "under 0.001"
    return decimal(p, 3 if p < 0.0995 else 2)


def points(difference: float) -> str:
    """A difference of proportions in percentage points.

    Examples
    --------
    >>> points(-0.0131), points(-0.0003), points(0.0)
    ('−1.3', '−0.03', '0.0')
    """
    value = 100 * difference
    # two decimals where one would hide on which side of zero it lies
    return decimal(value, 2 if 0.005 <= abs(value) < 0.05 else 1)


# decimals of differences of settings: a tenth of what a device can be set to
_PLACES = {"mJ": 1, "%": 1, "passes": 2, "log odds": 2, "score": 1, "difference in score": 1}


def value_text(value: float, unit: str) -> str:
    """One number in the words of its unit."""
    if unit == "proportion":
        return percent(value, sign=False)
    if unit == "difference in proportion":
        return points(value)
    if unit.endswith("ratio") or unit == "observed/expected":
        return ratio(value)
    if unit == "days":
        return days(value)
    if unit in _PLACES:
        return decimal(value, _PLACES[unit])
    return quantity(value)


def _unit_tail(unit: str) -> str:
    return {"proportion": " %", "difference in proportion": " points", "days": " days"}.get(unit, "")


def interval(estimate: Estimate) -> str:
    """The limits of an estimate, without unit: "1.8 to 5.2"; an open side is said in words.

    Examples
    --------
    >>> interval(Estimate("a", value=0.05, low=0.02, high=0.081, method="m", n=9, unit="proportion"))
    '2.0 to 8.1'
    """
    if estimate.low is None and estimate.high is not None:
        return f"up to {value_text(estimate.high, estimate.unit)}, no lower limit"
    if estimate.low is None:
        raise ValueError("an estimate has at least one limit")
    if estimate.high is None:
        return f"{value_text(estimate.low, estimate.unit)} to no upper limit"
    return f"{value_text(estimate.low, estimate.unit)} to {value_text(estimate.high, estimate.unit)}"


def level_percent(level: float) -> str:
    """A confidence level as it is spoken: "95 %", "99.8 %"."""
    return f"{100 * level:g} %"


def level_text(level: float) -> str:
    """The name of an interval: "95 % CI"."""
    return f"{level_percent(level)} CI"


def estimate_text(answer: Answer) -> str:
    """An answer within a sentence: number, unit, interval; or "cannot say" with its reason.

    Examples
    --------
    >>> estimate_text(Estimate("a", value=0.05, low=0.02, high=0.081, method="m", n=9, unit="proportion"))
    '5.0 % (95 % CI 2.0 to 8.1)'
    >>> estimate_text(NotEstimable(term="a", reason="no cases", n=0))
    'cannot say (no cases)'
    """
    if isinstance(answer, NotEstimable):
        return f"cannot say ({answer.reason})"
    head = value_text(answer.value, answer.unit) + _unit_tail(answer.unit)
    return f"{head} ({level_text(answer.level)} {interval(answer)})"


def cell_text(answer: Answer, otherwise: str = "cannot say") -> str:
    """An answer for the cell of a table whose heading has the unit: number and limits, or what stands for "cannot say".

    Examples
    --------
    >>> cell_text(Estimate("a", value=0.05, low=0.02, high=0.081, method="m", n=9, unit="proportion"))
    '5.0 (2.0 to 8.1)'
    >>> cell_text(NotEstimable(term="a", reason="no cases", n=0))
    'cannot say'
    """
    if isinstance(answer, NotEstimable):
        return otherwise
    return f"{value_text(answer.value, answer.unit)} ({interval(answer)})"


def plain_estimate(answer: Answer) -> str:
    """An answer for use inside brackets, its interval after a comma.

    Examples
    --------
    >>> plain_estimate(Estimate("a", value=1.5, low=1.2, high=1.9, method="m", n=9, unit="odds ratio"))
    '1.50, 95 % CI 1.20 to 1.90'
    """
    text = estimate_text(answer)
    return text if isinstance(answer, NotEstimable) else text.replace(" (", ", ", 1).removesuffix(")")
