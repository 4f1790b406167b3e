"""One column of an export, read by its kind and by what the mapping declares of it."""

from __future__ import annotations

import re
from collections.abc import Mapping as MappingABC
from dataclasses import dataclass, field
from fractions import Fraction
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from outcomes.records.contract import Kind
from outcomes.records.convert.cells import Converted, Fault, clean, distinct, each
from outcomes.records.convert.codes import MOST_WORDS, code_reader, folded, list_reader, word, yes_no_reader
from outcomes.records.convert.dates import DateRules, date_format, read_dates, read_times
from outcomes.records.convert.numbers import Evidence, Marks, decide_marks, declared_marks, read_number
from outcomes.records.convert.units import AS_DATE, unit_factor
from outcomes.records.headers import fold
from outcomes.records.mapping.remarks import remarks, tidied
from outcomes.records.mapping.sources import Source
from outcomes.records.mapping.types import Settings
from outcomes.records.readers.raw import RawTable

NUMBERS: frozenset[Kind] = frozenset({"number", "integer"})
LONGEST_ID = 200

_SPREADSHEET_ERROR = r"#(?:N/A|REF!|VALUE!|DIV/0!|NAME\?|NULL!|NUM!|GETTING_DATA|SPILL!|CALC!)"
_DAY_AND_MONTH = (
    r"(?:\d{1,2}[-. ](?:jan|feb|mar|mär|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez)\.?|"
    r"(?:jan|feb|mar|mär|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez)-\d{2})"
)
_MANGLED_ID = re.compile(r"[0-9](?:[.,][0-9]+)?[eE]\+[0-9]{1,3}")

ERROR_CELL = Fault(
    "error_cell", "shows a spreadsheet error instead of a value", "Correct the formula or the cell, and export again."
)
MANGLED_ID = Fault(
    "digits_lost",
    "is an id that a spreadsheet has turned into a rounded number",
    "Export the column as text, so that long identifiers keep all their digits.",
)
BECAME_A_DATE = Fault(
    "became_a_date",
    "is an id that a spreadsheet has made a date of",
    "Export the column as text, so that identifiers stay as they are.",
)
LONG_ID = Fault("id_too_long", f"is an id of more than {LONGEST_ID} characters", "Correct the cell in the export.")
MANY_WORDS = Fault(
    "free_text",
    f"holds more than {MOST_WORDS} different texts where a few short words are meant",
    "Drop the column in the mapping, or name another header for it.",
)


