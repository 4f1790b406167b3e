"""Export → `Cases`, or every problem at once.

Files are read as text, the mapping puts them in the contract's words, cells get their types, and the schema and
the links between tables are checked. A fault of a file stops; a fault of a row sets that row aside, counted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import ExportRejected
from outcomes.records.alike import look_alike_ids
from outcomes.records.assemble import assemble, fill_from_first_layer
from outcomes.records.cases import Cases, Source, SourceFile, TableCount
from outcomes.records.contract import TABLES, Table
from outcomes.records.links import (
    contradicting_contacts,
    place_visits,
    repeated_rows,
    sessions_of_two_patients,
    undated_visits,
    unlinked_layers,
)
from outcomes.records.mapping import Mapped, Mapping, apply_mapping, load_mapping
from outcomes.records.problems import Problem
from outcomes.records.pseudonyms import pseudonymise
from outcomes.records.readers import RawTable, read_table, tables_in
from outcomes.records.schema import find_problems
from outcomes.records.typed import Typed, typed
from outcomes.records.units import suspect_units

_KEYS: dict[Table, tuple[str, ...] | None] = {
    "zones": ("record_id",),
    "sessions": ("session_id",),
    "layers": ("record_id", "layer_no"),
    "visits": None,
}


class RecordsRejected(ExportRejected):
    """An export was rejected; says which problems and which rows.

    Attributes
    ----------
    problems : tuple of Problem
        Every fault found, not only the one that stopped.
    refused : DataFrame
        ``table, row, rules``: one line a refused record.
    """

    def __init__(self, wrong: str, remedy: str, problems: tuple[Problem, ...], refused: pd.DataFrame) -> None:
        super().__init__(wrong, remedy)
        self.problems = problems
        self.refused = refused


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """What reading an export found.

    Attributes
    ----------
    source : Source
    problems : tuple of Problem
        Every fault found, in the files and on refused rows; no value.
    refused : DataFrame
        ``table, row, rules``: one line a refused record, its rules joined by "; ".
    cases : Cases or None
        None when a fault of a file leaves nothing that may be analysed.
    """

    source: Source
    problems: tuple[Problem, ...]
    refused: pd.DataFrame
    cases: Cases | None

    @property
    def rows_refused(self) -> int:
        """How many rows were set aside, over all tables."""
        return sum(count.rows_refused for count in self.source.counts)


def load(
    export: str | Path,
    *,
    sessions: str | Path | None = None,
    layers: str | Path | None = None,
    visits: str | Path | None = None,
    mapping: str | Path | None = None,
    strict: bool = False,
    key: bytes | None = None,
    progress: Callable[[str], None] | None = None,
) -> Cases:
    r"""Read an export: the accepted case records, and all that was set aside.

    Parameters
    ----------
    export : str or Path
        The zones table (CSV, XLSX or Parquet), or a workbook with a sheet for each table.
    sessions, layers, visits : str, Path or None
        The other tables, when they come as files of their own.
    mapping : str, Path or None
        TOML file that translates headers, codes and units; None when the export speaks the contract's words.
    strict : bool
        Reject the export when any row breaks a rule.
    key : bytes or None
        Secret that the pseudonyms of patients and sessions are made with, so that they are the same in every export;
        `outcomes.records.pseudonyms.read_key` reads and checks one. None numbers them in order of appearance.
    progress : callable or None
        Told in a short sentence what is being done.

    Returns
    -------
    Cases

    Raises
    ------
    ExportRejected
        If a file cannot be used as a whole, no record is left, or `strict` and a row broke a rule. The exception
        carries ``problems`` and ``refused``.
    MappingError
        If the mapping is not valid.

    Examples
    --------
    A flat export in the contract's own words needs nothing else; the second row lacks its energy.

    >>> from tempfile import TemporaryDirectory
    >>> header = "record_id,patient_id,session_id,treated_on,practitioner_id,zone,skin_type,"
    >>> header += "pulse_energy_mj,density_pct,passes,last_seen_day,scarring"
    >>> rows = ["R1,P1,S1,2026-03-02,A,neck,II,12,5,1,120,no", "R2,P1,S1,2026-03-02,A,chin,II,,8,1,120,no"]
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder) / "export.csv"
    ...     _ = file.write_text("\n".join([header, *rows]), encoding="utf-8")
    ...     cases = load(str(file))
    >>> len(cases), cases.source.count("zones").rows_refused
    (1, 1)
    >>> cases.refused["rules"].tolist()
    ['pulse_energy_mj must be given']
    """
    beside = {
        name: None if path is None else Path(path)
        for name, path in (("sessions", sessions), ("layers", layers), ("visits", visits), ("mapping", mapping))
    }
    checked = check(Path(export), **beside, key=key, progress=progress)
    fatal = [problem for problem in checked.problems if problem.fatal]
    if checked.cases is None:
        first = fatal[0]
        more = f" ({len(fatal) - 1:,} more of the kind that stops)" if len(fatal) > 1 else ""
        raise RecordsRejected(
            f"The export cannot be used: in the {first.table} table, {_sentence_of(first).rstrip('.')}{more}.",
            first.remedy,
            checked.problems,
            checked.refused,
        )
    if strict and checked.rows_refused:
        counts = [c for c in checked.source.counts if c.rows_refused]
        listed = ", ".join(f"{c.rows_refused:,} of {c.rows_read:,} {c.table} rows" for c in counts)
        raise RecordsRejected(
            f"Rows broke a rule and strict reading was asked for: {listed}.",
            "List them with the check command, and correct them where the records are kept.",
            checked.problems,
            checked.refused,
        )
    return checked.cases


def check(
    export: Path,
    *,
    sessions: Path | None = None,
    layers: Path | None = None,
    visits: Path | None = None,
    mapping: Path | None = None,
    key: bytes | None = None,
    progress: Callable[[str], None] | None = None,
) -> Checked:
    """Say what an export holds and what would be refused, every problem at once.

    Takes the arguments of `load` and raises for no fault of the data.

    Raises
    ------
    MappingError
        If the mapping is not valid.
    """
    say = progress or (lambda _: None)
    rules = load_mapping(mapping) if mapping is not None else Mapping()
    given: dict[Table, Path | None] = {"sessions": sessions, "layers": layers, "visits": visits}
    raw, mapped = _read(export, given, rules, say)
    tables = {table: typed(one) for table, one in mapped.items()}
    say("checking every row against the contract")
    problems, pairs = _check_rows(tables)
    refused = _refused_rows(problems)
    accepted = {table: _accepted(one, refused) for table, one in tables.items()}
    if not any(problem.fatal for problem in problems) and not accepted["zones"].any():
        problems.append(_nothing_left(tables["zones"]))

    source = Source(
        files=tuple(SourceFile(table, one.sha256, one.kind, one.reading) for table, one in raw.items()),
        counts=tuple(_count(table, one, refused) for table, one in tables.items()),
        mapping_sha256=rules.sha256,
        notes=(
            *(f"{table}: {note}" for table, one in mapped.items() for note in one.notes),
            *(f"{p.table}: {_sentence_of(p)}; nothing was converted" for p in problems if p.kind == "unit_suspect"),
            *(f"{p.table}: {_sentence_of(p)}" for p in problems if p.kind == "ids_look_alike"),
        ),
    )
    frame = _refused_frame(problems, refused)
    ordered = tuple(sorted(problems, key=_order))
    for count in source.counts:
        if count.rows_refused:
            say(f"{count.table}: {count.rows_refused:,} of {count.rows_read:,} rows set aside")
    if any(problem.fatal for problem in problems):
        return Checked(source, ordered, frame, None)
    say("working out dose and follow-up")
    kept = pairs.loc[np.isin(pairs["visit"], np.flatnonzero(accepted.get("visits", np.zeros(0, dtype=bool))))]
    frames = assemble({table: one.frame.loc[accepted[table]] for table, one in tables.items()}, tables, kept)
    frames = pseudonymise(frames, key)
    source = replace(source, notes=(*source.notes, *frames.notes))
    cases = Cases(
        frame=frames.zones,
        session_frame=frames.sessions,
        layer_frame=frames.layers,
        visit_frame=frames.visits,
        source=source,
        problems=ordered,
        refused=frame,
    )
    return Checked(source, ordered, frame, cases)


def _read(
    export: Path, given: dict[Table, Path | None], rules: Mapping, say: Callable[[str], None]
) -> tuple[dict[Table, RawTable], dict[Table, Mapped]]:
    """Every table of the export as text, then in the contract's words."""
    sheets = {table: s.sheet for table, s in rules.settings.items() if s.sheet is not None}
    paths: dict[Table, Path] = dict.fromkeys(tables_in(export, sheets), export)
    paths |= {table: path for table, path in given.items() if path is not None}
    raw: dict[Table, RawTable] = {}
    mapped: dict[Table, Mapped] = {}
    devices: dict[str, str] | None = None
    for table in TABLES:
        if table not in paths:
            continue
        raw[table] = read_table(paths[table], table, rules.reading(table))
        say(f"{table}: {len(raw[table].rows):,} rows read")
        mapped[table] = apply_mapping(raw[table], rules, devices=devices if table == "layers" else None)
        if table == "zones" and {"record_id", "device_id"} <= set(mapped[table].frame):
            pairs = mapped[table].frame[["record_id", "device_id"]].dropna()
            devices = dict(zip(pairs["record_id"], pairs["device_id"], strict=True))
    return raw, mapped


