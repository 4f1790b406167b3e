"""A mapping file, read and checked: every fault at once, each with the nearest right word."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterable
from dataclasses import fields
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from outcomes.errors import MappingError
from outcomes.records.contract import COLUMN, TABLES, Column, Table
from outcomes.records.convert.codes import NO, YES
from outcomes.records.convert.dates import date_format
from outcomes.records.convert.units import AS_DATE, unit_factor
from outcomes.records.headers import did_you_mean, fold
from outcomes.records.mapping.types import ColumnMapping, Mapping, Settings

TOP = ("file", "drop", "columns", *TABLES, "density_index")
SETTINGS = tuple(field.name for field in fields(Settings))
FILE_KEYS = (*(name for name in SETTINGS if name != "sheet"), "skip_rows")
TABLE_KEYS = (*SETTINGS, "skip_rows", "columns")
COLUMN_KEYS = (
    "from", "value", "unit", "codes", "missing", "decimal", "date_format", "date_cells", "time_zone", "separator",
)  # fmt: skip

_DELIMITERS = {"tab": "\t", "comma": ",", "semicolon": ";", "bar": "|", ",": ",", ";": ";", "\t": "\t", "|": "|"}
_MARKS = {"comma": ",", "dot": ".", "point": ".", ",": ",", ".": "."}
_MOST_FAULTS = 12


def load_mapping(path: Path) -> Mapping:
    """Read and check a mapping file.

    Raises
    ------
    MappingError
        If it cannot be read, is not TOML, has a key we do not know, or names a column, unit or code that does not
        exist; the message names the nearest right one.
    """
    try:
        data = path.read_bytes()
    except OSError:
        raise MappingError("The mapping file cannot be opened.", "Check its name and place.") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise MappingError("The mapping file is not UTF-8 text.", "Save it again as UTF-8.") from None
    return parse_mapping(text, sha256=hashlib.sha256(data).hexdigest())


def parse_mapping(text: str, *, sha256: str | None = None) -> Mapping:
    r"""Check the text of a mapping.

    Raises
    ------
    MappingError
        See `load_mapping`.

    Examples
    --------
    >>> parse_mapping('[zones.columns]\nrecord_id = "Case no"').columns_of("zones")["record_id"].headers
    ('Case no',)
    """
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise MappingError(f"The mapping is not valid TOML: {error}.", "Correct the line that it names.") from None
    check = _Check()
    check.keys(content, TOP, "the mapping")
    file = check.table(content, "file", "the mapping")
    check.keys(file, FILE_KEYS, "[file]")
    shared = check.settings(file, "[file]")
    sections: dict[Table, dict[str, Any]] = {t: dict(check.table(content, t, "the mapping")) for t in TABLES}
    if "columns" in content:
        if "columns" in sections["zones"]:
            check.fault("[columns] is short for [zones.columns], and both are there")
        else:
            sections["zones"]["columns"] = content["columns"]
    columns: dict[Table, tuple[ColumnMapping, ...]] = {}
    settings: dict[Table, Settings] = {}
    for table, section in sections.items():
        check.keys(section, TABLE_KEYS, f"[{table}]")
        settings[table] = Settings(**{**shared, **check.settings(section, f"[{table}]")})
        found = check.table(section, "columns", f"[{table}]")
        columns[table] = tuple(
            spec for name, entry in found.items() if (spec := check.column(table, name, entry)) is not None
        )
    drop = check.table(content, "drop", "the mapping")
    check.keys(drop, ("columns",), "[drop]")
    dropped = check.texts(drop.get("columns", []), "columns in [drop]")
    index = check.density(check.table(content, "density_index", "the mapping"))
    check.used_and_dropped(columns, dropped)
    check.used_twice(columns)
    check.done()
    return Mapping(columns, settings, dropped, index, sha256)


class _Check:
    """Faults of a mapping, gathered while it is taken apart."""

    def __init__(self) -> None:
        self.faults: list[str] = []

    def fault(self, what: str) -> None:
        self.faults.append(what)

    def done(self) -> None:
        if not self.faults:
            return
        shown = [f"({i}) {what}" for i, what in enumerate(self.faults[:_MOST_FAULTS], start=1)]
        more = len(self.faults) - len(shown)
        rest = f"; and {more} more" if more else ""
        count = "a fault" if len(self.faults) == 1 else f"{len(self.faults)} faults"
        raise MappingError(f"The mapping has {count}: {'; '.join(shown)}{rest}.", "Correct the mapping file.")

    def keys(self, section: dict[str, Any], allowed: Iterable[str], where: str) -> None:
        for key in section:
            if key not in allowed:
                self.fault(f"{where} has no key {key!r}{_hint(key, allowed)}")

    def table(self, section: dict[str, Any], key: str, where: str) -> dict[str, Any]:
        entry = section.get(key, {})
        if isinstance(entry, dict):
            return entry
        self.fault(f"{key} in {where} must be a section")
        return {}

    def text(self, entry: Any, where: str) -> str | None:
        if isinstance(entry, str) and entry:
            return entry
        self.fault(f"{where} must be a text in quotation marks")
        return None

    def texts(self, entry: Any, where: str) -> tuple[str, ...]:
        entries = entry if isinstance(entry, list) else [entry]
        if all(isinstance(e, (str, int, float)) and not isinstance(e, bool) for e in entries):
            return tuple(str(e) for e in entries)
        self.fault(f"{where} must be a list of texts")
        return ()

    def settings(self, section: dict[str, Any], where: str) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for key in ("missing", "yes", "no"):
            if key in section:
                found[key] = self.texts(section[key], f"{key} in {where}")
        if both := {fold(word) for word in found.get("yes", ())} & {fold(word) for word in found.get("no", ())}:
            self.fault(f"{where} has {len(both)} word(s) that mean both yes and no")
        if "delimiter" in section:
            found["delimiter"] = self.choice(section["delimiter"], _DELIMITERS, f"delimiter in {where}")
        if "encoding" in section:
            found["encoding"] = self.encoding(section["encoding"], f"encoding in {where}")
        if "sheet" in section:
            found["sheet"] = self.text(section["sheet"], f"sheet in {where}")
        for key, first in (("header_row", 1), ("skip_rows", 0)):
            if key in section:
                number = section[key]
                if isinstance(number, bool) or not isinstance(number, int) or number < first:
                    self.fault(f"{key} in {where} must be a whole number from {first}")
                elif "header_row" in found and found["header_row"] != number + 1:
                    self.fault(f"{where} has header_row and skip_rows, which disagree")
                else:
                    found["header_row"] = number + 1 - first
        found |= self.reading(section, where)
        return found

    def reading(self, section: dict[str, Any], where: str) -> dict[str, Any]:
        """What may be declared for a file, a table or a single column."""
        found: dict[str, Any] = {}
        if "decimal" in section:
            found["decimal"] = self.choice(section["decimal"], _MARKS, f"decimal in {where}")
        if "date_cells" in section:
            cells = {"right": "right", "swapped": "swapped"}
            found["date_cells"] = self.choice(section["date_cells"], cells, f"date_cells in {where}")
        if "date_format" in section and (text := self.text(section["date_format"], f"date_format in {where}")):
            try:
                date_format(text)
            except ValueError as error:
                self.fault(f"date_format in {where} cannot be used: {_clause(error)}")
            found["date_format"] = text
        if "time_zone" in section and (text := self.text(section["time_zone"], f"time_zone in {where}")):
            try:
                ZoneInfo(text)
            except (ZoneInfoNotFoundError, ValueError, OSError):
                self.fault(f"time_zone in {where} is not a known zone{_hint(text, sorted(available_timezones()))}")
            found["time_zone"] = text
        return found

    def choice(self, entry: Any, options: dict[str, str], where: str) -> str | None:
        if isinstance(entry, str) and entry.lower() in options:
            return options[entry.lower()]
        self.fault(f"{where} must be one of {', '.join(repr(option) for option in options)}")
        return None

    def encoding(self, entry: Any, where: str) -> str | None:
        if isinstance(entry, str):
            try:
                "a".encode(entry)
            except (LookupError, UnicodeError, ValueError):
                self.fault(f"{where} is not known{_hint(entry, ('utf-8', 'utf-16', 'cp1252', 'latin-1', 'cp1250'))}")
            return entry
        self.fault(f"{where} must be a text in quotation marks")
        return None

    def column(self, table: Table, name: str, entry: Any) -> ColumnMapping | None:
        where = f"[{table}.columns.{name}]"
        column = COLUMN[table].get(name)
        if column is None:
            self.fault(f"{table} has no column {name!r}{_hint(name, COLUMN[table])}")
            return None
        if isinstance(entry, (str, list)):
            entry = {"from": entry}
        if not isinstance(entry, dict):
            self.fault(f"{where} must name a header")
            return None
        self.keys(entry, COLUMN_KEYS, where)
        headers = self.texts(entry["from"], f"from in {where}") if "from" in entry else ()
        if bool(headers) == ("value" in entry):
            self.fault(f"{where} needs from (a header) or value, and not both")
        if len(headers) > 1 and column.kind != "id":
            self.fault(f"{where} joins several headers, which only ids can be")
        value = next(iter(self.texts(entry.get("value", []), f"value in {where}")), None)
        reading = self.reading(entry, where)
        return ColumnMapping(
            name,
            headers,
            value,
            self.unit(table, column, entry, where),
            self.codes(column, entry.get("codes", {}), where),
            missing=self.texts(entry.get("missing", []), f"missing in {where}"),
            separator=self.text(entry["separator"], f"separator in {where}") if "separator" in entry else None,
            **reading,
        )

    def unit(self, table: Table, column: Column, entry: dict[str, Any], where: str) -> str | None:
        if "unit" not in entry:
            return None
        unit = self.text(entry["unit"], f"unit in {where}")
        if unit is None or (unit == AS_DATE and column.unit == "days" and table == "zones"):
            return unit
        try:
            unit_factor(column.unit, unit)
        except ValueError as error:
            self.fault(f"unit in {where} cannot be used: {_clause(error)}")
        return unit

    def codes(self, column: Column, entry: Any, where: str) -> dict[str, str]:
        if not isinstance(entry, dict):
            self.fault(f"codes in {where} must be pairs, the clinic's code = ours")
            return {}
        if entry and column.kind in ("date", "time", "text"):
            self.fault(f"{where} holds {column.kind}s, which have no codes")
        found: dict[str, str] = {}
        for theirs, ours in entry.items():
            if not isinstance(ours, (str, int, float)):
                self.fault(f"codes in {where} must be pairs, the clinic's code = ours")
                continue
            target = str(ours).lower() if isinstance(ours, bool) else str(ours).strip()
            if target and column.kind in ("code", "list") and target not in column.codes:
                self.fault(f"codes in {where}: {target!r} is not a code of {column.name}{_hint(target, column.codes)}")
            if target and column.kind == "boolean" and fold(target) not in YES | NO:
                self.fault(f"codes in {where} must end in yes, no or an empty text")
            found[theirs.strip()] = target
        return found

    def density(self, section: dict[str, Any]) -> dict[str, dict[str, str]]:
        found: dict[str, dict[str, str]] = {}
        for device, entry in section.items():
            if not isinstance(entry, dict):
                self.fault("[density_index] needs a section for each device, with lines index = per cent")
                continue
            found[device.strip()] = {}
            for index, percent in entry.items():
                number = isinstance(percent, (int, float)) and not isinstance(percent, bool)
                if not number or not 0 < percent <= 100:
                    self.fault("[density_index] must give per cent, above 0 and at most 100, without quotation marks")
                found[device.strip()][index.strip()] = str(percent)
        return found

    def used_and_dropped(self, columns: dict[Table, tuple[ColumnMapping, ...]], dropped: tuple[str, ...]) -> None:
        gone = {fold(header) for header in dropped}
        for table, specs in columns.items():
            for spec in specs:
                if any(fold(header) in gone for header in spec.headers):
                    self.fault(f"[{table}.columns.{spec.name}] uses a header that [drop] leaves out")

    def used_twice(self, columns: dict[Table, tuple[ColumnMapping, ...]]) -> None:
        """One header can be a number or a date of one kind only, unless its codes say what each makes of it."""
        for table, specs in columns.items():
            first: dict[str, str] = {}
            for spec in specs:
                plain = COLUMN[table][spec.name].kind in ("number", "integer", "date", "time") and not spec.codes
                for header in spec.headers if plain and not spec.holds_dates(COLUMN[table][spec.name]) else ():
                    other = first.setdefault(fold(header), spec.name)
                    if other != spec.name:
                        self.fault(f"[{table}.columns] reads one header as {other} and as {spec.name}")


def _hint(word: str, options: Iterable[str]) -> str:
    return did_you_mean(word, options).rstrip("?").replace(" Did you mean", "; the nearest is")


def _clause(error: ValueError) -> str:
    text = str(error).rstrip(".?")
    return text[:1].lower() + text[1:]