@dataclass(slots=True)
class ColumnReader:
    """Reads the columns of one table.

    Attributes
    ----------
    raw : RawTable
    settings : Settings
        What the mapping declares for the table.
    blind : dict of str to set of int
        Positions, by header, of cells that the reader already has a problem with: they are left out.
    aside : set of int
        Positions of rows that are no records or cannot be told apart: all their cells are left out.
    cleaned : dict of str to Series
        Cleaned text by column of the contract, as far as it was asked for.
    tidied : dict of str to dict of str to int
        What cleaning did, by header: how many cells of each kind.
    """

    raw: RawTable
    settings: Settings
    blind: dict[str, set[int]] = field(default_factory=dict)
    aside: set[int] = field(default_factory=set)
    cleaned: dict[str, pd.Series] = field(default_factory=dict)
    tidied: dict[str, dict[str, int]] = field(default_factory=dict)

    @property
    def typed(self) -> bool:
        """Whether the file's numbers are numbers, not text."""
        return self.raw.kind != "csv"

    def cells(self, source: Source) -> pd.Series:
        """Cleaned text of a column; of several headers joined by ``|``, missing where one of them is."""
        name = source.column.name
        if name not in self.cleaned:
            self.cleaned[name] = self._cells(source)
        return self.cleaned[name]

    def _cells(self, source: Source) -> pd.Series:
        index = pd.RangeIndex(len(self.raw.rows))
        if not source.headers:
            return pd.Series([source.spec.value] * len(index), index=index, dtype="string")
        missing = (*self.settings.missing, *source.spec.missing)
        joined: pd.Series | None = None
        for header in source.headers:
            part = clean(self.raw.frame[header], missing)
            self.tidied[header] = tidied(self.raw.frame[header], part)
            if blind := self.blind.get(header, set()) | self.aside:
                part = part.mask(pd.Series(index.isin(list(blind)), index=index))
            joined = part if joined is None else joined + "|" + part
        return part if joined is None else joined

    def marks(self, sources: list[Source]) -> tuple[Marks, str, Fault | None]:
        """The decimal mark of the file: declared, or shown by all its columns of numbers together."""
        declared = self.settings.decimal
        if declared is not None:
            note = f"decimal {'comma' if declared == ',' else 'dot'}, declared"
            return declared_marks(declared, typed=self.typed), note, None
        evidence = Evidence()
        for source in sources:
            if source.column.kind in NUMBERS and source.spec.decimal is None and source.spec.unit != AS_DATE:
                which, texts = distinct(self.cells(source))
                times = np.bincount(which[which >= 0], minlength=len(texts))
                for text, count in zip(texts, times, strict=True):
                    if text not in source.spec.codes:
                        evidence.add(text, int(count))
        return decide_marks(evidence, typed=self.typed)

    def read(self, source: Source, marks: Marks) -> Converted:
        """A column in our words; a spreadsheet's error texts are faults whatever the kind."""
        cells = self.cells(source)
        spoilt = cells.str.fullmatch(_SPREADSHEET_ERROR).fillna(False).to_numpy(dtype=bool)
        read = cells.mask(spoilt) if spoilt.any() else cells
        converted = self._by_kind(source, read, marks)
        if not converted.fatal:
            converted.notes += remarks(source.column, source.spec, read, converted)
        converted.faults |= {int(i): ERROR_CELL for i in np.flatnonzero(spoilt)}
        return converted

    def _by_kind(self, source: Source, cells: pd.Series, marks: Marks) -> Converted:
        column, spec = source.column, source.spec
        where = f"[{self.raw.table}.columns.{column.name}]"
        if spec.holds_dates(column):
            typed = self.raw.typed_dates.get(source.headers[0], set()) if source.headers else set()
            return read_dates(cells, self._date_rules(source), typed)
        if column.kind == "time":
            return read_times(cells, self._date_rules(source))
        if column.kind in NUMBERS:
            return self._numbers(source, cells, marks)
        if column.kind == "boolean":
            return each(cells, yes_no_reader(spec.codes, self.settings.yes, self.settings.no, where))
        if column.kind == "code":
            return each(cells, code_reader(column, spec.codes, where))
        if column.kind == "list":
            return each(cells, list_reader(column, spec.codes, spec.separator, where))
        if column.kind == "text":
            converted = each(cells, word)
            if len(distinct(converted.cells)[1]) > MOST_WORDS:
                converted.fatal.append(MANY_WORDS)
            return converted
        converted = each(cells, lambda text: read_id(text, spec.codes))
        converted.faults |= dict.fromkeys(self._became_dates(source, cells), BECAME_A_DATE)
        return converted

    def _became_dates(self, source: Source, cells: pd.Series) -> set[int]:
        """Positions of ids that a spreadsheet has made dates of, in a column that holds other things too."""
        typed = self.raw.typed_dates.get(source.headers[0], set()) if len(source.headers) == 1 else set()
        there = set(np.flatnonzero(cells.notna()).tolist())
        named = cells.str.fullmatch(_DAY_AND_MONTH, case=False).fillna(False).to_numpy(dtype=bool)
        dates = (typed & there) | set(np.flatnonzero(named).tolist())
        return dates if dates != there else set()

    def _date_rules(self, source: Source) -> DateRules:
        spec, shared = source.spec, self.settings
        written, zone = spec.date_format or shared.date_format, spec.time_zone or shared.time_zone
        return DateRules(
            date_format(written) if written is not None else None,
            ZoneInfo(zone) if zone is not None else None,
            spec.date_cells or shared.date_cells,
        )

    def _numbers(self, source: Source, cells: pd.Series, marks: Marks) -> Converted:
        column, spec = source.column, source.spec
        if spec.decimal is not None:
            marks = declared_marks(spec.decimal, typed=self.typed)
        factor = unit_factor(column.unit, spec.unit) if spec.unit is not None else Fraction(1)
        codes = folded(spec.codes)
        percent, whole = column.unit == "%", column.kind == "integer"

        def read(text: str) -> str | Fault | None:
            if text in spec.codes:
                return spec.codes[text] or None
            if codes and fold(text) in codes:
                return codes[fold(text)] or None
            return read_number(text, marks, factor=factor, percent=percent, whole=whole)

        converted = each(cells, read)
        if factor != 1:
            converted.notes.append(f"{spec.unit} turned into {column.unit}")
        return converted


def read_id(text: str, codes: MappingABC[str, str]) -> str | Fault | None:
    """An id as it stands, or the one that the mapping gives for it.

    Examples
    --------
    >>> read_id("00123", {}), read_id("Room 2 laser", {"Room 2 laser": "L2"}), read_id("9.00720E+16", {}).kind
    ('00123', 'L2', 'digits_lost')
    """
    if text in codes:
        return codes[text] or None
    if _MANGLED_ID.fullmatch(text):
        return MANGLED_ID
    return LONG_ID if len(text) > LONGEST_ID else text


def days_since(dates: pd.Series, treated: pd.Series) -> pd.Series:
    """Days from treatment to each date; missing where either is.

    Examples
    --------
    >>> days_since(pd.Series(["2024-03-08"], dtype="string"), pd.Series(["2024-03-01"], dtype="string")).tolist()
    ['7']
    """
    later = pd.to_datetime(dates, format="%Y-%m-%d")
    return (later - pd.to_datetime(treated, format="%Y-%m-%d")).dt.days.astype("Int64").astype("string")
