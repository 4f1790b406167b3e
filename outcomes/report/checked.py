"""What `outcomes check` and a rejected export say on the screen, and the files a receptionist works through."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from outcomes.errors import ReportError
from outcomes.records.cases import Source
from outcomes.records.load import Checked
from outcomes.records.mapping.sources import COLUMN_MISSING
from outcomes.records.problems import Problem, problem_frame
from outcomes.report.writing import csv_bytes, replace_files
from outcomes.wording import count, listing, number_word, plural

ROWS_NAMED = 5


def checked_text(checked: Checked) -> str:
    """What would be refused and why, grouped by rule with counts, the first rows named; no value."""
    lines = [_counts(checked.source) if checked.cases is not None else _unused(checked)]
    if checked.problems:
        lines.append(problems_text(checked.problems))
    lines += [f"Read: {file.table}: {'; '.join(file.reading)}." for file in checked.source.files if file.reading]
    lines += [f"Note: {note}." if not note.endswith(".") else f"Note: {note}" for note in checked.source.notes]
    if checked.cases is None:
        lines.append("The export cannot be used as it is.")
    elif not checked.problems:
        lines.append("Nothing would be refused.")
    return "\n".join(lines)


def problems_text(problems: Sequence[Problem]) -> str:
    """Problems grouped by table, column, rule and remedy: how often, where first, what to do."""
    groups: dict[tuple[bool, str, str, str, str], list[Problem]] = defaultdict(list)
    absent: dict[tuple[str, str], list[str]] = defaultdict(list)
    for problem in problems:
        if problem.kind == "column_missing" and problem.rule.startswith(COLUMN_MISSING):
            absent[problem.table, problem.remedy].append(problem.column)
            continue
        key = (not problem.fatal, problem.table, problem.column, problem.rule, problem.remedy)
        groups[key].append(problem)
    lines = [
        f"{table}: {_needed(columns)} not in the export: {', '.join(columns)}. {_closed(remedy)}"
        for (table, remedy), columns in absent.items()
    ]
    for (_, table, column, rule, remedy), found in sorted(groups.items(), key=lambda g: (g[0][0], -len(g[1]), g[0])):
        rows = sorted(p.row for p in found if p.row is not None)
        place = f"{table}, column {column}" if column else table
        where = f" ({_rows(rows)})" if rows else ""
        lines.append(f"{place}{where}: {_closed(rule)} {_closed(remedy)}")
    return "\n".join(lines)


def write_problems(checked: Checked, folder: Path) -> Path:
    """Write problems.csv and refused.csv to a folder; return the path of problems.csv.

    Raises
    ------
    ReportError
        If the folder cannot be written to, or holds a file of one of these names with other columns, such as
        the export itself.
    """
    frames = {"problems.csv": problem_frame(checked.problems), "refused.csv": checked.refused}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in frames.items():
            _check_own(folder / name, frame)
        replace_files(folder, {name: csv_bytes(frame) for name, frame in frames.items()})
    except OSError:
        raise ReportError(
            f"The folder {folder.name} cannot be written to.", "Choose another with --out, or free it."
        ) from None
    return folder / "problems.csv"


def _check_own(path: Path, frame: pd.DataFrame) -> None:
    """Stop where a file is not one that an earlier check wrote."""
    headers = ",".join(frame.columns).encode() + b"\n"
    if path.is_file() and not path.read_bytes().startswith(headers):
        raise ReportError(
            f"{path.name} in the folder {path.parent.name} is not a list that an earlier check wrote.",
            "Move it elsewhere, or choose another folder with --out.",
        )


def _counts(source: Source) -> str:
    return "\n".join(
        f"{c.table}: {plural(c.rows_read, 'row')} read, {count(c.rows_accepted)} accepted, "
        f"{count(c.rows_refused)} refused."
        for c in source.counts
    )


def _unused(checked: Checked) -> str:
    """Rows of an export that cannot be used: how many were read, and how many have a fault of their own."""
    lines = []
    for c in checked.source.counts:
        own = f"; {count(c.rows_refused)} of them with a fault of {'its' if c.rows_refused == 1 else 'their'} own"
        lines.append(
            f"{c.table}: {plural(c.rows_read, 'row')} read, none used{own if c.rows_refused else ''}."
            if c.rows_read
            else f"{c.table}: no row was read."
        )
    return "\n".join(lines)


def _needed(columns: Sequence[str]) -> str:
    if len(columns) == 1:
        return "a column that every row needs is"
    return f"{plural(len(columns), 'column')} that every row needs are"


def _rows(rows: Sequence[int]) -> str:
    """Name the first rows: "row 7", "rows 7, 9 and 12", "row 7 and 811 more, first 7, 9, 12, 13, 20"."""
    if len(rows) == 1:
        return f"row {rows[0]}"
    if len(rows) <= ROWS_NAMED:
        return f"rows {listing([str(row) for row in rows])}"
    first = ", ".join(str(row) for row in rows[:ROWS_NAMED])
    return f"rows {first} and {number_word(len(rows) - ROWS_NAMED)} more"


def _closed(sentence: str) -> str:
    text = sentence[:1].upper() + sentence[1:]
    return text if text.endswith((".", "?")) else f"{text}."
