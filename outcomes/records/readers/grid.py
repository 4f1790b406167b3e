"""Rows of cells to a `RawTable`: what must hold of any table, whichever file it came from."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import pandas as pd

from outcomes.records.contract import Table
from outcomes.records.headers import find_header, fold, rows_in_words, tidy_header
from outcomes.records.problems import MOST_PROBLEMS, Problem
from outcomes.records.readers.decoding import STRAY
from outcomes.records.readers.raw import RawTable, TableReading

LONGEST_CELL = 32_767
"""Characters in a cell at most; a spreadsheet holds no more."""

UNREADABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufffd\ufffe\uffff]")
"""Characters that no text has: control characters but tabs and ends of lines, and the mark of a lost one."""
LONGEST_HEADER = 300
NO_HEADER = "(no header, column "
_TOTALS = re.compile(
    r"[\u03a3\u2211].*|(?:(?:grand |sub ?)?totals?|sum|gesamt\w*|summe|zwischensumme|totaal|somme|suma|soma|somma|totale|"
    r"totaux|average|mean|median|mittelwert|durchschnitt|moyenne|media|gemiddelde|count|anzahl|n ?=)(?!\w).*",
    re.S,
)

_MOST_LETTERS = 5
_COLUMNS_LOOKED_AT, _FEWEST_HEADERS = 3, 3
"""In how many columns a second row of headers is looked for, and how many headers it holds at least."""

Cells = list[str | None]

_DATUM = re.compile(
    r"[-+]?\d[\d.,]*|\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}([ T].*)?|\d{1,2}:\d\d(:\d\d)?|yes|no|y|n|true|false", re.IGNORECASE
)


@dataclass(slots=True)
class Faults:
    """Problems gathered while one table is read."""

    table: Table
    found: list[Problem] = field(default_factory=list)

    def file(self, kind: str, rule: str, remedy: str, column: str = "") -> None:
        """Add a fault of the whole file or of a whole column."""
        self.found.append(Problem(self.table, None, column, rule, remedy, kind, fatal=True))

    def row(self, row: int, column: str, kind: str, rule: str, remedy: str) -> None:
        """Add a fault of one row, or of one cell of it; beyond what can be listed, one of the whole file."""
        if len(self.found) >= MOST_PROBLEMS:
            if self.found[-1].kind != "too_many_problems":
                rule = f"more than {MOST_PROBLEMS:,} cells cannot be read; the next one stands in row {row}"
                self.file("too_many_problems", rule, "Check how the file was exported and in which encoding.")
            return
        self.found.append(Problem(self.table, row, column, rule, remedy, kind))


def is_blank(cell: str | None) -> bool:
    """Whether a cell is empty or holds only spaces."""
    return cell is None or not cell or cell.isspace()


def column_letter(position: int) -> str:
    """Letter of a column as a spreadsheet shows it, from position 0.

    Examples
    --------
    >>> column_letter(0), column_letter(27)
    ('A', 'AB')
    """
    letters = ""
    position += 1
    while position:
        position, rest = divmod(position - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def name_headers(cells: Sequence[str | None]) -> list[str]:
    """Headers as shown; a column without one is called by its letter."""
    shown = [tidy_header(cell or "") for cell in cells]
    return [header or f"{NO_HEADER}{column_letter(i)})" for i, header in enumerate(shown)]


def check_headers(headers: Sequence[str], columns: Sequence[Cells], rows: Sequence[int], faults: Faults) -> None:
    """A header must be there once, readable, and look like a header."""
    for header in headers:
        if STRAY in header or UNREADABLE.search(header):
            faults.file(
                "header_unreadable",
                "a header holds a character that cannot be read",
                "Save the export again, as UTF-8, or declare its encoding in the mapping.",
            )
            break
    for i, header in enumerate(headers):
        if len(header) > LONGEST_HEADER:
            faults.file(
                "header_too_long",
                f"column {column_letter(i)} has a header of more than {LONGEST_HEADER} characters, as where it is none",
                "Shorten it in the export, or declare in the mapping which row holds the headers, as header_row.",
            )
    for header, times in Counter(headers).items():
        if times > 1:
            faults.file("header_repeated", *_repeated(header, headers, columns, rows), column=header)


def _repeated(header: str, headers: Sequence[str], columns: Sequence[Cells], rows: Sequence[int]) -> tuple[str, str]:
    where = [i for i, other in enumerate(headers) if other == header]
    letters = " and ".join(column_letter(i) for i in where[:_MOST_LETTERS]) + (", …" if where[_MOST_LETTERS:] else "")
    parts: list[str] = []
    first = columns[where[0]]
    for other in where[1:]:
        pairs = list(zip(rows, first, columns[other], strict=True))
        differ = [row for row, a, b in pairs if a is not None and b is not None and a.strip() != b.strip()]
        alone = [row for row, a, b in pairs if (a is None) != (b is None)]
        if differ:
            parts.append(f"they disagree in {rows_in_words(differ)}")
        if alone:
            parts.append(f"only one of them is filled in {rows_in_words(alone)}")
    how = "; ".join(list(dict.fromkeys(parts))[:_MOST_LETTERS]) or "they hold the same cells throughout"
    return (
        f"stands over {len(where)} columns ({letters}): {how}",
        "Keep the right one in the export and rename or delete the other, or drop the header in the mapping.",
    )


def check_cells(headers: Sequence[str], columns: list[Cells], rows: Sequence[int], faults: Faults) -> None:
    """Every cell must be readable and of a sane length; an overlong one is emptied, its row has a problem."""
    for header, cells in zip(headers, columns, strict=True):
        filled = [cell for cell in cells if cell is not None]
        text = "".join(filled)
        if STRAY not in text and not UNREADABLE.search(text) and max(map(len, filled), default=0) <= LONGEST_CELL:
            continue
        for i, cell in enumerate(cells):
            if cell is not None:
                cells[i] = _checked(cell, header, rows[i], faults)


def _checked(cell: str, header: str, row: int, faults: Faults) -> str | None:
    if STRAY in cell:
        faults.row(
            row, header, "undecodable",
            f"holds {cell.count(STRAY)} byte(s) that cannot be decoded",
            "Correct the character in the record system, or declare the export's encoding in the mapping.",
        )  # fmt: skip
    if "\x00" in cell:
        faults.row(
            row, header, "nul_byte",
            "holds a NUL byte, which no text has",
            "Export the row again, or correct the cell in the record system.",
        )  # fmt: skip
    elif UNREADABLE.search(cell):
        faults.row(
            row, header, "lost_character",
            "holds a control character, or the mark of one that was lost before the file was written",
            "Correct the cell in the record system, and export the row again.",
        )  # fmt: skip
    if len(cell) > LONGEST_CELL:
        faults.row(
            row, header, "cell_too_long",
            f"holds more than {LONGEST_CELL:,} characters",
            "Look for a quotation mark that is not closed, or shorten the text in the export.",
        )  # fmt: skip
        return None
    return UNREADABLE.sub("\ufffd", cell.replace(STRAY, "\ufffd"))


def looks_like_data(headers: Sequence[str]) -> bool:
    """Whether a first row holds records, not headers: dates, times, numbers, answers or e-mail addresses stand in it.

    Examples
    --------
    >>> looks_like_data(["case", "treated on", "energy"]), looks_like_data(["K1", "2024-03-05", "12.5"])
    (False, True)
    >>> looks_like_data(["K1", "neck", "no", "no", "17:37"]), looks_like_data(["No", "zone", "energy"])
    (True, False)
    """
    filled = [header for header in headers if header]
    odd = sum(1 for header in filled if _DATUM.fullmatch(header) or "@" in header)
    return odd >= 2 and odd >= 0.2 * len(filled)


def assemble(
    faults: Faults,
    headers: Sequence[str | None],
    columns: list[Cells],
    rows: list[int],
    rules: TableReading,
    *,
    kind: str,
    sha256: str,
    reading: Sequence[str],
    typed_dates: dict[str, set[int]] | None = None,
    sound: bool = False,
) -> RawTable:
    """Check a table's headers and cells and make a `RawTable` of it.

    Parameters
    ----------
    faults : Faults
        What was found so far; more is added.
    headers : sequence of str or None
        Header cells as the file has them.
    columns : list of list
        Cells of each column, in the order of `headers`; blank cells may be text or None.
    rows : list of int
        Row of each record as a spreadsheet shows it.
    sound : bool
        True when it is known that no cell is unreadable or too long.
    """
    said = list(reading)
    columns = [[None if not cell or cell.isspace() else cell for cell in cells] for cells in columns]
    keep = [i for i, header in enumerate(headers) if not is_blank(header) or any(c is not None for c in columns[i])]
    names = name_headers(headers)
    total_rows = _total_rows([columns[i] for i in keep])
    gone = {header for name in rules.dropped for header in find_header(name, names)}
    if dropped := [i for i in keep if names[i] in gone]:
        said.append(f"{len(dropped)} column(s) dropped, as the mapping asks")
        strayed = sorted(
            {row for i in dropped for row, cell in zip(rows, columns[i], strict=True) if STRAY in (cell or "")}
        )
        if strayed:
            said.append(f"bytes that cannot be decoded in dropped columns ({rows_in_words(strayed)})")
    keep = [i for i in keep if names[i] not in gone]
    names, columns = [names[i] for i in keep], [columns[i] for i in keep]
    if looks_like_data([tidy_header(header or "") for header in headers]):
        faults.file(
            "header_absent",
            f"row {rules.header_row} holds dates, numbers or answers where headers should stand",
            "Export the headers too, or declare header_row in the mapping.",
        )
        names, columns = [], []
    check_headers(names, columns, rows, faults)
    if any(problem.fatal for problem in faults.found):
        return RawTable(faults.table, pd.DataFrame(), [], kind, sha256, tuple(said), tuple(faults.found))
    _mark_repeated_headers(names, columns, rows, faults)
    if not sound:
        check_cells(names, columns, rows, faults)
    if not rows and faults.table == "zones":
        faults.file("no_records", "the table has headers and no record", "Choose an export that holds records.")
    elif not rows:
        said.append("the table has headers and no row, which is taken to mean that there is none")
    typed = {name: cells for name, cells in (typed_dates or {}).items() if name in names and cells}
    return RawTable(
        faults.table, text_frame(names, columns, len(rows)), rows, kind, sha256, tuple(said),
        tuple(faults.found), typed, total_rows,
    )  # fmt: skip


def _total_rows(columns: Sequence[Cells]) -> frozenset[int]:
    if not columns:
        return frozenset()
    return frozenset(i for i, cell in enumerate(columns[0]) if cell is not None and _TOTALS.fullmatch(fold(cell)))


def _mark_repeated_headers(
    headers: Sequence[str], columns: Sequence[Cells], rows: Sequence[int], faults: Faults
) -> None:
    """Rows that repeat the headers; one that holds them in another order stops, as all below it stand wrong."""
    if len(headers) < 2:
        return
    written = ["" if header.startswith(NO_HEADER) else header for header in headers]
    keys = {fold(header) for header in written if header}
    plain = {header.casefold() for header in written if header}
    suspects = {
        i
        for cells in columns[:_COLUMNS_LOOKED_AT]
        for i, cell in enumerate(cells)
        if cell is not None and cell.strip().casefold() in plain
    }
    for i in sorted(suspects):
        shown = [tidy_header(cells[i] or "") for cells in columns]
        if shown == written:
            faults.row(
                rows[i], "", "header_again",
                "the row repeats the headers; it is not a record",
                "Delete the row in the export, or export the parts separately.",
            )  # fmt: skip
            continue
        filled = [cell for cell in shown if cell]
        known = {fold(cell) for cell in filled} & keys
        if len(known) >= _FEWEST_HEADERS and 2 * len(known) >= len(filled):
            faults.file(
                "header_changes",
                f"row {rows[i]} holds headers again, in another order or of other columns, so what is below it stands "
                "under the wrong ones",
                "Export the parts as files of their own, or with the same columns in the same order.",
            )
            return


def text_frame(headers: Sequence[str], columns: Sequence[Cells], length: int) -> pd.DataFrame:
    """Lay columns of text out as one frame of dtype ``string``."""
    data = {header: pd.array(cells, dtype="string") for header, cells in zip(headers, columns, strict=True)}
    return pd.DataFrame(data, index=pd.RangeIndex(length))
