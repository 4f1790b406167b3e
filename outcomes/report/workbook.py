"""The tidy tables of a report as one workbook: a contents sheet, then one sheet a table, cells typed and inert."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from outcomes.report.data import tidy_record
from outcomes.report.document import Report
from outcomes.report.paper import table_cells
from outcomes.report.texts import FIRST_PAGE_CAUTION

_ZIP_DAY = (1980, 1, 1, 0, 0, 0)
_SAVED = re.compile(rb"(<dcterms:modified[^>]*>)[^<]*(</dcterms:modified>)")
_UNFIT = re.compile(r"[\\/*?:\[\]]")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_LONGEST_NAME = 31
_WIDEST = 60
_COLUMNS = (
    "term", "estimate", "conf_low", "conf_high", "level", "unit", "method", "n", "patients", "events",
    "p_value", "p_adjusted", "note",
)  # fmt: skip


def workbook_bytes(report: Report, tables: Sequence[dict[str, Any]] = ()) -> bytes:
    """Return the tidy tables of a report as the bytes of an XLSX file.

    Numbers are numbers, a missing one is an empty cell, and text is text: a cell that begins with ``=``, ``+``, ``-``
    or ``@`` is stored as a string and shown, never computed. The same report gives the same bytes.

    Parameters
    ----------
    report : Report
    tables : sequence of dict
        Tables that are not on paper, as `full_tables` gives them; each a sheet under its number, worded as printed.
    """
    book = Workbook()
    contents = book.active
    contents.title = "Contents"
    listed: list[tuple[str, str, int]] = []
    taken = {"contents", "rows", "problems"}
    titles = {section.key: section.title for section in report.sections}
    for key, answers in report.estimates:
        name = _sheet_name(key, taken)
        records = [tuple(tidy_record(answer)[column] for column in _COLUMNS) for answer in answers]
        _fill(book.create_sheet(name), _COLUMNS, records)
        listed.append((name, titles.get(key, key), len(records)))
    for block in tables:
        heads, rows = table_cells(block)
        name = _sheet_name(block["label"], taken)
        _fill(book.create_sheet(name), heads, rows)
        listed.append((name, block["title"], len(rows)))
    counts = [(c.table, c.rows_read, c.rows_accepted, c.rows_refused) for c in report.counts]
    _fill(book.create_sheet("Rows"), ("table", "rows_read", "rows_accepted", "rows_refused"), counts)
    listed.append(("Rows", "Rows read, accepted and set aside", len(counts)))
    problems = [(p.table, p.row, p.column, p.rule, p.remedy) for p in report.problems]
    _fill(book.create_sheet("Problems"), ("table", "row", "column", "rule", "remedy"), problems)
    listed.append(("Problems", "Every rule that a row broke; no value of a record", len(problems)))
    _contents(contents, report, listed)
    made = datetime.fromisoformat(report.scope["as_of"])
    book.properties.creator = report.organisation or "outcomes"
    book.properties.title = f"{report.title}, {report.scope['period']}"
    book.properties.created = made
    buffer = io.BytesIO()
    book.save(buffer)
    return _stamped(buffer.getvalue(), made)


def _contents(sheet: Worksheet, report: Report, listed: Sequence[tuple[str, str, int]]) -> None:
    _put(sheet, 1, 1, f"{report.title}, {report.scope['period']}").font = Font(bold=True, size=14)
    _put(sheet, 2, 1, report.organisation)
    for column, head in enumerate(("Sheet", "Holds", "Rows"), start=1):
        _put(sheet, 4, column, head).font = Font(bold=True)
    for row, line in enumerate(listed, start=5):
        for column, value in enumerate(line, start=1):
            _put(sheet, row, column, value)
    notes = (
        "Every number that the report prints as an estimate is a row of these sheets.",
        "A sheet named by the number of a table holds that table in words: it supports an answer and is not on paper.",
        "estimate, conf_low and conf_high are in the unit of the row: a proportion of 0.05 is 5 %.",
        "Where nothing can be said the number is empty and the note gives the reason; an empty cell is never zero.",
        FIRST_PAGE_CAUTION,
    )
    for row, note in enumerate(notes, start=6 + len(listed)):
        _put(sheet, row, 1, note)
    sheet.column_dimensions["A"].width = 26
    sheet.column_dimensions["B"].width = _WIDEST
    sheet.sheet_view.showGridLines = False


def _fill(sheet: Worksheet, heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    widths = [len(head) for head in heads]
    for column, head in enumerate(heads, start=1):
        cell = _put(sheet, 1, column, head)
        cell.font = Font(bold=True)
        cell.alignment = Alignment(vertical="top")
    for number, row in enumerate(rows, start=2):
        for column, value in enumerate(row, start=1):
            _put(sheet, number, column, value)
            widths[column - 1] = max(widths[column - 1], len(str(value)) if value is not None else 0)
    for column, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(column)].width = min(_WIDEST, width + 2)
    sheet.freeze_panes = "A2"
    sheet.auto_filter.ref = sheet.dimensions


def _put(sheet: Worksheet, row: int, column: int, value: Any) -> Any:
    """Set one cell; text stays text, whatever it begins with."""
    cell = sheet.cell(row=row, column=column)
    if isinstance(value, str):
        cell.value = _CONTROL.sub("", value)
        cell.data_type = "s"
        cell.quotePrefix = value.startswith(("=", "+", "-", "@"))
    else:
        cell.value = value
    return cell


def _sheet_name(key: str, taken: set[str]) -> str:
    """A name that a workbook allows, and that no other sheet has."""
    base = _UNFIT.sub(" ", key.replace("_", " ")).strip().capitalize()[:_LONGEST_NAME] or "Table"
    name, number = base, 2
    while name.lower() in taken:
        tail = f" {number}"
        name, number = base[: _LONGEST_NAME - len(tail)] + tail, number + 1
    taken.add(name.lower())
    return name


def _stamped(raw: bytes, made: datetime) -> bytes:
    """The same archive with fixed times, so that the same report gives the same bytes."""
    fresh = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(raw)) as old, zipfile.ZipFile(fresh, "w", zipfile.ZIP_DEFLATED) as new:
        for name in sorted(old.namelist(), key=lambda n: (n != "[Content_Types].xml", n)):
            content = old.read(name)
            if name == "docProps/core.xml":
                content = _SAVED.sub(rb"\g<1>" + made.strftime("%Y-%m-%dT%H:%M:%SZ").encode() + rb"\g<2>", content)
            info = zipfile.ZipInfo(name, _ZIP_DAY)
            info.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(info, content)
    return fresh.getvalue()
