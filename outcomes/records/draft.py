"""A first mapping for an export, drafted from its headers: text for the clinic to check, line by line.

Nothing but headers decides a guess. Of the cells, only how they are written is looked at (which order of day and
month, which decimal mark), and the distinct codes of columns that map to one of our coded columns are listed, so
that they can be translated: never ids, numbers, dates, or long or rare texts.
"""

from __future__ import annotations

import json
import re
from collections.abc import Container, Iterable, Sequence
from pathlib import Path

import pandas as pd

from outcomes.records.contract import (
    CONTRACT,
    FOLLOW_UP_COLUMNS_ON_ZONES,
    SESSION_COLUMNS_ON_ZONES,
    Column,
    Table,
)
from outcomes.records.convert.cells import Fault, clean, distinct
from outcomes.records.convert.codes import code_reader, list_reader, yes_no_reader
from outcomes.records.convert.dates import DateRules, read_dates
from outcomes.records.convert.moments import take_apart
from outcomes.records.guesses import SURE, Guess, guess_code, guess_columns
from outcomes.records.headers import nearest
from outcomes.records.identifying import identifier_held
from outcomes.records.places import find_table
from outcomes.records.privacy import identity_of
from outcomes.records.readers import RawTable, TableReading, tables_in
from outcomes.records.synonyms import SINGULAR

MOST_CODES = 40
MOST_WORDS_FOR_YES_AND_NO = 8
MOST_NUMBERED = 8
LONGEST_CODE = 30
FEWEST_CELLS = 2
"""A code seen in fewer cells is not listed, in a table of more than `SMALL_TABLE` rows: it may be a note."""
SMALL_TABLE = 50

_ORDER = re.compile(r"dates read as ([^,]+),")
_HEAD = """\
# A mapping from this export to the audit's words, drafted from the headers alone.
# Check every line; it was guessed. Text behind a # explains, or waits to be filled in: take the # away to use it.
# Then run `outcomes check` with --mapping and this file: it lists what would be refused, and why.
"""


def draft_mapping(
    export: Path, *, sessions: Path | None = None, layers: Path | None = None, visits: Path | None = None
) -> str:
    """A TOML mapping for an export, with comments that say what is sure, what is guessed and what is missing.

    Parameters
    ----------
    export : Path
        The zones table, or a workbook with a sheet for each table.
    sessions, layers, visits : Path or None
        The other tables, when they come as files of their own.

    Returns
    -------
    str
        Text that `load_mapping` accepts as it stands.
    """
    given: dict[Table, Path | None] = {"sessions": sessions, "layers": layers, "visits": visits}
    paths: dict[Table, Path] = dict.fromkeys(tables_in(export), export)
    paths |= {table: path for table, path in given.items() if path is not None}
    found = {table: find_table(path, table) for table, path in paths.items()}
    tables = {table: raw for table, (raw, _) in found.items()}
    identifiers = _identifiers(tables)
    guesses = {
        table: guess_columns(table, [header for header in raw.frame.columns if header not in identifiers])
        for table, raw in tables.items()
    }
    parts = [_HEAD, _file(tables, guesses), _drop(identifiers)]
    for table, raw in tables.items():
        parts.append(_place(table, raw, found[table][1]))
        parts.append(_table(table, raw, guesses[table], _elsewhere(table, tables), identifiers))
    parts.append(_density(guesses))
    return "\n".join(part for part in parts if part)


