"""Parquet to a `RawTable`: typed columns as exact text, nothing through floating point that was not."""

from __future__ import annotations

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from outcomes.records.contract import Table
from outcomes.records.headers import matches
from outcomes.records.readers.grid import Cells, Faults, assemble, name_headers
from outcomes.records.readers.limits import REMEDY, TooLarge, check_cells, check_unpacked
from outcomes.records.readers.raw import RawTable, TableReading
from outcomes.records.readers.xlsx import plain_number

_LARGEST_EXACT_FLOAT = 2**53
_ROWS_AT_ONCE = 4096
_CLOCK = len("HH:MM:SS")


def read_parquet(data: bytes, table: Table, rules: TableReading, sha256: str) -> RawTable:
    """Read one table from the bytes of a Parquet file.

    Returns
    -------
    RawTable
        Integers keep all their digits beside missing values; instants with a time zone are given in UTC
        (``+00:00``) and wait for the clinic's time zone; lists are joined by ``;``.
    """
    faults = Faults(table)
    try:
        content = _unpacked(pq.ParquetFile(pa.BufferReader(data)))
        content.validate(full=True)
    except TooLarge as large:
        faults.file("too_large", str(large), REMEDY)
        return RawTable(table, pd.DataFrame(), [], "parquet", sha256, (), tuple(faults.found))
    except (pa.ArrowException, OSError, ValueError):  # the last for names that are not text
        faults.file(
            "parquet_unreadable", "the Parquet file is damaged or cannot be read", "Export the table again, or as CSV."
        )
        return RawTable(table, pd.DataFrame(), [], "parquet", sha256, (), tuple(faults.found))
    rows = list(range(2, content.num_rows + 2))
    headers: list[str | None] = list(content.column_names)
    names = name_headers(headers)
    columns: list[Cells] = []
    typed: dict[str, set[int]] = {}
    for name, column in zip(names, content.columns, strict=True):
        if matches(name, rules.dropped):
            columns.append(["?"] * content.num_rows)  # dropped with its header, never looked at
            continue
        cells = _text(column, name, rows, faults)
        columns.append(cells)
        if pa.types.is_temporal(column.type) and not pa.types.is_time(column.type):
            typed[name] = {i for i, cell in enumerate(cells) if cell is not None}
    return assemble(
        faults, headers, columns, rows, rules,
        kind="parquet", sha256=sha256, reading=("rows numbered as a spreadsheet would, headers in row 1",),
        typed_dates=typed,
    )  # fmt: skip


def _unpacked(file: pq.ParquetFile) -> pa.Table:
    """The whole table, unpacked bit by bit, as a column of one long text packs to almost nothing."""
    check_cells(file.metadata.num_rows, file.metadata.num_columns)
    batches, size = [], 0
    for batch in file.iter_batches(batch_size=_ROWS_AT_ONCE):
        size += batch.nbytes
        check_unpacked(size)
        batches.append(batch)
    return pa.Table.from_batches(batches, file.schema_arrow)


def _text(column: pa.ChunkedArray, name: str, rows: list[int], faults: Faults) -> Cells:
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if pa.types.is_null(kind):
        return [None] * len(column)
    if pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind):
        return list(column.to_pylist())
    if pa.types.is_boolean(kind):
        return [None if cell is None else "true" if cell else "false" for cell in column.to_pylist()]
    if pa.types.is_integer(kind) or pa.types.is_decimal(kind):
        style = "f" if pa.types.is_decimal(kind) else "d"
        return [None if cell is None else format(cell, style) for cell in column.to_pylist()]
    if pa.types.is_floating(kind):
        return _floats(column, name, rows, faults)
    if pa.types.is_date(kind):
        return list(column.cast(pa.date32()).cast(pa.string()).to_pylist())
    if pa.types.is_timestamp(kind):
        return _instants(column)
    if pa.types.is_time(kind):
        return [None if text is None else text[:_CLOCK] for text in column.cast(pa.string()).to_pylist()]
    if (pa.types.is_list(kind) or pa.types.is_large_list(kind)) and pa.types.is_string(kind.value_type):
        return [None if cell is None else ";".join(part for part in cell if part) for cell in column.to_pylist()]
    faults.file(
        "column_type",
        "is of a type that has no text, such as bytes or a nested record",
        "Export it as text, or drop it in the mapping.",
        column=name,
    )
    return [None] * len(column)


def _floats(column: pa.ChunkedArray, name: str, rows: list[int], faults: Faults) -> Cells:
    cells: Cells = []
    for row, value in zip(rows, column.to_pylist(), strict=True):
        if value is None or value != value:  # a float that is not a number is how a missing value is stored
            cells.append(None)
        elif value in (float("inf"), float("-inf")):
            faults.row(row, name, "not_finite", "is not a finite number", "Correct the cell in the export.")
            cells.append(None)
        else:
            if abs(value) > _LARGEST_EXACT_FLOAT:
                faults.row(
                    row, name, "digits_lost",
                    "holds a number too long for the type of its column, so digits were lost",
                    "Export the column as text or as integers.",
                )  # fmt: skip
            cells.append(plain_number(value))
    return cells


def _instants(column: pa.ChunkedArray) -> Cells:
    aware = column.type.tz is not None
    naive = column.cast(pa.timestamp(column.type.unit))
    seconds = pc.floor_temporal(naive, unit="second").cast(pa.timestamp("s"))
    at_midnight = not aware and pc.all(pc.equal(seconds, pc.floor_temporal(seconds, unit="day"))).as_py() is not False
    if at_midnight:
        return list(seconds.cast(pa.date32()).cast(pa.string()).to_pylist())
    texts = seconds.cast(pa.string()).to_pylist()
    return [None if text is None else text + ("+00:00" if aware else "") for text in texts]