def _check_rows(tables: dict[Table, Typed]) -> tuple[list[Problem], pd.DataFrame]:
    """Every broken rule of every table, and which zones each visit speaks for."""
    problems: list[Problem] = []
    layers, visits = tables.get("layers"), tables.get("visits")
    if layers is not None:
        found = [*find_problems(layers), *layers.problems]
        sound = _accepted(layers, _refused_rows([*found, *repeated_rows(layers, _KEYS["layers"])]))
        tables["zones"] = replace(tables["zones"], frame=fill_from_first_layer(tables["zones"], layers, sound))
    for table, one in tables.items():
        problems += one.problems
        if any(problem.fatal for problem in one.problems):
            continue
        problems += suspect_units(one)
        problems += look_alike_ids(one)
        problems += find_problems(one)
        problems += repeated_rows(one, _KEYS[table])
    zones = tables["zones"]
    problems += sessions_of_two_patients(zones)
    pairs = pd.DataFrame({"visit": [], "zone": [], "day": []})
    if any(problem.fatal for problem in zones.problems):
        return problems, pairs
    accepted = _accepted(zones, _refused_rows(problems))
    if layers is not None:
        problems += unlinked_layers(layers, zones, accepted)
    if visits is not None and not any(problem.fatal for problem in visits.problems):
        absent = _absent_visit_columns(visits)
        problems += absent
        if not absent:
            problems += undated_visits(visits)
            problems += contradicting_contacts(visits)
            pairs, found = place_visits(visits, zones, accepted)
            problems += found
    return problems, pairs


