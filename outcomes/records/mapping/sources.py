"""Which header of an export each contract column comes from, and what is left over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from outcomes.records.contract import CONTRACT, Column, Table
from outcomes.records.guesses import guess_columns
from outcomes.records.headers import did_you_mean, find_header, fold
from outcomes.records.mapping.types import ColumnMapping, Mapping
from outcomes.records.problems import Problem
from outcomes.records.readers.raw import RawTable

_ROWS_LOOKED_AT, _FEWEST_HEADERS = 20, 3
COLUMN_MISSING = "is not in the export and every row needs it"
MOST_HEADERS = 300
"""Headers among which an absent column is looked for."""


@dataclass(frozen=True, slots=True)
class Source:
    """A contract column, what the mapping says of it, and the export's headers that it is read from."""

    column: Column
    spec: ColumnMapping
    headers: tuple[str, ...]

    @property
    def header(self) -> str:
        """What to call it in a message: the export's header, or our name for a constant."""
        return " + ".join(self.headers) or self.column.name


@dataclass(slots=True)
class Sources:
    """Where the columns of one table come from.

    Attributes
    ----------
    found : list of Source
        In contract order.
    unused : tuple of str
        Headers that nothing is read from.
    own_name : int
        Columns taken by their own name although a mapping was given.
    alike : int
        Headers that were matched despite capitals, spaces or look-alike characters.
    problems : list of Problem
    """

    found: list[Source] = field(default_factory=list)
    unused: tuple[str, ...] = ()
    own_name: int = 0
    alike: int = 0
    problems: list[Problem] = field(default_factory=list)

    @property
    def read_from(self) -> dict[str, list[Column]]:
        """What is read from each header of the export that something is read from."""
        found: dict[str, list[Column]] = {}
        for source in self.found:
            for header in source.headers:
                found.setdefault(header, []).append(source.column)
        return found


def find_sources(table: Table, headers: Sequence[str], mapping: Mapping) -> Sources:
    """Match the mapping's headers, and our own names, with the headers of an export.

    Returns
    -------
    Sources
        With a fatal problem for each header that the mapping names and the export lacks, for each that two
        columns of the export could mean, and for each required column that nothing is read from.
    """
    sources = Sources()
    declared = mapping.columns_of(table)
    spoken_for = {fold(header) for spec in declared.values() for header in spec.headers}
    asked: set[str] = set()
    unclear: set[str] = set()
    exact = {header for spec in declared.values() for header in spec.headers}
    for column in CONTRACT[table]:
        spec = declared.get(column.name)
        if spec is None:
            if fold(column.name) in spoken_for:
                continue
            matched = find_header(column.name, headers)
            if not matched:
                continue
            sources.own_name += 1
            spec = ColumnMapping(column.name, (column.name,))
        asked.add(column.name)
        resolved = _resolve(table, spec, headers, exact, sources)
        if resolved is not None:
            sources.found.append(Source(column, spec, resolved))
        else:
            unclear |= {fold(header) for header in spec.headers}
    used = {header for source in sources.found for header in source.headers}
    sources.unused = tuple(header for header in headers if header not in used and fold(header) not in unclear)
    _required(table, asked, sources, mapped=bool(declared))
    return sources


def header_below(raw: RawTable, mapping: Mapping) -> Problem | None:
    """Whether one of the first rows, not the one that was read as such, holds the headers that are looked for."""
    table = raw.table
    wanted = {fold(header) for spec in mapping.columns_of(table).values() for header in spec.headers}
    wanted |= {fold(column.name) for column in CONTRACT[table]}
    here = sum(fold(header) in wanted for header in raw.frame.columns)
    for i in range(min(_ROWS_LOOKED_AT, len(raw.rows))):
        there = len({key for cell in raw.frame.iloc[i].dropna() if (key := fold(str(cell))) in wanted})
        if there >= _FEWEST_HEADERS and there > 2 * here:
            row = raw.rows[i]
            return Problem(
                table,
                None,
                "",
                f"row {row} looks like the one that holds the headers",
                f"Declare header_row = {row} under [file] in the mapping, or delete the rows above it.",
                "header_row",
                fatal=True,
            )
    return None


def _resolve(
    table: Table, spec: ColumnMapping, headers: Sequence[str], exact: set[str], sources: Sources
) -> tuple[str, ...] | None:
    resolved: list[str] = []
    for wanted in spec.headers:
        matched = find_header(wanted, headers)
        twins = [h for h in headers if fold(h) == fold(wanted)]
        if len(matched) == 1 and len(twins) > 1 and not all(twin in exact for twin in twins):
            matched = tuple(twins)
        if not matched:
            sources.problems.append(
                Problem(
                    table,
                    None,
                    wanted,
                    f"is named in the mapping for {spec.name} and is not a header of the export",
                    f"Correct or delete the line in the mapping.{did_you_mean(wanted, headers)}",
                    "header_unknown",
                    fatal=True,
                )
            )
            return None
        if len(matched) > 1:
            sources.problems.append(
                Problem(
                    table,
                    None,
                    wanted,
                    f"can mean {len(matched)} headers that differ only in capitals, spaces or look-alike characters",
                    "Keep one of the columns in the export, or drop the other in the mapping after renaming it.",
                    "header_repeated",
                    fatal=True,
                )
            )
            return None
        sources.alike += matched[0] != wanted
        resolved.append(matched[0])
    return tuple(resolved)


def _required(table: Table, asked: set[str], sources: Sources, *, mapped: bool) -> None:
    """Say which required columns nothing was asked for; suggest a header only where some header was recognised.

    A file without a header row has records where headers should stand: then none is repeated in a message.
    """
    absent = [column for column in CONTRACT[table] if column.required and column.name not in asked]
    guesses = guess_columns(table, sources.unused[:MOST_HEADERS], absent) if sources.found else {}
    for column in absent:
        if column.name in guesses:
            hint = f' Did you mean "{guesses[column.name].header}"?'
        else:
            hint = "" if mapped else " The mapping command drafts one."
        sources.problems.append(
            Problem(
                table,
                None,
                column.name,
                f"{COLUMN_MISSING} ({column.describes})",
                f"Name its header under [{table}.columns] in the mapping.{hint}",
                "column_missing",
                fatal=True,
            )
        )
