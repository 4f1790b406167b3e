"""Text cells → numbers, dates, answers and codes; a cell that is none becomes missing and a problem."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.records.contract import CONTRACT, Column, Kind, Table
from outcomes.records.mapping import Mapped
from outcomes.records.problems import Problem
from outcomes.records.rules import Rule, type_rule

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?"
_DATE = r"(?:1[7-9]|20|21)\d\d-\d\d-\d\d"

_DTYPES: dict[Kind, str] = {
    "id": "string",
    "text": "string",
    "time": "string",
    "list": "string",
    "number": "Float64",
    "integer": "Int64",
    "boolean": "boolean",
    "date": "datetime64[ns]",
}


def dtype_of(column: Column) -> str | pd.CategoricalDtype:
    """Which dtype a contract column has once it is typed.

    Codes are a category with every code of the contract in its fixed order, so that a reference level cannot
    drift; skin type is ordered.

    Examples
    --------
    >>> dtype_of(Column("passes", "integer"))
    'Int64'
    """
    if column.kind == "code":
        return pd.CategoricalDtype(list(column.codes), ordered=column.name == "skin_type")
    return _DTYPES[column.kind]


@dataclass(frozen=True, slots=True, eq=False)
class Typed:
    """One table, typed, with every contract column; absent ones are all missing.

    Attributes
    ----------
    table : str
    frame : DataFrame
        Contract columns in contract order, index 0, 1, 2 …
    rows : ndarray of int
        Row of each record as a spreadsheet shows it.
    headers : dict of str to str
        Contract column → header in the export.
    present : frozenset of str
        Contract columns that the export has.
    faults : frozenset of (int, str)
        (row, column) of cells that a problem already stands for.
    problems : tuple of Problem
    notes : tuple of str
    """

    table: Table
    frame: pd.DataFrame
    rows: np.ndarray[tuple[int], np.dtype[np.int64]]
    headers: dict[str, str]
    present: frozenset[str]
    faults: frozenset[tuple[int, str]]
    problems: tuple[Problem, ...]
    notes: tuple[str, ...] = ()

    @property
    def not_records(self) -> frozenset[int]:
        """Rows that a problem stands for as a whole (a totals line, a torn line): no rule is asked of their cells."""
        return frozenset(p.row for p in self.problems if p.row is not None and not p.column)

    def header(self, column: str) -> str:
        """What the export calls a contract column."""
        return self.headers.get(column, column)

    def problem(self, position: int, column: str, rule: Rule) -> Problem:
        """The problem of the row at `position` with `column`."""
        row = int(self.rows[position])
        return Problem(self.table, row, self.header(column), rule.rule, rule.remedy, rule.kind)


def typed(mapped: Mapped) -> Typed:
    """Give every column of a mapped table its type.

    Parameters
    ----------
    mapped : Mapped
        Text in the contract's words.

    Returns
    -------
    Typed
        Its problems are those of `mapped` and one for each cell that is not of its column's kind.
    """
    text = mapped.frame.reset_index(drop=True)
    rows = np.asarray(mapped.rows, dtype=np.int64)
    problems, faults = list(mapped.problems), set(mapped.faults)
    columns: dict[str, pd.Series] = {}
    for column in CONTRACT[mapped.table]:
        if column.name not in text:
            columns[column.name] = absent(column, text.index)
            continue
        cells = text[column.name].astype("string")
        values, failing = _convert(cells, column)
        columns[column.name] = values
        for position in np.flatnonzero(failing):
            rule, row = type_rule(column), int(rows[position])
            header = mapped.headers.get(column.name, column.name)
            problems.append(Problem(mapped.table, row, header, rule.rule, rule.remedy, rule.kind))
            faults.add((row, column.name))
    return Typed(
        table=mapped.table,
        frame=pd.DataFrame(columns, index=text.index),
        rows=rows,
        headers=dict(mapped.headers),
        present=frozenset(text.columns),
        faults=frozenset(faults),
        problems=tuple(problems),
        notes=mapped.notes,
    )


def absent(column: Column, index: pd.Index[int]) -> pd.Series:
    """A column that an export does not have: missing throughout, of its type."""
    return pd.Series(index=index, dtype=dtype_of(column))


def _convert(cells: pd.Series, column: Column) -> tuple[pd.Series, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    """Typed values, and which cells held something that is not of the column's kind.

    Each different text is converted once: a column of a million cells holds a few hundred of them.
    """
    if column.kind in ("id", "text", "time", "list"):
        return cells, np.zeros(len(cells), dtype=bool)
    codes, texts = pd.factorize(cells)
    values = _typed_texts(pd.Series(texts, dtype="string"), column)
    spread = pd.Series(values.array.take(codes, allow_fill=True), index=cells.index, dtype=dtype_of(column))
    return spread, cells.notna().to_numpy(dtype=bool) & spread.isna().to_numpy(dtype=bool)


def _typed_texts(texts: pd.Series, column: Column) -> pd.Series:
    if column.kind in ("number", "integer"):
        numbers = pd.to_numeric(texts.where(_matches(texts, _NUMBER))).astype("Float64")
        if column.kind == "number":
            return numbers
        return numbers.where((numbers % 1 == 0).fillna(False).astype(bool)).astype("Int64")
    if column.kind == "date":
        dates = texts.where(_matches(texts, _DATE))
        return pd.to_datetime(dates, format="%Y-%m-%d", errors="coerce").astype("datetime64[ns]")
    if column.kind == "boolean":
        return texts.map({"true": True, "false": False}).astype("boolean")
    known = texts.where(texts.isin(column.codes))
    return pd.Series(known, dtype=dtype_of(column))


def _matches(texts: pd.Series, pattern: str) -> pd.Series:
    return texts.str.fullmatch(pattern).fillna(False).astype(bool)
