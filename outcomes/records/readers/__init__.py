"""Files to text: CSV, XLSX and Parquet become the same `RawTable`, every cell as the file has it."""

from __future__ import annotations

from outcomes.records.readers.raw import RawTable, TableReading
from outcomes.records.readers.table import read_table, tables_in

__all__ = ["RawTable", "TableReading", "read_table", "tables_in"]
