"""Cells to calendar days: declared, or decided from evidence in the column; never guessed, never swapped silently."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from outcomes.records.convert.cells import Converted, Fault, distinct, spread
from outcomes.records.convert.moments import Moment, clock_of, take_apart
from outcomes.records.convert.swapped import FEWEST_CELLS_FOR_A_PATTERN, Seen, half_swapped

FIRST_YEAR, LAST_YEAR = 1900, 2100

_DECLARE = 'Declare it in the mapping, as date_format = "dd/mm/yyyy" or date_format = "mm/dd/yyyy".'
NOT_A_DATE = Fault(
    "not_a_date",
    "must be a date",
    "Correct the cell; a date exported as a bare number has to be exported as a date.",
)
NOT_A_TIME = Fault("not_a_time", "must be a time of day, such as 14:30", "Correct the cell in the export.")
NO_SUCH_DAY = Fault("not_a_date", "must be a day that the calendar has", "Correct the date in the record system.")
OTHER_FORMAT = Fault(
    "date_format", "must be written in the date format that was declared", "Correct the cell in the export."
)
TWO_DIGIT_YEAR = Fault("two_digit_year", "must have a year of four digits", "Export dates with four-digit years.")
NO_ZONE = Fault(
    "time_zone",
    "holds instants with a time zone, so the calendar day depends on where the clinic is",
    'Declare the clinic\'s time zone in the mapping, such as time_zone = "Europe/Paris".',
)
NOT_SWAPPED = Fault(
    "date_cells",
    "cannot have been swapped, as its day is above 12",
    'Check date_cells = "swapped" in the mapping against this row.',
)

_HALF_OF_DAY = re.compile(r"[ap]\.?m\.?$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class DateFormat:
    """Order of day, month and year (``dmy``, ``mdy``, ``ymd``, ``ydm``), and whether they stand without separators."""

    order: str
    compact: bool = False

    @property
    def words(self) -> str:
        """The format as a reader would write it."""
        parts = {"d": "dd", "m": "mm", "y": "yyyy"}
        return ("" if self.compact else "-" if self.order[0] == "y" else "/").join(parts[p] for p in self.order)


def date_format(text: str) -> DateFormat:
    """Which order does a declared format mean?

    Parameters
    ----------
    text : str
        ``dd/mm/yyyy``, ``mm-dd-yyyy``, ``yyyy-mm-dd``, or the same with ``%d``, ``%m``, ``%Y``; separators and a
        time of day after it do not matter.

    Raises
    ------
    ValueError
        If it is not such a format, or its year has two digits.

    Examples
    --------
    >>> date_format("dd/mm/yyyy").order, date_format("%m/%d/%Y").order, date_format("yyyymmdd").compact
    ('dmy', 'mdy', True)
    """
    plain = text.strip()
    for code, letters in (("%d", "dd"), ("%m", "mm"), ("%b", "mmm"), ("%B", "mmm"), ("%Y", "yyyy"), ("%y", "yy")):
        plain = plain.replace(code, letters)
    plain = re.split(r"[T ,]*(?:%H|%I|[hH])", plain, maxsplit=1)[0].strip().lower()
    tokens = re.findall(r"d+|m+|y+", plain)
    once = sorted(token[0] for token in tokens) == ["d", "m", "y"]
    if not once or re.fullmatch(r"[dmy]+(?:[-/., ]+[dmy]+)*", plain) is None:
        raise ValueError("Write the order of day, month and year, such as dd/mm/yyyy.")
    if "yyyy" not in tokens:
        raise ValueError("Years need four digits: two-digit years are refused.")
    order = "".join(token[0] for token in tokens)
    if order not in ("dmy", "mdy", "ymd", "ydm"):
        raise ValueError("The order can be day, month, year; month, day, year; or year first.")
    return DateFormat(order, compact=re.search(r"[^dmy]", plain) is None)


@dataclass(frozen=True, slots=True)
class DateRules:
    """How a column of dates is read; None where nothing was declared.

    Attributes
    ----------
    declared : DateFormat or None
    zone : ZoneInfo or None
        The clinic's time zone, for cells that say how far they are from UTC.
    date_cells : str or None
        ``right`` or ``swapped``: what the clinic says of cells that a spreadsheet made dates of.
    """

    declared: DateFormat | None = None
    zone: ZoneInfo | None = None
    date_cells: str | None = None


def read_dates(cells: pd.Series, rules: DateRules, typed: Iterable[int] = ()) -> Converted:
    """Calendar days of a column, as ``YYYY-MM-DD``.

    ISO dates and dates with a month's name need nothing declared. Of other dates, one day above 12 settles the
    order of day and month for the column; none, or both orders, and the clinic has to declare it. Instants with a
    time zone become the clinic's calendar day first; then times of day are dropped. A column where a spreadsheet
    made dates of the cells it could read in its own order, and left as text those it could not, is refused with
    that pattern, until the clinic says whether those cells are right or swapped.

    Parameters
    ----------
    cells : Series
        Cleaned text.
    rules : DateRules
    typed : iterable of int
        Positions of cells that were dates by type.
    """
    is_typed = np.zeros(len(cells), dtype=bool)
    is_typed[list(typed)] = True
    which, texts = distinct(cells)
    moments = [take_apart(text) for text in texts]
    as_text = np.bincount(which[(which >= 0) & ~is_typed], minlength=len(texts)) if len(texts) else np.zeros(0, int)
    as_typed = np.bincount(which[(which >= 0) & is_typed], minlength=len(texts)) if len(texts) else np.zeros(0, int)
    fatal: list[Fault] = []
    order = _order(as_text, moments, rules.declared, fatal)
    if rules.zone is None and any(m is not None and m.offset is not None for m in moments):
        fatal.append(NO_ZONE)
    text_days = [_day(m, order, rules) for m in moments]
    typed_days = [_day(m, DateFormat("ymd"), rules) for m in moments]
    if not fatal and rules.date_cells is None:
        fatal.extend(_half_swapped(moments, text_days, typed_days, as_text, as_typed))
    if rules.date_cells == "swapped":
        typed_days = [_swap(day) if isinstance(day, date) else day for day in typed_days]
    result = spread(
        np.where(is_typed & (which >= 0), which + len(texts), which),
        [day.isoformat() if isinstance(day, date) else day for day in (*text_days, *typed_days)],
        cells.index,
    )
    result.fatal = fatal
    result.notes = [] if fatal else _notes(moments, order, rules)
    return result


def _order(
    times: np.ndarray,
    moments: Sequence[Moment | None],
    declared: DateFormat | None,
    fatal: list[Fault],
) -> DateFormat | None:
    """Order of the cells that have the year last: declared, or shown by the column."""
    pairs = zip(moments, times, strict=True)
    weighed = [(m, int(t)) for m, t in pairs if m is not None and m.form == "year_last" and t]
    short = sum(t for m, t in weighed if m.two_digit_year)
    total = sum(t for _, t in weighed)
    if total and short > total / 2:
        fatal.append(
            Fault("two_digit_year", f"has {short} of {total} dates with a year of two digits", TWO_DIGIT_YEAR.remedy)
        )
    full = [(m, t) for m, t in weighed if not m.two_digit_year]
    day_first = sum(t for m, t in full if m.numbers[0] > 12 >= m.numbers[1])
    month_first = sum(t for m, t in full if m.numbers[1] > 12 >= m.numbers[0])
    if declared is not None:
        against = {"dmy": month_first, "mdy": day_first}.get(declared.order, 0)
        if against >= FEWEST_CELLS_FOR_A_PATTERN and against >= 0.05 * total:
            fatal.append(
                Fault(
                    "date_order",
                    f"has {against} of {total} dates that only make sense in another order than declared, so the order "
                    "of the others is in doubt",
                    "Export the dates in one format, as text.",
                )
            )
        return declared
    if day_first and month_first:
        fatal.append(
            Fault(
                "date_order",
                f"has {day_first} date(s) that can only be day first and {month_first} only month first",
                f"Export the dates in one format, as text. Where few are of one sort: {_DECLARE}",
            )
        )
    elif not day_first and not month_first and any(m.numbers[0] != m.numbers[1] for m, _ in full):
        fatal.append(Fault("date_order", "has no date that shows whether the day or the month comes first", _DECLARE))
    if not full:
        return None
    return DateFormat("mdy" if month_first and not day_first else "dmy")


def _day(moment: Moment | None, order: DateFormat | None, rules: DateRules) -> date | Fault:
    if moment is None:
        return NOT_A_DATE
    if moment.two_digit_year:
        return TWO_DIGIT_YEAR
    declared = rules.declared if order is rules.declared else None
    wanted = "ymd"
    if moment.form == "year_last":
        if order is None or order.order not in ("dmy", "mdy"):
            return OTHER_FORMAT
        wanted = order.order
    elif moment.form == "year_first" and declared is not None and declared.order == "ydm":
        wanted = "ydm"
    numbers = moment.numbers
    if moment.form == "compact" and declared is not None and declared.compact and declared.order != "ymd":
        digits = f"{numbers[0]:04d}{numbers[1]:02d}{numbers[2]:02d}"
        wanted = declared.order
        cuts = (0, 2, 4, 8) if wanted in ("dmy", "mdy") else (0, 4, 6, 8)
        numbers = (int(digits[cuts[0] : cuts[1]]), int(digits[cuts[1] : cuts[2]]), int(digits[cuts[2] : cuts[3]]))
    part = dict(zip(wanted, numbers, strict=True))
    if not FIRST_YEAR <= part["y"] <= LAST_YEAR:
        return NO_SUCH_DAY
    try:
        day = date(part["y"], part["m"], part["d"])
    except ValueError:
        return NO_SUCH_DAY
    if moment.offset is not None and rules.zone is not None:
        hour, minute, second = moment.clock or (0, 0, 0)
        instant = datetime(day.year, day.month, day.day, hour, minute, second, tzinfo=timezone(moment.offset))
        day = instant.astimezone(rules.zone).date()
    return day


def _swap(day: date) -> date | Fault:
    return day.replace(month=day.day, day=day.month) if day.day <= 12 else NOT_SWAPPED


def _half_swapped(
    moments: Sequence[Moment | None],
    text_days: Sequence[date | Fault],
    typed_days: Sequence[date | Fault],
    as_text: np.ndarray,
    as_typed: np.ndarray,
) -> list[Fault]:
    seen = [
        Seen(day.day, typed, moment.form, moment.padded, moment.clock is not None, int(times))
        for typed, found, counts in ((False, text_days, as_text), (True, typed_days, as_typed))
        for moment, day, times in zip(moments, found, counts, strict=True)
        if times and moment is not None and isinstance(day, date)
    ]
    fault = half_swapped(seen)
    return [] if fault is None else [fault]


def _notes(moments: Sequence[Moment | None], order: DateFormat | None, rules: DateRules) -> list[str]:
    notes = []
    found = [moment for moment in moments if moment is not None]
    last = [moment for moment in found if moment.form == "year_last"]
    if last and order is not None:
        shown = "declared" if rules.declared else "as a day above 12 shows"
        if rules.declared or any(max(moment.numbers[:2]) > 12 for moment in last):
            notes.append(f"dates read as {order.words}, {shown}")
    for form, what in (("compact", "of eight digits"), ("named", "with the month's name")):
        if any(moment.form == form for moment in found):
            notes.append(f"dates {what} read")
    if any(moment.offset is not None for moment in found) and rules.zone is not None:
        notes.append(f"instants turned into calendar days of {rules.zone.key}")
    if any(moment.clock not in (None, (0, 0, 0)) for moment in found):
        notes.append("times of day dropped from dates")
    if rules.date_cells == "swapped":
        notes.append("day and month of date cells swapped back, as confirmed")
    return notes


def read_times(cells: pd.Series, rules: DateRules) -> Converted:
    """Times of day of a column, as ``HH:MM``; of a date with a time, the time in the clinic's zone."""
    which, texts = distinct(cells)
    moments = [take_apart(text) for text in texts]
    results = [_time(text, moment, rules) for text, moment in zip(texts, moments, strict=True)]
    result = spread(which, results, cells.index)
    if rules.zone is None and any(m is not None and m.offset is not None for m in moments):
        result.fatal.append(NO_ZONE)
    if any(m is not None for m in moments):
        result.notes.append("dates dropped from times of day")
    if rules.zone is not None and any(m is not None and m.offset is not None for m in moments):
        result.notes.append(f"instants turned into times of day of {rules.zone.key}")
    if any(_HALF_OF_DAY.search(text) for text in texts):
        result.notes.append("times with am or pm turned into 24 hours")
    return result


def _time(text: str, moment: Moment | None, rules: DateRules) -> str | Fault:
    clock = clock_of(text) if moment is None else moment.clock
    if clock is None:
        return NOT_A_TIME
    if moment is not None and moment.offset is not None and rules.zone is not None:
        day = _day(moment, rules.declared, DateRules())
        if isinstance(day, Fault):
            return day
        instant = datetime(day.year, day.month, day.day, *clock, tzinfo=timezone(moment.offset))
        clock = instant.astimezone(rules.zone).timetuple()[3:6]
    return f"{clock[0]:02d}:{clock[1]:02d}"
