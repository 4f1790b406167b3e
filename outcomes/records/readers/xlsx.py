"""XLSX to a `RawTable`: every cell as the spreadsheet shows it, dates by the workbook's own epoch."""

from __future__ import annotations

import io
import lzma
import re
import struct
import warnings
import zipfile
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from xml.etree import ElementTree
from xml.parsers import expat

import openpyxl
import pandas as pd
from openpyxl.utils.datetime import CALENDAR_MAC_1904, from_excel
from openpyxl.utils.exceptions import CellCoordinatesException, InvalidFileException

from outcomes.records.contract import Table
from outcomes.records.headers import fold, matches, rows_in_words
from outcomes.records.readers.grid import Cells, Faults, assemble, column_letter, is_blank, name_headers
from outcomes.records.readers.limits import REMEDY, TooLarge
from outcomes.records.readers.raw import RawTable, TableReading
from outcomes.records.readers.workbook import Sheet, Structure, sheets_of, structure_of

DIGITS_OF_A_SPREADSHEET = 15
_FIRST_SERIAL, _LAST_SERIAL = 1, 110_000
# What the libraries under us raise at bytes that are no workbook; found by changing the bytes of good ones.
_BROKEN = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, OSError, EOFError, RuntimeError, ArithmeticError,
    LookupError, ValueError, TypeError, AttributeError, ElementTree.ParseError, expat.ExpatError,
    InvalidFileException, CellCoordinatesException,
)  # fmt: skip


@dataclass(slots=True)
class _Found:
    """Cells of one sheet, and what was seen at each."""

    lines: list[list[str | None]] = field(default_factory=list)
    errors: list[tuple[int, int]] = field(default_factory=list)
    lost_digits: list[tuple[int, int]] = field(default_factory=list)
    dates: list[tuple[int, int]] = field(default_factory=list)
    serials: set[int] = field(default_factory=set)
    formatted: set[int] = field(default_factory=set)


