"""A fault in an export: where it is, which rule it breaks, what to do; never the value."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

MOST_PROBLEMS = 1_000_000
"""Problems of one table that are listed one by one: each takes about a kilobyte of memory."""

PROBLEM_COLUMNS = ("table", "row", "column", "rule", "remedy")


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault.

    Attributes
    ----------
    table : str
        ``zones``, ``sessions``, ``layers`` or ``visits``.
    row : int or None
        Row in the file as a spreadsheet shows it (the header is row 1, the first record row 2); None when
        the fault is of the whole file or column.
    column : str
        Header as the export has it; empty when the fault is of the whole row or file.
    rule : str
        What must hold, in words, without the value.
    remedy : str
        What to do about it.
    kind : str
        Short fixed name of the rule, for grouping and for tests.
    fatal : bool
        True when the file as a whole cannot be used.
    """

    table: str
    row: int | None
    column: str
    rule: str
    remedy: str
    kind: str
    fatal: bool = False


def too_many(table: str, column: str, count: int, first: int, rule: str) -> Problem:
    """The fault of a column with more faulty cells than can be listed: of the column as a whole, and it stops.

    Parameters
    ----------
    table, column : str
    count, first : int
        How many cells are faulty, and the row of the first.
    rule : str
        The rule that the first of them breaks.
    """
    return Problem(
        table,
        None,
        column,
        f"has {count:,} faulty cells, more than can be listed with the others; the first, in row {first}, {rule}",
        "Check that the mapping names the right header and says how its cells are written, then check again.",
        "too_many_problems",
        fatal=True,
    )


def problem_frame(problems: Iterable[Problem]) -> pd.DataFrame:
    """Lay problems out as ``problems.csv`` has them: one line each, file-level faults first."""
    ordered = sorted(problems, key=lambda p: (p.table, p.row is not None, p.row or 0, p.column, p.rule))
    rows = [(p.table, p.row, p.column, p.rule, p.remedy) for p in ordered]
    frame = pd.DataFrame(rows, columns=list(PROBLEM_COLUMNS))
    frame["row"] = frame["row"].astype("Int64")
    return frame
