"""One table of an export → the contract's words, with every problem at its row."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping as MappingABC
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.records.contract import CONTRACT, Table
from outcomes.records.convert.cells import Converted, Fault, each
from outcomes.records.convert.units import AS_DATE
from outcomes.records.guesses import guess_columns
from outcomes.records.headers import rows_in_words
from outcomes.records.mapping.columns import NUMBERS, ColumnReader, days_since, read_id
from outcomes.records.mapping.density import convert_density
from outcomes.records.mapping.remarks import counted
from outcomes.records.mapping.sources import MOST_HEADERS, Source, Sources, find_sources, header_below
from outcomes.records.mapping.types import Mapped, Mapping
from outcomes.records.privacy import check_identifiers
from outcomes.records.problems import MOST_PROBLEMS, Problem, too_many
from outcomes.records.readers.raw import RawTable

_OF_HEADERS = ("column_missing", "header_unknown")
_TELLING_KINDS = ("id", "date", "code", "boolean")
_FEWEST_TELLING_COLUMNS = 3
CLOSE = 0.77
"""Likeness of a header that nothing is read from to a column that is absent, from which it is told."""

BEFORE_TREATMENT = Fault(
    "before_treatment",
    "lies before the day of treatment on the same row",
    "Correct one of the two dates where the record is kept.",
)

_KEYS: dict[Table, tuple[str, ...]] = {
    "zones": ("record_id",),
    "sessions": ("session_id",),
    "layers": ("record_id",),
    "visits": ("record_id", "session_id"),
}


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
    if raw.fatal:
        return Mapped(raw.table, pd.DataFrame(index=pd.RangeIndex(0)), [], {}, raw.problems, ())
    sources = find_sources(raw.table, list(raw.frame.columns), mapping)
    if (below := header_below(raw, mapping)) is not None and any(p.kind in _OF_HEADERS for p in sources.problems):
        sources.problems = [below, *(p for p in sources.problems if p.kind not in _OF_HEADERS)]
    work = _Work(raw, mapping, sources, ColumnReader(raw, mapping.settings_of(raw.table)))
    work.problems += check_identifiers(raw.table, raw.frame, sources.read_from)
    work.problems += sources.problems
    work.take_reader_problems()
    work.find_totals()
    columns = work.convert(devices)
    return Mapped(
        raw.table,
        pd.DataFrame(columns, index=pd.RangeIndex(len(raw.rows))),
        list(raw.rows),
        {source.column.name: source.header for source in sources.found},
        tuple(work.problems),
        tuple(work.said()),
        frozenset(work.faults),
    )


@dataclass(slots=True)
class _Work:
    """One table on its way from the export's words to ours."""

    raw: RawTable
    mapping: Mapping
    sources: Sources
    reader: ColumnReader
    problems: list[Problem] = field(default_factory=list)
    faults: set[tuple[int, str]] = field(default_factory=set)
    notes: Counter[str] = field(default_factory=Counter)
    of_the_file: list[str] = field(default_factory=list)

    def take_reader_problems(self) -> None:
        """Keep the reader's problems, except those in cells that nobody reads: they become a note."""
        names: dict[str, list[str]] = {}
        for source in self.sources.found:
            for header in source.headers:
                names.setdefault(header, []).append(source.column.name)
        position = {row: i for i, row in enumerate(self.raw.rows)}
        aside: dict[str, list[int]] = {}
        for problem in self.raw.problems:
            if problem.row is None:
                self.problems.append(problem)
            elif not problem.column:
                self.problems.append(problem)
                self.set_aside(position[problem.row])
            elif problem.column in names:
                self.problems.append(problem)
                self.faults |= {(problem.row, name) for name in names[problem.column]}
                self.reader.blind.setdefault(problem.column, set()).add(position[problem.row])
            else:
                aside.setdefault(problem.column, []).append(problem.row)
        if aside:
            where = "; ".join(f"{header}: {rows_in_words(rows)}" for header, rows in aside.items())
            cells = sum(len(rows) for rows in aside.values())
            self.of_the_file.append(f"{cells} unreadable cell(s) in columns that are not used ({where})")

    def set_aside(self, position: int) -> None:
        """Leave out a row that has a problem as a whole: its single cells say nothing."""
        self.reader.aside.add(position)
        self.faults |= {(self.raw.rows[position], column.name) for column in CONTRACT[self.raw.table]}

    def find_totals(self) -> None:
        """Rows that are no record: totals by their first cell, and rows without any id, date or code.

        A row whose first cell says totals has no id; or, where the id itself stands in the first column, none of the
        dates and codes that a record has. Whatever the first cell says, in whatever language, a row of zones that has
        only numbers beside it is none either.
        """
        first = self.raw.frame.columns[0] if len(self.raw.frame.columns) else ""
        ids = [s for s in self.sources.found if s.column.name in _KEYS[self.raw.table] and s.headers]
        if not ids or any(first in source.headers for source in ids):
            ids = [s for s in self.sources.found if s.column.kind in ("date", "code", "boolean") and s.headers]
        named = [header for source in ids for header in source.headers]
        for i in sorted(self.raw.total_rows) if ids else ():
            if self.raw.frame[named].iloc[i].isna().all():
                self._no_record(i, "the row holds totals; it is not a record")
        told = [s for s in self.sources.found if s.column.kind in _TELLING_KINDS and first not in s.headers]
        headers = sorted({header for source in told for header in source.headers})
        if self.raw.table == "zones" and len(headers) >= _FEWEST_TELLING_COLUMNS:
            numbers = sorted(
                {h for s in self.sources.found if s.column.kind in NUMBERS for h in s.headers} - set(headers)
            )
            bare = self.raw.frame[headers].isna().all(axis=1) & self.raw.frame[numbers].notna().any(axis=1)
            for i in np.flatnonzero(bare.to_numpy(dtype=bool)).tolist():
                self._no_record(i, "the row has no id, no date and no code, as a line of totals; it is not a record")

    def _no_record(self, position: int, rule: str) -> None:
        if position in self.reader.aside:
            return
        self.set_aside(position)
        remedy = "No record is lost; leave totals out of the export to be rid of the message."
        self.problems.append(Problem(self.raw.table, self.raw.rows[position], "", rule, remedy, "totals_row"))

    def convert(self, devices: MappingABC[str, str] | None) -> dict[str, pd.Series]:
        """Every column in our words, in contract order."""
        marks, note, fault = self.reader.marks(self.sources.found)
        if note:
            self.of_the_file.append(note)
        if fault is not None:
            self.problems.append(Problem(self.raw.table, None, "", fault.rule, fault.remedy, fault.kind, fatal=True))
        columns: dict[str, pd.Series] = {}
        for source in self.sources.found:
            converted = self.reader.read(source, marks)
            if source.column.name == "density_pct" and self.mapping.density_index:
                converted = self._density(source, converted, devices)
            columns[source.column.name] = self._settle(source, converted)
        for source in self.sources.found:
            if source.spec.unit == AS_DATE and "treated_on" in columns:
                days = days_since(columns[source.column.name], columns["treated_on"])
                early = days.str.startswith("-").fillna(False).to_numpy(dtype=bool)
                faults = dict.fromkeys(np.flatnonzero(early).tolist(), BEFORE_TREATMENT)
                columns[source.column.name] = self._settle(source, Converted(days.mask(early), faults))
                self.notes["dates turned into days since treatment"] += 1
        return columns

    def _density(self, source: Source, percent: Converted, devices: MappingABC[str, str] | None) -> Converted:
        device = self._devices(devices)
        if device is None:
            self.problems.append(
                Problem(
                    self.raw.table,
                    None,
                    source.header,
                    "cannot be told from an index, as the rows do not say which device was used",
                    "Name the header of the device as device_id in the mapping, or delete [density_index].",
                    "density_index",
                    fatal=True,
                )
            )
            return percent
        return convert_density(self.reader.cells(source), percent, device, self.mapping.density_index)

    def _devices(self, devices: MappingABC[str, str] | None) -> pd.Series | None:
        """The device of each row, as the mapping's density tables name it."""
        found = {source.column.name: source for source in self.sources.found}
        if "device_id" in found:
            cells, codes = self.reader.cells(found["device_id"]), found["device_id"].spec.codes
            ours = each(cells, lambda text: read_id(text, codes)).cells
            return ours.where(~cells.isin(list(self.mapping.density_index)), cells)
        if devices is not None and "record_id" in found:
            return self.reader.cells(found["record_id"]).map(dict(devices)).astype("string")
        return None

    def _settle(self, source: Source, converted: Converted) -> pd.Series:
        """Turn the faults of a converted column into problems, and return its cells."""
        table, header = self.raw.table, source.header
        for fault in converted.fatal:
            self.problems.append(Problem(table, None, header, fault.rule, fault.remedy, fault.kind, fatal=True))
        if converted.faults and not source.headers:
            fault = next(iter(converted.faults.values()))
            rule = f"has a value in the mapping that does not fit: it {fault.rule}"
            self.problems.append(
                Problem(table, None, header, rule, "Correct the value in the mapping.", fault.kind, fatal=True)
            )
            return converted.cells
        if len(self.problems) + len(converted.faults) > MOST_PROBLEMS:
            first = min(converted.faults)
            rule = converted.faults[first].rule
            self.problems.append(too_many(table, header, len(converted.faults), self.raw.rows[first], rule))
            return converted.cells
        for i, fault in converted.faults.items():
            row = self.raw.rows[i]
            self.problems.append(Problem(table, row, header, fault.rule, fault.remedy, fault.kind))
            self.faults.add((row, source.column.name))
        self.notes.update(converted.notes)
        return converted.cells

    def unused(self) -> str:
        """Headers that nothing is read from, each with the column that is absent and that it comes close to."""
        headers = self.sources.unused
        read = {source.column.name for source in self.sources.found}
        absent = [column for column in CONTRACT[self.raw.table] if column.name not in read]
        guesses = guess_columns(self.raw.table, headers[:MOST_HEADERS], absent).values()
        near = {guess.header: guess.column.name for guess in guesses if guess.score >= CLOSE}
        said = [f"{h} (close to {near[h]}, which is absent)" if h in near else h for h in headers]
        return ", ".join(said)

    def said(self) -> list[str]:
        """Notes of the table, each once, with the number of columns that it is true of."""
        notes = [f"{note} ({times} column{'s' if times > 1 else ''})" for note, times in self.notes.items()]
        cells: Counter[str] = Counter()
        for kinds in self.reader.tidied.values():
            cells.update(kinds)
        notes += counted(cells)
        if self.sources.alike:
            notes.append(f"{self.sources.alike} header(s) matched despite capitals, spaces or look-alike characters")
        if self.mapping.sha256 is not None and self.sources.own_name:
            notes.append(f"{self.sources.own_name} column(s) taken by their own name, which the mapping does not name")
        for header, columns in self.sources.read_from.items():
            if len(columns) > 1:
                notes.append(f"{header} read as {' and as '.join(column.name for column in columns)}")
        if self.sources.unused and self.sources.found:
            notes.append(f"not used: {self.unused()}")
        return [*self.of_the_file, *notes]