def sheet_names(data: bytes) -> tuple[str, ...]:
    """Names of the sheets of a workbook; none when it cannot be read."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return tuple(sheet.name for sheet in sheets_of(archive)[0])
    except _BROKEN:
        return ()


def plain_number(value: float) -> str:
    """A number as text, all its digits and nothing more.

    Examples
    --------
    >>> plain_number(12.0), plain_number(0.1), plain_number(1e-05)
    ('12', '0.1', '0.00001')
    """
    number = Decimal(repr(value))
    return str(int(number)) if number == number.to_integral_value() else format(number.normalize(), "f")


def shown_number(value: float, number_format: str) -> str:
    """A number as a spreadsheet shows it, as far as that changes its meaning: per cent and leading zeros.

    Examples
    --------
    >>> shown_number(0.05, "0%"), shown_number(123, "00000"), shown_number(2.5, "General")
    ('5%', '00123', '2.5')
    """
    bare = re.sub(r'"[^"]*"|\\.|\[[^\]]*\]', "", number_format)
    if "%" in bare:
        return format((Decimal(repr(value)) * 100).normalize(), "f") + "%"
    text = plain_number(value)
    if re.fullmatch(r"0{2,}", bare) and text.isdigit():
        return text.zfill(len(bare))
    return text


def shown_date(value: date | datetime) -> str:
    """A date as ISO text, with its time of day where it has one.

    Examples
    --------
    >>> shown_date(datetime(2024, 3, 5)), shown_date(datetime(2024, 3, 5, 14, 30))
    ('2024-03-05', '2024-03-05 14:30:00')
    """
    if isinstance(value, datetime) and value.time() != time():
        return value.strftime("%Y-%m-%d %H:%M:%S") if value.year >= 1000 else value.isoformat(" ", "seconds")
    return value.date().isoformat() if isinstance(value, datetime) else value.isoformat()


def read_xlsx(data: bytes, table: Table, rules: TableReading, sha256: str) -> RawTable:
    """Read one table from the bytes of a workbook.

    Returns
    -------
    RawTable
        Hidden rows are read like any other, and said. An error cell, a covered cell of a merged block and a
        number that has lost digits are problems of their rows; a formula without a stored result is a problem of
        the file, because its value is not in the file.
    """
    faults = Faults(table)
    reading: list[str] = []
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a spreadsheet's decoration, not its data
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                sheets, anew = sheets_of(archive)
                sheet = _choose(sheets, table, rules, faults, reading)
                if sheet is None:
                    return _nothing(faults, reading, sha256)
                with archive.open(sheet.part) as part:
                    structure = structure_of(part)
            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
            epoch = book.epoch
            reading.append("dates count from 1904" if epoch == CALENDAR_MAC_1904 else "dates count from 1900")
            worksheet = book[sheet.name]
            worksheet.reset_dimensions()
            header = _header(worksheet, rules.header_row)
            serial_columns = {i for i, name in enumerate(name_headers(header)) if matches(name, rules.date_columns)}
            found = _cells(worksheet, rules.header_row + 1, serial_columns, epoch)
            book.close()
    except TooLarge as large:
        faults.file("too_large", str(large), REMEDY)
        return _nothing(faults, reading, sha256)
    except _BROKEN:
        faults.file(
            "workbook_unreadable", "the workbook is damaged or is not a workbook", "Save it again as .xlsx, or as CSV."
        )
        return _nothing(faults, reading, sha256)
    if all(is_blank(cell) for cell in header):
        faults.file(
            "header_absent",
            f"row {rules.header_row} of the sheet holds no headers",
            "Declare in the mapping which row holds them, as header_row.",
        )
        return _nothing(faults, reading, sha256)
    return _table(faults, header, found, structure, anew, rules, reading, sha256)


def _nothing(faults: Faults, reading: Sequence[str], sha256: str) -> RawTable:
    return RawTable(faults.table, pd.DataFrame(), [], "xlsx", sha256, tuple(reading), tuple(faults.found))


def _choose(
    sheets: Sequence[Sheet], table: Table, rules: TableReading, faults: Faults, reading: list[str]
) -> Sheet | None:
    wanted = fold(rules.sheet or table)
    named = [sheet for sheet in sheets if fold(sheet.name) == wanted]
    visible = [sheet for sheet in sheets if not sheet.hidden]
    single = visible if len(visible) == 1 else list(sheets) if len(sheets) == 1 else []
    if named:
        chosen, how = named[0], "declared" if rules.sheet else "by its name"
    elif rules.sheet is None and single:
        chosen, how = single[0], "the only one" if len(sheets) == 1 else "the only one that is not hidden"
    else:
        faults.file(
            "sheet_absent",
            f"none of the workbook's {len(sheets)} sheets has the name "
            + (f"that the mapping declares for {table}" if rules.sheet else f'"{table}"'),
            f'Name the sheet "{table}", or declare its name as sheet in [{table}] of the mapping.',
        )
        return None
    others = [sheet for sheet in sheets if sheet is not chosen]
    said = f"sheet {how}" + (", although it is hidden" if chosen.hidden else "")
    if others:
        hidden = sum(sheet.hidden for sheet in others)
        said += f"; {len(others)} other sheet(s) in the workbook, {hidden} of them hidden"
    reading.append(said)
    return chosen


def _header(worksheet: Any, row: int) -> list[str | None]:
    for cells in worksheet.iter_rows(min_row=row, max_row=row):
        return [None if cell.value is None else str(cell.value) for cell in cells]
    return []


def _cells(worksheet: Any, first_row: int, serial_columns: set[int], epoch: datetime) -> _Found:
    """Text of every cell below the headers; positions are counted from `first_row` and from column 0."""
    found = _Found()
    for i, cells in enumerate(worksheet.iter_rows(min_row=first_row)):
        line: list[str | None] = []
        for j, cell in enumerate(cells):
            value = cell.value
            if value is None or isinstance(value, str):
                if value is not None and cell.data_type == "e":
                    found.errors.append((i, j))
                    value = None
                line.append(value)
            else:
                line.append(_typed(value, cell, (i, j), j in serial_columns, epoch, found))
        found.lines.append(line)
    return found


def _typed(value: Any, cell: Any, where: tuple[int, int], serial: bool, epoch: datetime, found: _Found) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (datetime, date)):
        found.dates.append(where)
        return shown_date(value)
    if isinstance(value, time):
        return value.strftime("%H:%M:%S")
    if isinstance(value, timedelta):
        minutes, seconds = divmod(round(value.total_seconds()), 60)
        return f"{minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}"
    if serial and _FIRST_SERIAL <= value <= _LAST_SERIAL:
        found.dates.append(where)
        found.serials.add(where[1])
        return shown_date(from_excel(value, epoch))
    if abs(value) >= 10**DIGITS_OF_A_SPREADSHEET:
        found.lost_digits.append(where)
    shown = shown_number(value, cell.number_format)
    if shown.endswith("%") or re.match(r"0\d", shown):
        found.formatted.add(where[1])
    return shown


def _table(
    faults: Faults,
    header: list[str | None],
    found: _Found,
    structure: Structure,
    anew: bool,
    rules: TableReading,
    reading: list[str],
    sha256: str,
) -> RawTable:
    width = max([len(header), *(len(line) for line in found.lines)])
    header = header + [None] * (width - len(header))
    names = name_headers(header)
    used = {j for j, name in enumerate(names) if not matches(name, rules.dropped)}
    first = rules.header_row + 1
    unknown = _formulas_without_result(structure, anew, {j + 1 for j in used}, rules.header_row)
    if unknown:
        faults.file(
            "formula_without_result",
            f"formula cells have no stored result: {', '.join(_blocks(unknown))}",
            "Open the workbook in a spreadsheet, let it calculate, save it, and export again.",
        )
    noted = {(row, column) for row, column in unknown}
    occupied = {row - first for row, _ in noted} | {i for i, _ in found.errors}
    filled = [i for i, line in enumerate(found.lines) if i in occupied or not all(is_blank(cell) for cell in line)]
    blank = (filled[-1] + 1 - len(filled)) if filled else 0
    position = {i: k for k, i in enumerate(filled)}
    rows = [first + i for i in filled]
    _cell_faults(faults, names, used, found, structure, position, first)
    if blank:
        reading.append(f"{blank} blank row(s) passed over")
    reading.extend(_said(structure, rows, used, found, width))
    lines = [found.lines[i] + [None] * (width - len(found.lines[i])) for i in filled]
    columns: list[Cells] = [list(cells) for cells in zip(*lines, strict=True)] if lines else [[] for _ in header]
    typed: dict[str, set[int]] = {}
    for i, j in found.dates:
        typed.setdefault(names[j], set()).add(position[i])
    return assemble(
        faults, header, columns, rows, rules, kind="xlsx", sha256=sha256, reading=reading, typed_dates=typed
    )


def _formulas_without_result(
    structure: Structure, anew: bool, used: set[int], header_row: int
) -> list[tuple[int, int]]:
    """Formulas with nothing stored; and those stored as 0 in a workbook that was never calculated.

    Some programs write 0 for every formula and ask the spreadsheet to calculate on opening: a column of formulas
    that are 0 throughout in such a workbook holds no results.
    """
    below = {cell for cell in structure.without_result if cell[0] > header_row}
    if anew and structure.zero_result and len(structure.zero_result | structure.without_result) == structure.formulas:
        below |= {cell for cell in structure.zero_result if cell[0] > header_row}
    return sorted(cell for cell in below if cell[1] in used)


def _blocks(cells: Iterable[tuple[int, int]], *, most: int = 8) -> list[str]:
    """Cells in spreadsheet notation, runs in one column joined: D2:D5."""
    runs: list[list[int]] = []
    for column, row in sorted((column, row) for row, column in cells):
        if runs and runs[-1][0] == column and runs[-1][2] == row - 1:
            runs[-1][2] = row
        else:
            runs.append([column, row, row])
    named = []
    for column, start, stop in runs:
        letter = column_letter(column - 1)
        named.append(f"{letter}{start}" if start == stop else f"{letter}{start}:{letter}{stop}")
    return named if len(named) <= most else [*named[:most], f"and {len(named) - most} more blocks"]


def _cell_faults(
    faults: Faults,
    names: Sequence[str],
    used: set[int],
    found: _Found,
    structure: Structure,
    position: dict[int, int],
    first: int,
) -> None:
    for i, j in found.errors:
        if j in used:
            faults.row(
                first + i, names[j], "error_cell",
                "shows a spreadsheet error instead of a value",
                "Correct the formula or the cell in the spreadsheet.",
            )  # fmt: skip
    for i, j in found.lost_digits:
        if j in used:
            faults.row(
                first + i, names[j], "digits_lost",
                f"holds a number of more than {DIGITS_OF_A_SPREADSHEET} digits, and a spreadsheet keeps no more",
                "Export the column as text, so that long identifiers keep all their digits.",
            )  # fmt: skip
    for left, top, right, bottom in structure.merged:
        for row in range(max(top, first), bottom + 1):
            for column in range(left, right + 1):
                j = column - 1
                if (row, column) != (top, left) and j in used and j < len(names) and row - first in position:
                    faults.row(
                        row, names[j], "merged_cell",
                        "is covered by a merged block, so what it holds is not known",
                        "Unmerge the cells in the spreadsheet and fill in each row.",
                    )  # fmt: skip


def _said(structure: Structure, rows: Sequence[int], used: set[int], found: _Found, width: int) -> list[str]:
    said = []
    if hidden := [row for row in rows if row in structure.hidden_rows]:
        said.append(f"{len(hidden)} hidden row(s) were read like the others ({rows_in_words(hidden)})")
    if columns := [c for c in sorted(structure.hidden_columns) if c <= width and c - 1 in used]:
        said.append(f"{len(columns)} hidden column(s) were read like the others")
    if structure.merged:
        said.append(f"{len(structure.merged)} merged block(s) in the sheet")
    if held := structure.formulas - len(structure.without_result):
        said.append(f"{held} formula cell(s); their stored results were taken")
    if found.serials & used:
        said.append(f"day numbers read as dates in {len(found.serials & used)} column(s)")
    if found.formatted & used:
        said.append(f"leading zeros or per cent taken as cells show them in {len(found.formatted & used)} column(s)")
    return said
