"""A clinic's headers, codes and units → ours."""

from __future__ import annotations

from collections.abc import Mapping as MappingABC
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from outcomes.records.contract import Table
from outcomes.records.problems import Problem
from outcomes.records.readers.table import RawTable, TableReading


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
        Unit of the export's numbers; None is the contract's own.
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

    def reading(self, table: Table) -> TableReading:
        """How the file of one table is to be read."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True, eq=False)
class Mapped:
    """One table in the contract's words, still as text.

    Attributes
    ----------
    table : str
    frame : DataFrame
        Contract columns that the export has, dtype ``string``, same rows and order as the file: ids as they
        stand, dates ``YYYY-MM-DD``, times ``HH:MM``, numbers with a dot and in our unit, booleans ``true`` or
        ``false``, our codes, lists joined by ``;``. A cell with a problem is missing here and named in `faults`.
    rows : list of int
        Row of each record as a spreadsheet shows it.
    headers : dict of str to str
        Contract column → header in the export.
    problems : tuple of Problem
        All problems of this table, the reader's included (those in unused columns have become notes).
        A required column that is absent is among them (kind ``column_missing``).
    notes : tuple of str
        Each normalisation that was made, without values.
    faults : frozenset of (int, str)
        (row, contract column) of each cell that a problem stands for.
    """

    table: Table
    frame: pd.DataFrame
    rows: list[int]
    headers: dict[str, str]
    problems: tuple[Problem, ...]
    notes: tuple[str, ...]
    faults: frozenset[tuple[int, str]] = frozenset()


def load_mapping(path: Path) -> Mapping:
    """Read and check a mapping file.

    Raises
    ------
    MappingError
        If it is not TOML, has a key we do not know, or names a column, unit or code that does not exist; the
        message names the nearest right one.
    """
    raise NotImplementedError


def apply_mapping(raw: RawTable, mapping: Mapping, *, devices: MappingABC[str, str] | None = None) -> Mapped:
    """Turn one table of an export into the contract's words.

    Parameters
    ----------
    raw : RawTable
    mapping : Mapping
    devices : mapping of record_id to device_id or None
        For layers, which device treated the record, where a density index has to be converted.

    Returns
    -------
    Mapped
        Never raises for a fault of the export: faults are in its ``problems``.
    """
    raise NotImplementedError
