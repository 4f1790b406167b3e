"""What a mapping says, and what a table is once it has been applied."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from outcomes.records.contract import CONTRACT, Column, Table
from outcomes.records.convert.units import AS_DATE
from outcomes.records.problems import Problem
from outcomes.records.readers.raw import TableReading


@dataclass(frozen=True, slots=True)
class ColumnMapping:
    """Where one contract column comes from and how its cells are read.

    Attributes
    ----------
    name : str
        Contract column.
    headers : tuple of str
        Header in the export; several are joined (ids only); none when `value` is given.
    value : str or None
        One value for every row, where the export has no such column.
    unit : str or None
        Unit of the export's numbers; None is the contract's own, ``date`` a date that days are counted to.
    codes : dict of str to str
        The clinic's code → ours; an empty target means missing.
    date_format, decimal, time_zone, date_cells, separator : str or None
        Declared for this column alone.
    missing : tuple of str
        Texts that mean an empty cell, in this column.
    """

    name: str
    headers: tuple[str, ...] = ()
    value: str | None = None
    unit: str | None = None
    codes: dict[str, str] = field(default_factory=dict)
    date_format: str | None = None
    decimal: str | None = None
    time_zone: str | None = None
    date_cells: str | None = None
    separator: str | None = None
    missing: tuple[str, ...] = ()

    def holds_dates(self, column: Column) -> bool:
        """Whether the export's cells are dates."""
        return column.kind == "date" or self.unit == AS_DATE


@dataclass(frozen=True, slots=True)
class Settings:
    """How a table's file is written, as declared; None (or empty) is detected and said."""

    encoding: str | None = None
    delimiter: str | None = None
    header_row: int | None = None
    sheet: str | None = None
    decimal: str | None = None
    date_format: str | None = None
    date_cells: str | None = None
    time_zone: str | None = None
    missing: tuple[str, ...] = ()
    yes: tuple[str, ...] = ()
    no: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Mapping:
    """A clinic's mapping, checked. The empty one reads an export that already speaks the contract's language.

    Attributes
    ----------
    columns : dict of table to tuple of ColumnMapping
    settings : dict of table to Settings
    dropped : tuple of str
        Headers that are left out on purpose.
    density_index : dict of str to dict of str to str
        Device → index shown by the device → percent.
    sha256 : str or None
        Digest of the mapping file.
    """

    columns: dict[Table, tuple[ColumnMapping, ...]] = field(default_factory=dict)
    settings: dict[Table, Settings] = field(default_factory=dict)
    dropped: tuple[str, ...] = ()
    density_index: dict[str, dict[str, str]] = field(default_factory=dict)
    sha256: str | None = None

    def settings_of(self, table: Table) -> Settings:
        """What was declared for one table."""
        return self.settings.get(table, Settings())

    def columns_of(self, table: Table) -> dict[str, ColumnMapping]:
        """What was declared for each column of one table, by contract name."""
        return {spec.name: spec for spec in self.columns.get(table, ())}

    @property
    def sheets(self) -> dict[Table, str]:
        """Sheet names that were declared, by table."""
        return {table: s.sheet for table, s in self.settings.items() if s.sheet is not None}

    def reading(self, table: Table) -> TableReading:
        """How the file of one table is to be read."""
        declared = self.columns_of(table)
        dates: list[str] = []
        for column in CONTRACT[table]:
            spec = declared.get(column.name, ColumnMapping(column.name, (column.name,)))
            if spec.holds_dates(column):
                dates.extend(spec.headers)
        settings = self.settings_of(table)
        return TableReading(
            encoding=settings.encoding,
            delimiter=settings.delimiter,
            header_row=settings.header_row or 1,
            sheet=settings.sheet,
            date_columns=tuple(dates),
            dropped=self.dropped,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Mapped:
    """One table in the contract's words, still as text.

    Attributes
    ----------
    table : str
    frame : DataFrame
        Contract columns that the export has, in contract order, dtype ``string``, same rows and order as the file:
        ids as they stand, dates ``YYYY-MM-DD``, times ``HH:MM``, numbers with a dot and in our unit, booleans
        ``true`` or ``false``, our codes, lists joined by ``;``. A cell with a problem is missing here and named in
        `faults`.
    rows : list of int
        Row of each record as a spreadsheet shows it.
    headers : dict of str to str
        Contract column → header in the export.
    problems : tuple of Problem
        All problems of this table, the reader's included (those in unused columns have become notes). A required
        column that is absent is among them (kind ``column_missing``, fatal).
    notes : tuple of str
        Each normalisation that was made, without values.
    faults : frozenset of (int, str)
        (row, contract column) of each cell that a problem stands for, so that nobody reports it again as missing.
    """

    table: Table
    frame: pd.DataFrame
    rows: list[int]
    headers: dict[str, str]
    problems: tuple[Problem, ...]
    notes: tuple[str, ...]
    faults: frozenset[tuple[int, str]] = frozenset()

    @property
    def fatal(self) -> bool:
        """Whether the table as a whole cannot be used."""
        return any(problem.fatal for problem in self.problems)