def _absent_visit_columns(visits: Typed) -> list[Problem]:
    found: list[Problem] = []
    for pair, words in ((("record_id", "session_id"), "a record"), (("day", "seen_on"), "a day")):
        if not visits.present & set(pair):
            found.append(
                Problem(
                    table="visits",
                    row=None,
                    column=pair[0],
                    rule=f"is not in the export, nor is {pair[1]}: no visit can be given {words}",
                    remedy="Name the header that holds one of them in the mapping.",
                    kind="column_missing",
                    fatal=True,
                )
            )
    return found


def _nothing_left(zones: Typed) -> Problem:
    words = "every row was refused" if len(zones.rows) else "there is no row"
    return Problem(
        table="zones",
        row=None,
        column="",
        rule=f"no record is left to audit: {words}",
        remedy="Look at the problems of the first rows; a mapping that does not fit refuses all of them.",
        kind="nothing_accepted",
        fatal=True,
    )


def _refused_rows(problems: Iterable[Problem]) -> dict[str, set[int]]:
    """Rows that a problem stands for: each is set aside, whatever else it holds."""
    rows: dict[str, set[int]] = {table: set() for table in TABLES}
    for problem in problems:
        if problem.row is not None:
            rows[problem.table].add(problem.row)
    return rows


def _accepted(table: Typed, refused: dict[str, set[int]]) -> NDArray[np.bool_]:
    return ~np.isin(table.rows, list(refused[table.table]))


def _count(table: Table, one: Typed, refused: dict[str, set[int]]) -> TableCount:
    """Rows read are those that became records and those that a fault kept from becoming one."""
    read = len(set(one.rows.tolist()) | refused[table])
    return TableCount(table, read, read - len(refused[table]), len(refused[table]))


def _refused_frame(problems: list[Problem], refused: dict[str, set[int]]) -> pd.DataFrame:
    """One line a refused record: table, row, and the rules it broke, each behind the header it concerns."""
    rules: dict[tuple[str, int], dict[str, None]] = {}
    for problem in sorted(problems, key=_order):
        if problem.row is not None:
            rules.setdefault((problem.table, problem.row), {})[_sentence_of(problem)] = None
    lines = [(table, row, "; ".join(rules[table, row])) for table in TABLES for row in sorted(refused[table])]
    frame = pd.DataFrame(lines, columns=["table", "row", "rules"])
    return frame.astype({"table": "string", "row": "Int64", "rules": "string"})


def _sentence_of(problem: Problem) -> str:
    return f"{problem.column} {problem.rule}" if problem.column else problem.rule


def _order(problem: Problem) -> tuple[bool, int, bool, int, str, str]:
    table = next(i for i, name in enumerate(TABLES) if name == problem.table)
    return not problem.fatal, table, problem.row is not None, problem.row or 0, problem.column, problem.rule
