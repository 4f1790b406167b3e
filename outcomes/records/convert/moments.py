"""One cell that holds a date, a time of day or both, taken apart; nothing is decided here."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import timedelta

_TIME = (
    r"(?:(?:T|,?\s+)(?P<hour>\d{1,2})[:.](?P<minute>\d{2})(?:[:.](?P<second>\d{2})(?:[.,]\d+)?)?"
    r"\s*(?P<half>[ap]\.?m\.?)?\s*(?P<zone>Z|UTC|GMT|[-+]\d{2}(?::?\d{2})?)?)?"
)
_YEAR_FIRST = re.compile(rf"(?P<a>\d{{4}})([-/.])(?P<b>\d{{1,2}})\2(?P<c>\d{{1,2}}){_TIME}", re.ASCII | re.I)
_YEAR_LAST = re.compile(
    rf"(?P<a>\d{{1,2}})(?P<separator>[-/.]|\s)(?P<b>\d{{1,2}})(?P=separator)(?P<c>\d{{4}}|\d{{2}}){_TIME}",
    re.ASCII | re.I,
)
_COMPACT = re.compile(r"\d{8}", re.ASCII)
_DAY_NAME = re.compile(
    rf"(?P<a>\d{{1,2}})(?:st|nd|rd|th)?[-/.\s]*(?P<name>[a-z]{{3,9}})\.?[-/.,\s]*(?P<c>\d{{4}}|\d{{2}}){_TIME}",
    re.ASCII | re.I,
)
_NAME_DAY = re.compile(
    rf"(?P<name>[a-z]{{3,9}})\.?[-/.\s]*(?P<a>\d{{1,2}})(?:st|nd|rd|th)?[-/,\s]+(?P<c>\d{{4}}|\d{{2}}){_TIME}",
    re.ASCII | re.I,
)
_CLOCK = re.compile(
    r"(?P<hour>\d{1,2})[:.h](?P<minute>\d{2})(?:[:.](?P<second>\d{2})(?:[.,]\d+)?)?\s*(?P<half>[ap]\.?m\.?)?",
    re.ASCII | re.I,
)
_NAMES = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november",
    "december",
)  # fmt: skip
MONTHS: dict[str, int] = {name[:3]: i for i, name in enumerate(_NAMES, start=1)}
MONTHS |= {name: i for i, name in enumerate(_NAMES, start=1)} | {"sept": 9}


@dataclass(frozen=True, slots=True)
class Moment:
    """A cell taken apart.

    Attributes
    ----------
    form : str
        ``year_first``, ``year_last``, ``compact`` (eight digits) or ``named`` (the month has its name).
    numbers : tuple of int
        The three numbers in the order they stand; for ``named`` year, month, day.
    two_digit_year : bool
        True when the year has two digits.
    padded : bool or None
        True when a single digit carries a leading zero, False when one stands alone, None when neither occurs.
    clock : tuple of int or None
        Hour, minute, second.
    offset : timedelta or None
        How far the clock is ahead of UTC, where the cell says so.
    """

    form: str
    numbers: tuple[int, int, int]
    two_digit_year: bool
    padded: bool | None
    clock: tuple[int, int, int] | None
    offset: timedelta | None


def take_apart(text: str) -> Moment | None:
    """What does a cell say that holds a date? None where it holds something else.

    Examples
    --------
    >>> take_apart("05/03/2024 14:30").numbers
    (5, 3, 2024)
    >>> take_apart("2024-03-29T23:00:00Z").offset
    datetime.timedelta(0)
    >>> take_apart("5 March 2024").numbers
    (2024, 3, 5)
    >>> take_apart("45356") is None
    True
    """
    text = text.strip()
    for form, pattern in (("year_first", _YEAR_FIRST), ("year_last", _YEAR_LAST)):
        if match := pattern.fullmatch(text):
            parts = (match["a"], match["b"], match["c"])
            return _moment(form, tuple(int(part) for part in parts), parts, match)
    if _COMPACT.fullmatch(text):
        return Moment("compact", (int(text[:4]), int(text[4:6]), int(text[6:])), False, None, None, None)
    for pattern in (_DAY_NAME, _NAME_DAY):
        match = pattern.fullmatch(text)
        if match and match["name"].lower() in MONTHS:
            month = MONTHS[match["name"].lower()]
            return _moment("named", (int(match["c"]), month, int(match["a"])), (match["a"], match["c"]), match)
    return None


def _moment(form: str, numbers: tuple[int, ...], parts: tuple[str, ...], match: re.Match[str]) -> Moment | None:
    clock = _clock(match)
    if match["hour"] is not None and clock is None:
        return None
    year = parts[0] if form == "year_first" else parts[-1]
    others = [part for part in parts if part is not year]
    padded = True if any(p.startswith("0") for p in others) else False if any(len(p) == 1 for p in others) else None
    first, second, third = numbers
    return Moment(form, (first, second, third), len(year) == 2, padded, clock, _offset(match["zone"]))


def _clock(match: re.Match[str]) -> tuple[int, int, int] | None:
    if match["hour"] is None:
        return None
    hour, minute, second = int(match["hour"]), int(match["minute"]), int(match["second"] or 0)
    if match["half"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if match["half"][0] in "pP" else 0)
    return (hour, minute, second) if hour < 24 and minute < 60 and second < 60 else None


def _offset(zone: str | None) -> timedelta | None:
    if zone is None:
        return None
    if zone.upper() in ("Z", "UTC", "GMT"):
        return timedelta(0)
    digits = zone[1:].replace(":", "").ljust(4, "0")
    ahead = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    return -ahead if zone[0] == "-" else ahead


def clock_of(text: str) -> tuple[int, int, int] | None:
    """Time of day that a cell holds alone; None where it holds something else.

    Examples
    --------
    >>> clock_of("9:05"), clock_of("02:30 pm"), clock_of("25:00")
    ((9, 5, 0), (14, 30, 0), None)
    """
    match = _CLOCK.fullmatch(text.strip())
    return None if match is None else _clock(match)
