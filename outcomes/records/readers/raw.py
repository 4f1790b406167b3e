"""`RawTable`: one table of an export, every cell as text, with what was found wrong on the way in."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from outcomes.records.contract import Table
from outcomes.records.problems import Problem


@dataclass(frozen=True, slots=True)
class TableReading:
    """How a file is written, as far as the mapping declares it; None is detected and said.

    Attributes
    ----------
    encoding : str or None
        Name of the text encoding of a CSV file.
    delimiter : str or None
        ``,`` ``;`` tab or ``|``.
    header_row : int
        Row that holds the headers, as a spreadsheet counts it.
    sheet : str or None
        Sheet of a workbook.
    date_columns : tuple of str
        Headers of columns that hold dates: number cells in them are a spreadsheet's day numbers.
    dropped : tuple of str
        Headers of columns that are left out of the frame: faults in them do not matter.
    """

    encoding: str | None = None
    delimiter: str | None = None
    header_row: int = 1
    sheet: str | None = None
    date_columns: tuple[str, ...] = ()
    dropped: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class RawTable:
    """One table as text.

    Attributes
    ----------
    table : str
        ``zones``, ``sessions``, ``layers`` or ``visits``.
    frame : DataFrame
        Cells as the file has them, dtype ``string``; a cell that is empty or holds only spaces is missing.
        Columns are the file's headers. Empty when a fatal problem was found.
    rows : list of int
        Row of each record as a spreadsheet shows it (the header is row 1, the first record row 2), in order.
    kind : str
        ``csv``, ``xlsx`` or ``parquet``.
    sha256 : str
        Digest of the file's bytes.
    reading : tuple of str
        What was declared or detected, each a clause without a value.
    problems : tuple of Problem
        What was found wrong; a fatal one leaves `frame` empty.
    typed_dates : dict of str to set of int
        Positions of cells that were dates by type (not text), by header; their text is ISO,
        ``YYYY-MM-DD[ HH:MM:SS[±HH:MM]]``.
    total_rows : frozenset of int
        Positions of rows whose first cell says that they are totals; whether they are is for the mapping to
        decide, which knows where the ids stand.
    """

    table: Table
    frame: pd.DataFrame
    rows: list[int]
    kind: str
    sha256: str
    reading: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
    typed_dates: dict[str, set[int]] = field(default_factory=dict)
    total_rows: frozenset[int] = frozenset()

    @property
    def fatal(self) -> bool:
        """Whether the file as a whole cannot be used."""
        return any(problem.fatal for problem in self.problems)
