"""Where in a file does a table stand? Which sheet and which row of headers, where the first look finds none."""

from __future__ import annotations

from itertools import product
from pathlib import Path

from outcomes.records.contract import TABLES, Table
from outcomes.records.guesses import guess_columns
from outcomes.records.headers import fold
from outcomes.records.readers import RawTable, TableReading, read_table
from outcomes.records.readers.xlsx import sheet_names

FEWEST_HEADERS = 3
"""Headers that look like ours from which a row is taken for the row of headers."""
LAST_HEADER_ROW = 8
MOST_SHEETS = 12
LARGEST_SEARCHED_BYTES = 20_000_000


def find_table(path: Path, table: Table) -> tuple[RawTable, TableReading]:
    """Read a table from where its headers stand, and say where that is.

    Parameters
    ----------
    path : Path
    table : str

    Returns
    -------
    raw : RawTable
        As read from the sheet of the table's name and row 1 where that holds headers like ours, or where no other
        place does.
    place : TableReading
        ``sheet`` and ``header_row`` that have to be declared; the defaults where none has.
    """
    first = TableReading()
    best = (_likeness(raw := read_table(path, table)), raw, first)
    if best[0] >= FEWEST_HEADERS or not path.is_file() or path.stat().st_size > LARGEST_SEARCHED_BYTES:
        return raw, first
    others: list[str] = []
    if any(problem.kind == "sheet_absent" for problem in raw.problems):
        others = [name for name in sheet_names(path.read_bytes()) if fold(name) not in TABLES][:MOST_SHEETS]
    for sheet, row in product([None, *others], range(1, LAST_HEADER_ROW + 1)):
        place = TableReading(header_row=row, sheet=sheet)
        found = read_table(path, table, place)
        if _likeness(found) > max(best[0], FEWEST_HEADERS - 1):
            best = (_likeness(found), found, place)
    return best[1], best[2]


def _likeness(raw: RawTable) -> int:
    return 0 if raw.fatal else len(guess_columns(raw.table, list(raw.frame.columns)))
