"""What a workbook says about itself beyond its values: hidden rows, merged cells, formulas without a result."""

from __future__ import annotations

import posixpath
import zipfile
from dataclasses import dataclass, field
from typing import IO
from xml.etree import ElementTree
from xml.parsers import expat

from openpyxl.utils.cell import column_index_from_string, coordinate_from_string, range_boundaries

from outcomes.records.readers.limits import MOST_COLUMNS, MOST_ROWS, check_archive, check_cells

_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_STRICT = "{http://purl.oclc.org/ooxml/spreadsheetml/main}"
_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_STRICT_RELATION = "{http://purl.oclc.org/ooxml/officeDocument/relationships}id"


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet of a workbook: its name, the part that holds it, whether it is hidden."""

    name: str
    part: str
    hidden: bool


@dataclass(slots=True)
class Structure:
    """What stands around the values of one sheet.

    Attributes
    ----------
    hidden_rows : set of int
        Rows (1-based) that the spreadsheet hides.
    hidden_columns : set of int
        Columns (1-based) that it hides.
    merged : list of (int, int, int, int)
        Merged blocks as first column, first row, last column, last row, as far as there are cells.
    formulas : int
        Cells with a formula.
    without_result : set of (int, int)
        (row, column) of formulas with no stored result.
    zero_result : set of (int, int)
        (row, column) of formulas whose stored result is 0.
    last_row, last_column : int
        Corner of the rectangle that the cells span.
    """

    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    formulas: int = 0
    without_result: set[tuple[int, int]] = field(default_factory=set)
    zero_result: set[tuple[int, int]] = field(default_factory=set)
    last_row: int = 0
    last_column: int = 0


def sheets_of(archive: zipfile.ZipFile) -> tuple[tuple[Sheet, ...], bool]:
    """Sheets of a workbook in order, and whether it asks to be calculated anew when it is opened.

    Raises
    ------
    TooLarge
        If it is too large to be unpacked.
    KeyError, ValueError, ElementTree.ParseError
        If the parts of the workbook are not there or not well formed.
    """
    check_archive(archive)
    book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
    relations = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    part = {
        relation.get("Id"): posixpath.normpath(posixpath.join("/xl", relation.get("Target", ""))).lstrip("/")
        for relation in relations
        if relation.get("Type", "").endswith("/worksheet")
    }
    sheets = []
    for element in book.iter():
        if element.tag in (_MAIN + "sheet", _STRICT + "sheet"):
            key = element.get(_RELATION) or element.get(_STRICT_RELATION)
            if key in part:
                hidden = element.get("state", "visible") != "visible"
                sheets.append(Sheet(element.get("name", ""), part[key], hidden))
    anew = any(
        element.get("fullCalcOnLoad") in ("1", "true")
        for element in book.iter()
        if element.tag in (_MAIN + "calcPr", _STRICT + "calcPr")
    )
    return tuple(sheets), anew


class _Scan:
    """Handlers for one pass over a sheet's XML."""

    def __init__(self) -> None:
        self.found = Structure()
        self.row = self.column = 0
        self.text = False
        self.formula = self.inside_value = False
        self.value: list[str] = []
        self.merged_cells = 0

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(" ")[2]
        if name == "c":
            self._cell(attributes)
        elif name == "f":
            self.formula = True
        elif name == "v":
            self.inside_value = self.formula
        elif name == "row":
            self.row, self.column = int(attributes.get("r", self.row + 1)), 0
            if not self.found.last_row < self.row <= MOST_ROWS:
                raise ValueError("a row is there twice, out of order or beyond the end of a sheet")
            self.found.last_row = self.row
            if attributes.get("hidden") in ("1", "true"):
                self.found.hidden_rows.add(self.row)
        elif name == "col" and attributes.get("hidden") in ("1", "true"):
            first, last = int(attributes["min"]), int(attributes["max"])
            self.found.hidden_columns.update(range(first, min(last, MOST_COLUMNS) + 1))
        elif name == "mergeCell":
            left, top, right, bottom = range_boundaries(attributes["ref"])
            block = (left or 1, top or 1, min(right or MOST_COLUMNS, self.found.last_column),
                     min(bottom or MOST_ROWS, self.found.last_row))  # fmt: skip
            self.found.merged.append(block)
            self.merged_cells += max(0, block[2] - block[0] + 1) * max(0, block[3] - block[1] + 1)
            if self.merged_cells > self.found.last_row * self.found.last_column:
                raise ValueError("merged blocks lie over one another")

    def _cell(self, attributes: dict[str, str]) -> None:
        before, self.column = self.column, self.column + 1
        if "r" in attributes:
            letters, row = coordinate_from_string(attributes["r"])
            self.column = column_index_from_string(letters)
            if row != self.row or self.column <= before:
                raise ValueError("a cell is there twice, out of order or not in its row")
        self.found.last_column = max(self.found.last_column, self.column)
        self.text = attributes.get("t") == "str"
        self.formula, self.value = False, []

    def data(self, text: str) -> None:
        if self.inside_value:
            self.value.append(text)

    def end(self, tag: str) -> None:
        name = tag.rpartition(" ")[2]
        if name == "v":
            self.inside_value = False
        elif name == "c" and self.formula:
            self.found.formulas += 1
            stored = "".join(self.value).strip()
            if not stored and not self.text:
                self.found.without_result.add((self.row, self.column))
            elif stored == "0":
                self.found.zero_result.add((self.row, self.column))


def structure_of(part: IO[bytes]) -> Structure:
    """What stands around the values of a sheet, from its XML.

    A formula whose stored result is an empty text has a result; one with no stored result has none.

    Raises
    ------
    TooLarge
        If its cells span more rows and columns than can be held.
    expat.ExpatError, ValueError, KeyError
        If the part is not well formed.
    """
    scan = _Scan()
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.StartElementHandler = scan.start
    parser.EndElementHandler = scan.end
    parser.CharacterDataHandler = scan.data
    parser.ParseFile(part)
    check_cells(scan.found.last_row, scan.found.last_column)
    return scan.found
