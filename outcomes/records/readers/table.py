"""Which reader for which file: the first bytes decide, not the name."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pandas as pd

from outcomes.records.contract import TABLES, Table
from outcomes.records.headers import fold
from outcomes.records.problems import Problem
from outcomes.records.readers.csv import read_csv
from outcomes.records.readers.limits import REMEDY, TooLarge, check_file_size
from outcomes.records.readers.parquet import read_parquet
from outcomes.records.readers.raw import RawTable, TableReading
from outcomes.records.readers.xlsx import read_xlsx, sheet_names

__all__ = ["RawTable", "TableReading", "read_table", "tables_in"]

_OTHER = re.compile(
    rb"(?:\xef\xbb\xbf)?\s*(?:%PDF|\x1f\x8b|<!doctype|<html|<\?xml|\{\s*[\"}]|\[\s*[\[{]|\{\\rtf|\x89PNG|\xff\xd8\xff)",
    re.IGNORECASE,
)
"""How files begin that are pages, pictures, archives or other things than a table."""
_ZIP, _PARQUET, _OLD_OFFICE = b"PK\x03\x04", b"PAR1", b"\xd0\xcf\x11\xe0"


def read_table(path: Path, table: Table, rules: TableReading | None = None) -> RawTable:
    """Read one table of an export as text, whatever kind of file it is.

    Parameters
    ----------
    path : Path
        A CSV, XLSX or Parquet file; which one is decided by its first bytes, not by its name.
    table : str
        Which table it holds; a workbook's sheet of that name is taken.
    rules : TableReading or None
        What the mapping declares; None detects everything.

    Returns
    -------
    RawTable
        Never raises for a fault of the file: faults are in its ``problems``.
    """
    rules = rules or TableReading()
    try:
        if path.exists() and not path.is_file():  # a pipe would be empty the second time
            raise OSError
        check_file_size(path.stat().st_size)
        data = path.read_bytes()
    except TooLarge as large:
        return _refused(table, "too_large", str(large), REMEDY)
    except OSError as error:
        absent = isinstance(error, FileNotFoundError)
        return _refused(
            table,
            "file_absent" if absent else "file_unreadable",
            f"the file for {table} {'does not exist' if absent else 'cannot be opened'}",
            "Check its name and place." if absent else "Check that it is a file and that you may read it.",
        )
    digest = hashlib.sha256(data).hexdigest()
    if data.startswith(_ZIP):
        return read_xlsx(data, table, rules, digest)
    if data.startswith(_PARQUET):
        return read_parquet(data, table, rules, digest)
    if data.startswith(_OLD_OFFICE):
        return _refused(
            table,
            "old_workbook",
            "the file is a workbook of the old .xls kind, or is locked with a password",
            "Save it as .xlsx without a password, or as CSV.",
            digest,
        )
    if _OTHER.match(data):
        return _refused(
            table,
            "not_a_table",
            "the file is a page, a picture, an archive or something else that is no table",
            "Export the table as CSV, XLSX or Parquet.",
            digest,
        )
    return read_csv(data, table, rules, digest)


def _refused(table: Table, kind: str, rule: str, remedy: str, digest: str = "") -> RawTable:
    problem = Problem(table, None, "", rule, remedy, kind, fatal=True)
    return RawTable(table, pd.DataFrame(), [], "", digest, (), (problem,))


def tables_in(path: Path, sheets: dict[Table, str] | None = None) -> tuple[Table, ...]:
    """Which of our tables a file holds beside ``zones``: the sheets of a workbook that bear their names.

    Parameters
    ----------
    path : Path
        The export.
    sheets : dict or None
        Sheet names that the mapping declares, by table.

    Returns
    -------
    tuple of str
        Tables in contract order; ``("zones",)`` for a CSV or Parquet file and for one that cannot be read
        (`read_table` says why).
    """
    names: set[str] = set()
    try:
        if path.is_file():
            check_file_size(path.stat().st_size)
            with path.open("rb") as file:
                workbook = file.read(4) == _ZIP
                file.seek(0)
                names = {fold(name) for name in sheet_names(file.read())} if workbook else set()
    except (OSError, TooLarge):
        pass
    declared = sheets or {}
    return tuple(t for t in TABLES if t == "zones" or fold(declared.get(t, t)) in names)
