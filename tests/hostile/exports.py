"""Small exports drawn at random: good rows of the whole contract, in several dialects, with faults planted in them."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

from hypothesis import strategies as st

from outcomes.records.assemble import SETTING_COLUMNS
from outcomes.records.contract import COLUMN, CONTRACT, Column, Table
from outcomes.records.schema import FILLED_WHEN_MISSING
from outcomes.records.vocabulary import OUTCOMES

Row = dict[str, str]

IDS = ("R{}", "00{}", "r-{}", "={}", "-{}", "@{}", "é{}", 'q"{}', "a,{}", "b;{}", " c {}", "Δ{}")
LONG = "<a cell too long>"
_LINKS = ("record_id", "patient_id", "session_id")
_COMPLICATIONS = tuple(outcome.name for outcome in OUTCOMES if outcome.derived_from is None)
_ORDERED = ("healed_after_day", "healed_by_day", "red_after_day", "red_by_day")
_KEPT: dict[str, tuple[str, ...]] = {"visits": (*_LINKS, "day", "seen_on"), "layers": ("record_id",)}
# "seen_on" has to fit the day of treatment: it is filled in by hand.
_BY_HAND = frozenset({*_LINKS, "treated_on", "seen_on", "day", *_ORDERED})


@dataclass(frozen=True)
class Dialect:
    """How a file is written."""

    delimiter: str = ","
    encoding: str = "utf-8"
    newline: str = "\n"
    quote_all: bool = False
    decimal: str = "."
    day_first: bool = False

    def mapping(self) -> str:
        lines = ["[file]", f'decimal = "{self.decimal}"']
        return "\n".join([*lines, 'date_format = "dd/mm/yyyy"'] if self.day_first else lines) + "\n"

    def cell(self, text: str, column: Column | None) -> str:
        if column is None:
            return text
        if column.kind == "number":
            return text.replace(".", self.decimal)
        if column.kind == "date" and self.day_first and len(text) == 10 and text[4] == "-":
            return f"{text[8:]}/{text[5:7]}/{text[:4]}"
        return text


@dataclass(frozen=True)
class Planted:
    """A fault: in which table, at which position, at which column ("" for the whole row)."""

    table: Table
    position: int
    column: str
    cell: str = ""
    how: str = ""


@dataclass(repr=False)
class Export:
    """Good rows by table, the columns of each, and what is planted in them."""

    dialect: Dialect
    columns: dict[Table, list[str]]
    rows: dict[Table, list[Row]]
    planted: list[Planted] = field(default_factory=list)

    def __repr__(self) -> str:
        sizes = {table: len(rows) for table, rows in self.rows.items()}
        return f"Export({self.dialect}, {sizes}, {self.planted})"

    def spoilt(self, table: Table) -> set[int]:
        """Positions of rows of a table that a fault was planted in."""
        return {fault.position for fault in self.planted if fault.table == table}

    def write(self, folder: Path) -> dict[str, Path]:
        """The export with its faults, a file a table."""
        folder.mkdir(parents=True, exist_ok=True)
        return {table: self._write(folder, table, range(len(rows)), True) for table, rows in self.rows.items()}

    def write_good(self, folder: Path, kept: dict[Table, list[int]]) -> dict[str, Path]:
        """The rows at some positions alone, without any fault."""
        folder.mkdir(parents=True, exist_ok=True)
        return {table: self._write(folder, table, kept[table], False) for table in self.rows}

    def _write(self, folder: Path, table: Table, positions: Sequence[int], faulty: bool) -> Path:
        names = self.columns[table]
        out = io.StringIO(newline="")
        quoting = csv.QUOTE_ALL if self.dialect.quote_all else csv.QUOTE_MINIMAL
        writer = csv.writer(out, delimiter=self.dialect.delimiter, quoting=quoting, lineterminator=self.dialect.newline)
        writer.writerow(names)
        faults = {fault.position: fault for fault in self.planted if fault.table == table} if faulty else {}
        for position in positions:
            row = dict(self.rows[table][position])
            fault = faults.get(position)
            if fault is not None and fault.column:
                row[fault.column] = fault.cell.replace(LONG, "x" * 40_000)
            cells = [self.dialect.cell(row[name], COLUMN[table].get(name)) for name in names]
            if fault is None or fault.column:
                writer.writerow(cells)
            elif fault.how == "short":
                writer.writerow(cells[: len(cells) // 2])
            elif fault.how == "long":
                writer.writerow([*cells, "one more"])
            elif fault.how == "header":
                writer.writerow(names)
            elif fault.how == "torn":
                out.write(self.dialect.delimiter.join(['"x" y', *cells[1:]]).replace("\n", " ") + self.dialect.newline)
        path = folder / f"{table}.csv"
        path.write_bytes(out.getvalue().encode(self.dialect.encoding))
        return path


@st.composite
def good_cell(draw: st.DrawFn, column: Column) -> str:
    """A cell that keeps the contract, or an empty one where it may be empty."""
    if not column.required and draw(st.integers(0, 3)) == 0:
        return ""
    if column.kind == "id":
        return draw(st.sampled_from(IDS)).format(draw(st.integers(1, 4)))
    if column.kind == "boolean":
        return draw(st.sampled_from(["yes", "no", "Y", "n", "TRUE", "0", "1", ""]))
    if column.kind == "code":
        return draw(st.sampled_from(column.codes))
    if column.kind == "list":
        chosen = draw(st.lists(st.sampled_from(column.codes[1:]), min_size=1, max_size=3, unique=True))
        return ";".join(chosen)
    if column.kind == "text":
        return draw(st.sampled_from(["film", "gel sheet", "=gauze", "+none", "crème"]))
    if column.kind == "time":
        return f"{draw(st.integers(0, 23)):02d}:{draw(st.integers(0, 59)):02d}"
    if column.kind == "date":
        return (date(2025, 1, 1) + timedelta(days=draw(st.integers(0, 500)))).isoformat()
    low, high = math.ceil(column.minimum or 0), math.floor(column.maximum or 100)
    whole = str(draw(st.integers(low, high - 1)))
    return whole if column.kind == "integer" else whole + draw(st.sampled_from(["", ".5", ".25", ".125"]))


@st.composite
def bad_cell(draw: st.DrawFn, column: Column) -> str:
    """A cell that breaks the contract by itself."""
    anywhere = ["#N/A", "#REF!", LONG, "a\x00b"]
    if column.required and column.name not in FILLED_WHEN_MISSING:
        anywhere.append("")
    if column.kind == "id":
        return draw(st.sampled_from([*anywhere, "9.0072E+16", "y" * 300]))
    if column.kind in ("number", "integer"):
        below, above = (column.minimum or 0) - 1, (column.maximum or 0) + 1
        wrong = ["about 12", "n/k", "1 200", "nan", "inf", "12 mJ", "1e9999", "--3", "0x1F", "٣x", f"{below:g}"]
        wrong += [f"{above:.0f}"] + (["1.5", "2.0001"] if column.kind == "integer" else [])
        return draw(st.sampled_from([*anywhere, *wrong]))
    if column.kind == "date":
        return draw(
            st.sampled_from([*anywhere, "2026-02-31", "1890-01-01", "2150-01-01", "soon", "43894", "0000-00-00"])
        )
    if column.kind == "boolean":
        return draw(st.sampled_from([*anywhere, "maybe", "2", "nein", "y/n"]))
    if column.kind == "time":
        return draw(st.sampled_from([*anywhere, "25:00", "noon", "12:61"]))
    if column.kind == "text":
        return draw(st.sampled_from(["#VALUE!", "long " * 30, LONG]))
    return draw(st.sampled_from([*anywhere, "elbow?", "=1+1", "none and more"]))


def _answers(row: Row, columns: Sequence[str]) -> None:
    """Take the contradictions out of a drawn row: a no has no day and no severity, none stands alone."""
    for name in _COMPLICATIONS:
        for detail in (f"{name}_day", f"{name}_severity"):
            if row.get(name) in ("no", "n", "0") and detail in columns:
                row[detail] = ""


@st.composite
def exports(draw: st.DrawFn, *, most_rows: int = 12) -> Export:
    """An export with faults planted in up to half of its rows, one a row."""
    dialect = draw(
        st.builds(
            Dialect,
            delimiter=st.sampled_from([",", ";", "\t", "|"]),
            encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
            newline=st.sampled_from(["\n", "\r\n"]),
            quote_all=st.booleans(),
            decimal=st.sampled_from([".", ","]),
            day_first=st.booleans(),
        )
    )
    chosen: dict[Table, list[str]] = {}
    others: tuple[Table, ...] = ("sessions", "layers", "visits")
    tables: list[Table] = ["zones", *(table for table in others if draw(st.booleans()))]
    for table in tables:
        optional = [c.name for c in CONTRACT[table] if not c.required and c.name not in _BY_HAND]
        some = draw(st.lists(st.sampled_from(optional), min_size=1, max_size=10, unique=True))
        names = [c.name for c in CONTRACT[table] if c.required] + some
        if table == "zones" and draw(st.booleans()):
            names += [name for name in _ORDERED if name not in names]
        if table == "visits":
            names += ["record_id", "session_id", *draw(st.sampled_from([["day"], ["seen_on"], ["day", "seen_on"]]))]
        chosen[table] = draw(st.permutations(list(dict.fromkeys(names))))
    export = Export(dialect, chosen, {table: [] for table in tables})
    sessions = draw(st.integers(1, most_rows // 2))
    pattern = draw(st.sampled_from(IDS))
    treated: dict[str, date] = {}
    for number in range(1, sessions + 1):
        session, patient = f"S{number:03d}", pattern.format(draw(st.integers(1, 3)))
        treated[session] = date(2026, 1, 1) + timedelta(days=draw(st.integers(0, 60)))
        for _ in range(draw(st.integers(1, 2))):
            row = {c: draw(good_cell(COLUMN["zones"][c])) for c in chosen["zones"] if c not in _BY_HAND}
            row |= {"record_id": pattern.format(len(export.rows["zones"]) + 1), "patient_id": patient}
            row |= {"session_id": session, "treated_on": treated[session].isoformat()}
            for after, by in (_ORDERED[:2], _ORDERED[2:]):
                first, later = draw(st.integers(0, 30)), draw(st.integers(0, 30))
                row |= {after: str(first), by: draw(st.sampled_from([str(first + later), ""]))}
            _answers(row, chosen["zones"])
            export.rows["zones"].append(row)
        if "sessions" in chosen:
            row = {c: draw(good_cell(COLUMN["sessions"][c])) for c in chosen["sessions"] if c not in _BY_HAND}
            export.rows["sessions"].append({**row, "session_id": session})
    for zone in export.rows["zones"] if "layers" in chosen else ():
        for number in range(1, 1 + draw(st.integers(0, 2))):
            row = {c: draw(good_cell(COLUMN["layers"][c])) for c in chosen["layers"] if c not in _BY_HAND}
            export.rows["layers"].append({**row, "record_id": zone["record_id"], "layer_no": str(number)})
    if "visits" in chosen:
        for _ in range(draw(st.integers(1, most_rows))):
            export.rows["visits"].append(_visit(draw, export, treated))
    for table in tables:
        _plant(draw, export, table)
    return export


def _visit(draw: st.DrawFn, export: Export, treated: dict[str, date]) -> Row:
    columns = export.columns["visits"]
    row = {c: draw(good_cell(COLUMN["visits"][c])) for c in columns if c not in _BY_HAND}
    zone = draw(st.sampled_from(export.rows["zones"]))
    by_record = draw(st.booleans())
    row["record_id"] = zone["record_id"] if by_record else ""
    row["session_id"] = zone["session_id"] if not by_record or draw(st.booleans()) else ""
    if "zone" in row:
        row["zone"] = draw(st.sampled_from(["", zone["zone"]]))
    # A day of its own, so that no two visits are equal throughout.
    day = len(export.rows["visits"]) + 1
    row |= {"day": str(day), "seen_on": (treated[zone["session_id"]] + timedelta(days=day)).isoformat()}
    _answers(row, columns)
    return row


def _plant(draw: st.DrawFn, export: Export, table: Table) -> None:
    rows, names = export.rows[table], export.columns[table]
    most = len(rows) - 1 if table == "zones" else len(rows)
    positions = draw(st.lists(st.integers(0, len(rows) - 1), max_size=most, unique=True)) if rows else []
    whole = 0
    for position in positions:
        # Where most rows are torn the whole file is refused: that is another fault.
        if whole < 2 and 2 * (whole + 1) <= len(rows) - 1 and draw(st.integers(0, 4)) == 0:
            whole += 1
            how = draw(st.sampled_from(["short", "long", "header", "torn"]))
            if how == "short" and not any(rows[position][n] for n in names[: len(names) // 2]):
                how = "long"  # what is left of the row would be a blank one, which is no row
            export.planted.append(Planted(table, position, "", how=how))
            continue
        name = draw(st.sampled_from([n for n in names if n not in _KEPT.get(table, ())]))
        column = COLUMN[table][name]
        text = draw(bad_cell(column))
        if not text and not any(rows[position][n] for n in names if n != name):
            text = "#N/A"  # a blank row is no row
        if not text and table == "zones" and name in SETTING_COLUMNS and "layers" in export.rows:
            text = "#N/A"  # a blank setting may be on the first layer
        export.planted.append(Planted(table, position, name, text))
