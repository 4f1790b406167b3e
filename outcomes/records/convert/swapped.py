"""Dates of which a spreadsheet swapped day and month in one half and left the other half alone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from outcomes.records.convert.cells import Fault

FEWEST_CELLS_FOR_A_PATTERN = 3
"""Text cells of either sort from which a pattern is not put down to chance."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One distinct date as it was read: its day of the month, how the cell was written, how many cells hold it."""

    day: int
    typed: bool
    form: str
    padded: bool | None
    timed: bool
    times: int


def half_swapped(seen: Iterable[Seen]) -> Fault | None:
    """Does one sort of cell hold only days up to 12 and another only days above?

    A spreadsheet that reads dates in another order than they were written in turns those with a day up to 12 into
    dates, swapped, and leaves the rest as text. In a workbook the two sorts are date cells and text cells; once the
    sheet was saved as CSV they differ in their format, in leading zeros, or in a time of day.

    Examples
    --------
    >>> cells = [Seen(3, True, "year_first", True, False, 2), Seen(25, False, "year_last", True, False, 4)]
    >>> half_swapped(cells).kind
    'dates_half_swapped'
    >>> half_swapped([*cells, Seen(14, True, "year_first", True, False, 1)]) is None
    True
    """
    seen = tuple(seen)
    typed = [cell for cell in seen if cell.typed]
    text = [cell for cell in seen if not cell.typed]
    last = [cell for cell in text if cell.form == "year_last"]
    if _apart(typed, last, fewest=1):
        return Fault(
            "dates_half_swapped",
            f"has {_n(typed, 'date cell')} with a day up to 12 and none above, and {_n(last, 'text cell')} with a day "
            "above 12 and none up to it: a spreadsheet has swapped day and month in the first and left the second",
            'Export the dates again as text; or confirm date_cells = "swapped" (or "right") in the mapping.',
        )
    sorts = (
        ([cell for cell in text if cell.form == "year_first"], last),
        ([cell for cell in last if cell.padded is False], [cell for cell in last if cell.padded is True]),
        ([cell for cell in last if cell.padded is True], [cell for cell in last if cell.padded is False]),
        ([cell for cell in text if cell.timed], [cell for cell in text if not cell.timed]),
        ([cell for cell in text if not cell.timed], [cell for cell in text if cell.timed]),
    )
    if any(_apart(early, late, fewest=FEWEST_CELLS_FOR_A_PATTERN) for early, late in sorts):
        return Fault(
            "dates_half_swapped",
            "has dates written in one way that all have a day up to 12, and in another that all have a day above 12: "
            "a spreadsheet may have swapped day and month in the first kind",
            'Export the dates again from the record system; or confirm date_cells = "right" in the mapping.',
        )
    return None


def _count(cells: Sequence[Seen]) -> int:
    return sum(cell.times for cell in cells)


def _n(cells: Sequence[Seen], noun: str) -> str:
    count = _count(cells)
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def _apart(early: Sequence[Seen], late: Sequence[Seen], *, fewest: int) -> bool:
    if _count(early) < fewest or _count(late) < fewest:
        return False
    return max(cell.day for cell in early) <= 12 < min(cell.day for cell in late)