def quoted(text: str) -> str:
    r"""A text as TOML writes it, in quotation marks.

    Examples
    --------
    >>> print(quoted('Energy "mJ"'))
    "Energy \"mJ\""
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _file(tables: dict[Table, RawTable], guesses: dict[Table, dict[str, Guess]]) -> str:
    lines = ["[file]"]
    for table, raw in tables.items():
        if raw.reading:
            lines.append(f"# {table}: {'; '.join(raw.reading)}.")
    lines.append("# What was detected need not be declared. What can be: encoding, delimiter, decimal, header_row.")
    orders: set[str] = set()
    doubtful: set[str] = set()
    zoned = False
    for table, raw in tables.items():
        for guess in guesses[table].values():
            if guess.column.kind == "date":
                found = read_dates(clean(raw.frame[guess.header]), DateRules(), raw.typed_dates.get(guess.header, ()))
                zoned |= any(fault.kind == "time_zone" for fault in found.fatal)
                doubtful |= {guess.header for fault in found.fatal if fault.kind == "date_order"}
                orders |= {match[1] for note in found.notes if (match := _ORDER.match(note))}
    if len(orders) == 1 and not doubtful:
        lines.append(f'date_format = "{orders.pop()}"     # as days above 12 show')
    elif orders or doubtful:
        lines.append("# The order of day and month has to be declared: nothing in the export settles it.")
        lines.append('# date_format = "dd/mm/yyyy"     # or "mm/dd/yyyy"')
    if zoned:
        lines.append("# The export holds instants with a time zone. Name the clinic's own:")
        lines.append('# time_zone = "Europe/Paris"')
    lines.append('# missing = ["n/k"]     # texts that mean an empty cell; otherwise only an empty cell is empty')
    return "\n".join(lines) + "\n"


def _place(table: Table, raw: RawTable, place: TableReading) -> str:
    """Which sheet and row to declare for a table, where it does not stand where it is looked for."""
    lines = [f"sheet = {quoted(place.sheet)}     # a guess"] if place.sheet is not None else []
    if place.header_row > 1:
        lines.append(f"header_row = {place.header_row}     # a guess: the row that holds the headers")
    if not lines and any(problem.kind == "sheet_absent" for problem in raw.problems):
        lines = [f'# sheet = ""     # NEEDED: the name of the sheet that holds the {table}']
    return "\n".join([f"[{table}]", *lines]) + "\n" if lines else ""


def _identifiers(tables: dict[Table, RawTable]) -> dict[str, str]:
    """Headers that may identify a patient, by themselves or by what stands under them, and as what."""
    found: dict[str, str] = {}
    for table, raw in tables.items():
        read = {guess.header: (guess.column,) for guess in guess_columns(table, list(raw.frame.columns)).values()}
        for header in raw.frame.columns:
            what = identity_of(header, raw.frame[header], read.get(header, ()))
            if what is not None:
                found.setdefault(header, what)
    return found


def _drop(found: dict[str, str]) -> str:
    if not found:
        return "# [drop]\n# columns = []     # headers of columns that nobody shall look at\n"
    lines = ["[drop]", "# Columns that may identify a patient. An audit does not need them, and they are not read."]
    lines += ["columns = ["]
    lines += [f"    {quoted(header)},     # {what}" for header, what in found.items()]
    return "\n".join([*lines, "]"]) + "\n"


def _elsewhere(table: Table, tables: dict[Table, RawTable]) -> frozenset[str]:
    """Columns of the zones table that need not be on it, as another table is there for them."""
    found: set[str] = set()
    if table == "zones" and "sessions" in tables:
        found |= set(SESSION_COLUMNS_ON_ZONES)
    if table == "zones" and "visits" in tables:
        found |= set(FOLLOW_UP_COLUMNS_ON_ZONES)
    return frozenset(found)


def _table(
    table: Table,
    raw: RawTable,
    guesses: dict[str, Guess],
    elsewhere: frozenset[str],
    identifiers: Container[str],
) -> str:
    lines = [f"[{table}.columns]", f"# One row for each {SINGULAR[table]}. Our column = the export's header."]
    if raw.fatal:
        lines.append("# This table cannot be read yet:")
        lines += [f"# - {p.column + ' ' if p.column else ''}{p.rule}. {p.remedy}" for p in raw.problems if p.fatal]
        return "\n".join(lines) + "\n"
    used = {guess.header for guess in guesses.values()}
    free = [header for header in raw.frame.columns if header not in used and header not in identifiers]
    sections: list[str] = []
    absent: list[str] = []
    for column in CONTRACT[table]:
        guess = guesses.get(column.name)
        if guess is None:
            if column.required:
                lines.append(_wanted(column, free))
            elif column.name not in elsewhere:
                absent.append(column.name)
            continue
        more = _more(table, column, guess, raw)
        if more:
            sections.append(more)
        else:
            lines.append(f"{column.name} = {quoted(guess.header)}{_why(column, guess)}")
    if absent:
        lines += ["# Ours, and no header looks like it (each may be left out):", *_wrapped(absent)]
    if free:
        lines += ["# Headers that nothing is read from:", *_wrapped([quoted(header) for header in free])]
    return "\n".join([*lines, *("\n" + section for section in sections)]) + "\n"


def _wanted(column: Column, free: Iterable[str]) -> str:
    near = nearest(column.name, free, cutoff=0.45)
    hint = f" Did you mean {quoted(near)}?" if near is not None else ""
    return f'# {column.name} = ""     # NEEDED: {column.describes}.{hint}'


def _why(column: Column, guess: Guess) -> str:
    how = "" if guess.score >= SURE else "a guess; "
    return f"     # {how}{column.describes}{f', in {column.unit}' if column.unit else ''}"


def _wrapped(words: list[str]) -> list[str]:
    lines, line = [], "#  "
    for word in words:
        if len(line) + len(word) > 108:
            lines.append(line.rstrip())
            line = "#  "
        line += f" {word},"
    return [*lines, line.rstrip(",")]


def _more(table: Table, column: Column, guess: Guess, raw: RawTable) -> str:
    """A section of its own for a column with a unit to declare or codes to translate; nothing where it needs none."""
    codes = _codes(table, column, raw, guess) if column.kind in ("code", "list", "boolean") else []
    if guess.unit is None and not codes:
        return ""
    lines = [f"[{table}.columns.{column.name}]{_why(column, guess)}", f"from = {quoted(guess.header)}"]
    if guess.unit is not None:
        lines.append(f"unit = {quoted(guess.unit)}     # ours is {column.unit}")
    return "\n".join([*lines, *codes])


def _codes(table: Table, column: Column, raw: RawTable, guess: Guess) -> list[str]:
    """Lines for the codes of a column that are not ours, with a guess where there is one."""
    cells = clean(raw.frame[guess.header])
    read, options = code_reader(column, {}, ""), column.codes
    if column.kind == "boolean":
        read, options = yes_no_reader({}, (), (), ""), ("yes", "no")
    elif column.kind == "list":
        read = list_reader(column, {}, None, "")
    unknown = [text for text in distinct(cells)[1] if isinstance(read(text), Fault)]
    if column.kind == "list":
        parts = {part.strip() for text in unknown for part in re.split(r"[;,|/+\n]", text)}
        unknown = sorted(part for part in parts if part and isinstance(read(part), Fault))
        counts = pd.Series({part: int(cells.str.contains(part, regex=False).sum()) for part in unknown}, dtype="int64")
    else:
        counts = cells.value_counts()
    if not unknown:
        return []
    words = 2 if column.kind == "boolean" else 6
    shown = [text for text in unknown if _may_be_shown(text, words, int(counts.get(text, 0)), len(cells))]
    head = f"[{table}.columns.{column.name}.codes]"
    ours = "\n".join(["# Ours:", *_wrapped(list(options))])
    most = MOST_WORDS_FOR_YES_AND_NO if column.kind == "boolean" else MOST_CODES
    if len(unknown) > most or len(shown) < 0.5 * len(unknown) or _numbered(unknown):
        return ["# The column does not look like a short list of codes. Is it the right header?", ours]
    lines = [head, ours]
    for text in sorted(shown):
        meant = guess_code(column.name, text, options)
        if meant is not None:
            lines.append(f'{quoted(text)} = "{meant}"     # a guess')
        else:
            lines.append(f'# {quoted(text)} = "?"     # one of ours instead of ?')
    if len(shown) < len(unknown):
        lines.append(f"# and {len(unknown) - len(shown)} more that are rare, long or numbers, and are not shown here")
    return lines


def _numbered(texts: Sequence[str]) -> bool:
    """Whether texts are many and mostly bear numbers, as ids do and codes do not."""
    return len(texts) > MOST_NUMBERED and sum(any(c.isdigit() for c in text) for text in texts) > 0.5 * len(texts)


def _may_be_shown(text: str, words: int, times: int, rows: int) -> bool:
    """Whether a cell is a code and not an identifier, a note, a number or a date."""
    if len(text) > LONGEST_CODE or len(text.split()) > words or (times < FEWEST_CELLS and rows > SMALL_TABLE):
        return False
    if re.fullmatch(r"[-+]?\d[\d.,]*", text):
        return text.isdigit() and len(text) <= 2
    return take_apart(text) is None and identifier_held([text] * 3) is None and not re.search(r"\d{4,}", text)


def _density(guesses: dict[Table, dict[str, Guess]]) -> str:
    zones = guesses.get("zones", {})
    if "density_pct" not in zones or "device_id" not in zones:
        return ""
    return (
        "# Does a device show density as an index instead of per cent? Give its table, with the device as the export\n"
        "# writes it. A device without a table gives per cent.\n"
        '# [density_index."DEVICE"]\n'
        '# "1" = 5\n'
        '# "2" = 7.5\n'
    )
