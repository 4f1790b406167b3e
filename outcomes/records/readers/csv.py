"""CSV to a `RawTable`: encoding and delimiter declared or detected, every record at its spreadsheet row."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

import pandas as pd

from outcomes.records.contract import Table
from outcomes.records.readers.decoding import STRAY, decode
from outcomes.records.readers.grid import LONGEST_CELL, UNREADABLE, Cells, Faults, assemble, is_blank
from outcomes.records.readers.limits import REMEDY, TooLarge, check_cells
from outcomes.records.readers.raw import RawTable, TableReading

DELIMITERS: dict[str, str] = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}

FEWEST_COLUMNS_TO_TELL = 6

_SAMPLE_ROWS = 200
_NOT_CLOSED = "a quotation mark is opened and not closed, so rows run into each other"
_HUGE = f"a cell holds more than {csv.field_size_limit():,} characters, as where a quotation mark is not closed"
_CLOSE_IT = "Close or remove the quotation mark in the export, or export the table again."


@dataclass(frozen=True, slots=True)
class Record:
    """Cells of one record, the row where it stands, the lines of text it takes, a fault of its quotation marks."""

    row: int
    cells: list[str]
    lines: int = 1
    fault: str = ""


def records_of(text: str, delimiter: str) -> Iterator[Record]:
    r"""Records of a CSV text, in order, numbered as a spreadsheet numbers rows.

    A quoted cell may run over several lines and stays one row; a blank line is a row too.

    Examples
    --------
    >>> [record.row for record in records_of('a,b\n"1\n2",3\n\n4,5\n', ",")]
    [1, 2, 3, 4]
    """
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    row = seen = 0
    while True:
        row, seen = row + 1, lines.line_num
        try:
            cells = next(lines)
        except StopIteration:
            return
        except csv.Error as error:
            what = str(error)
            fault = "unclosed" if "unexpected end" in what else "huge" if "field larger" in what else "quotes"
            yield Record(row, [], lines.line_num - seen, fault)
            if fault != "quotes":
                return
            continue
        yield Record(row, cells, lines.line_num - seen)


def detect_delimiter(text: str) -> str | None:
    r"""Which delimiter gives rows of one width? None where two do equally well.

    Examples
    --------
    >>> detect_delimiter("case;energy\nK1;10,5\nK2;12,5\n")
    ';'
    >>> detect_delimiter("a,b;c\n1,2;3\n") is None
    True
    """
    scores: dict[str, tuple[float, int]] = {}
    for delimiter in DELIMITERS:
        widths = [
            len(record.cells)
            for record in islice(records_of(text, delimiter), _SAMPLE_ROWS)
            if not all(is_blank(cell) for cell in record.cells)
        ]
        if widths:
            width, times = Counter(widths).most_common(1)[0]
            if width > 1:
                scores[delimiter] = (times / len(widths), width)
    if not scores:
        return ","
    best = max(scores.values())
    winners = [delimiter for delimiter, score in scores.items() if score == best]
    return winners[0] if len(winners) == 1 else None


def read_csv(data: bytes, table: Table, rules: TableReading, sha256: str) -> RawTable:
    """Read one table from the bytes of a CSV file.

    Returns
    -------
    RawTable
        Every record at its row; a record with too many or too few cells, or with quotation marks that do not
        close, stays in the frame and has a problem.
    """
    faults = Faults(table)
    decoded = decode(data, rules.encoding)
    reading = [decoded.said]
    text = decoded.text
    if decoded.contradiction:
        faults.file("encoding", decoded.contradiction, "Declare the encoding of the export in the mapping.")
    if is_blank(text):
        faults.file("empty_file", "the file is empty", "Export the table again.")
        return _nothing(faults, reading, sha256)
    text, delimiter = _delimiter(text, rules, reading)
    if delimiter is None:
        faults.file(
            "delimiter",
            "the delimiter cannot be told: two of comma, semicolon, tab and bar fit equally well",
            "Declare the delimiter in the mapping.",
        )
        return _nothing(faults, reading, sha256)
    header: list[str] | None = None
    records: list[Record] = []
    blank: list[int] = []
    longest = 0
    for record in records_of(text, delimiter):
        if record.row < rules.header_row:
            continue
        if record.fault in ("unclosed", "huge"):
            what = _NOT_CLOSED if record.fault == "unclosed" else _HUGE
            faults.file("quote_not_closed", f"in row {record.row} {what}", _CLOSE_IT)
            return _nothing(faults, reading, sha256)
        if record.row == rules.header_row:
            header = record.cells
            continue
        joined = "".join(record.cells)
        longest = max(longest, len(joined))
        if not record.fault and (not joined or joined.isspace()):
            blank.append(record.row)
        else:
            records.append(record)
    if header is None or all(is_blank(cell) for cell in header):
        faults.file(
            "header_absent",
            f"row {rules.header_row} holds no headers",
            "Declare in the mapping which row holds them, as header_row.",
        )
        return _nothing(faults, reading, sha256)
    try:
        check_cells(len(records), len(header))
    except TooLarge as large:
        faults.file("too_large", str(large), REMEDY)
        return _nothing(faults, reading, sha256)
    if blank:
        reading.append(f"{len(blank)} blank row(s) passed over")
    if rules.header_row > 1:
        reading.append(f"headers in row {rules.header_row}, as declared")
    header, columns = _rectangle(header, records, faults, delimiter)
    return assemble(
        faults, header, columns, [record.row for record in records], rules,
        kind="csv", sha256=sha256, reading=reading,
        sound=longest <= LONGEST_CELL and STRAY not in text and not UNREADABLE.search(text),
    )  # fmt: skip


def _nothing(faults: Faults, reading: Sequence[str], sha256: str) -> RawTable:
    return RawTable(faults.table, pd.DataFrame(), [], "csv", sha256, tuple(reading), tuple(faults.found))


def _delimiter(text: str, rules: TableReading, reading: list[str]) -> tuple[str, str | None]:
    """The text without a ``sep=`` line, and the delimiter: declared, said by that line, or detected."""
    first = text[: text.find("\n") + 1] if "\n" in text else text
    own = first.strip().strip('"')
    said_by_file = own[4:5] or "\t" if own.lower().startswith("sep=") and len(own) <= 5 else None
    if said_by_file is not None:
        text = text[len(first) :]
        reading.append("the first line of the file names the delimiter and is not counted as a row")
    delimiter = rules.delimiter or said_by_file
    how = "declared" if rules.delimiter else "named by the file" if said_by_file else "detected"
    if delimiter is None:
        delimiter = detect_delimiter(text)
    if delimiter is not None:
        reading.append(f"delimiter {DELIMITERS.get(delimiter, 'of its own')}, {how}")
    return text, delimiter


def _rectangle(
    header: list[str], records: Sequence[Record], faults: Faults, delimiter: str
) -> tuple[list[str], list[Cells]]:
    """Columns of equal length; rows of another width than the header's have a problem and are padded or cut."""
    width = len(header)
    ragged = 0
    wider = 0
    lines: list[Sequence[str | None]] = []
    found = Faults(faults.table)
    for record in records:
        cells = record.cells
        if record.fault:
            over = f" over {record.lines} lines of the file" if record.lines > 1 else ""
            found.row(
                record.row, "", "quotes",
                f"the row's quotation marks do not pair up{over}, so its cells cannot be told apart",
                "Double each quotation mark inside a quoted cell, or export the table again.",
            )  # fmt: skip
        elif len(cells) > width and not all(is_blank(cell) for cell in cells[width:]):
            ragged, wider = ragged + 1, wider + 1
            found.row(
                record.row, "", "too_many_cells",
                f"the row has {len(cells)} cells and the header has {width}",
                "Look for a delimiter inside a cell that is not quoted.",
            )  # fmt: skip
        elif len(cells) < width:
            ragged += 1
            found.row(
                record.row, "", "too_few_cells",
                f"the row has {len(cells)} cells and the header has {width}",
                "Look for a line break inside a cell that is not quoted, or export the row again.",
            )  # fmt: skip
        if record.lines > 1 and _swallowed(record.cells, delimiter, width):
            faults.file(
                "quote_not_closed", f"in row {record.row} a quoted cell runs over lines that look like rows", _CLOSE_IT
            )
        lines.append(cells if len(cells) == width else [*cells, *([None] * (width - len(cells)))][:width])
    if len(records) > 1 and ragged > len(records) / 2 and (width == 1 or ragged >= 5):
        faults.file(
            "header_row" if wider else "rows_short",
            f"{ragged} of {len(records)} rows have another number of cells than the header, which has {width}",
            "Declare the delimiter, or the row that holds the headers (header_row), in the mapping.",
        )
    else:
        faults.found.extend(found.found)
    columns: list[Cells] = [list(cells) for cells in zip(*lines, strict=True)] if lines else [[] for _ in header]
    return header, columns


def _swallowed(cells: Sequence[str], delimiter: str, width: int) -> bool:
    """Whether a cell holds a whole line of the table, because a quotation mark was left open.

    In a table of few columns a sentence may have as many commas as a line: there it cannot be told.
    """
    if width < FEWEST_COLUMNS_TO_TELL:
        return False
    return any(line.count(delimiter) >= width - 1 for cell in cells for line in cell.splitlines()[1:])
