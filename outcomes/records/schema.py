"""Does every row keep the contract? One pandera schema a table, and every broken rule at once, without values.

Pandera gathers all failures (`lazy`); rows are never dropped here, and its failure table, which holds values, goes
no further than `find_problems`.
"""

from __future__ import annotations

import warnings
from functools import cache

import numpy as np
import pandas as pd
import pandera.pandas as pa
from pandera.errors import SchemaErrors

from outcomes.records.contract import COLUMN, CONTRACT, Column, Table
from outcomes.records.problems import MOST_PROBLEMS, Problem, too_many
from outcomes.records.rules import (
    EARLIEST_DATE,
    LATEST_DATE,
    TIME_PATTERN,
    VALUE_MISSING,
    CrossRule,
    Rule,
    cross_rules,
    pattern_rule,
    range_rule,
)
from outcomes.records.typed import Typed, dtype_of

FILLED_WHEN_MISSING: frozenset[str] = frozenset({"skin_type"})
"""Required columns whose blank cell is read as *not recorded*, and counted, instead of refused."""


def schema(table: Table) -> pa.DataFrameSchema:
    """The pandera schema of one table of the contract.

    Parameters
    ----------
    table : str
        ``zones``, ``sessions``, ``layers`` or ``visits``.

    Returns
    -------
    DataFrameSchema
        For a frame with every contract column, typed as `outcomes.records.typed.dtype_of` says. Missing values
        break no rule but that of a required column.

    Examples
    --------
    >>> schema("layers").columns["passes"].nullable
    False
    """
    return _schema_of(table, frozenset(COLUMN[table]))


@cache
def _schema_of(table: Table, names: frozenset[str]) -> pa.DataFrameSchema:
    """The schema of some columns of a table, with the rules that these columns could break."""
    return pa.DataFrameSchema(
        {column.name: _column(column) for column in CONTRACT[table] if column.name in names},
        checks=[
            pa.Check(cross.holds, name=_cross_name(cross), error=_cross_name(cross), ignore_na=False)
            for cross in cross_rules(table)
            if names.issuperset(cross.columns)
        ],
        strict=True,
        name=table,
    )


def find_problems(table: Typed) -> tuple[Problem, ...]:
    """Which rules does a typed table break, and where?

    Parameters
    ----------
    table : Typed
        Cells that already stand for a problem (`Typed.faults`) are not reported again as missing.

    Returns
    -------
    tuple of Problem
        Every broken rule of every row; no value.
    """
    asked = _asked(table)
    frame = table.frame[[name for name in table.frame if name in asked]]
    try:
        with warnings.catch_warnings():
            # Pandera lays its failures end to end in a way that pandas 2.2 announces to change; what we read of
            # them (column, check, index) is the same either way.
            warnings.filterwarnings("ignore", "The behavior of DataFrame concatenation", FutureWarning)
            _schema_of(table.table, asked).validate(frame, lazy=True)
    except SchemaErrors as broken:
        failures = broken.failure_cases[["column", "check", "index"]]
        if failures["index"].isna().any():
            # A frame that is not of the contract's columns and types is our own mistake, not the export's.
            raise TypeError(f"the {table.table} frame was not typed by the contract") from None
    else:
        return ()
    crosses = {_cross_name(cross): cross for cross in cross_rules(table.table)}
    # Pandera lists a broken cross-column rule once for every column of the frame; once is enough.
    blamed = failures["check"].map({name: cross.blames for name, cross in crosses.items()})
    broken_rules = pd.DataFrame(
        {
            "position": failures["index"].astype("int64"),
            "column": blamed.where(blamed.notna(), failures["column"]),
            "check": failures["check"],
        }
    ).drop_duplicates()
    broken_rules = broken_rules[~np.isin(table.rows[broken_rules["position"]], list(table.not_records))]
    problems: list[Problem] = []
    for (name, check), group in broken_rules.groupby(["column", "check"], sort=True):
        column, cross = COLUMN[table.table][str(name)], crosses.get(str(check))
        rule = cross.rule if cross is not None else _rule(column, str(check))
        if rule is VALUE_MISSING and column.name not in table.present:
            continue  # a required column that is not there at all is one fault of the file
        if len(problems) + len(group) > MOST_PROBLEMS:
            first = int(table.rows[group["position"].min()])
            problems.append(too_many(table.table, table.header(column.name), len(group), first, rule.rule))
            continue
        for position in group["position"]:
            if rule is VALUE_MISSING and (int(table.rows[position]), column.name) in table.faults:
                continue
            problems.append(table.problem(position, column.name, rule))
    return tuple(problems)


def _asked(table: Typed) -> frozenset[str]:
    """Columns that a rule can be broken in: those in the export, the required ones, and those bound to them."""
    present = set(table.present) | {column.name for column in CONTRACT[table.table] if column.required}
    for cross in cross_rules(table.table):
        if present & set(cross.columns):
            present |= set(cross.columns)
    return frozenset(present & set(COLUMN[table.table]))


def _cross_name(cross: CrossRule) -> str:
    return f"{cross.rule.kind}:{cross.blames}"


def _column(column: Column) -> pa.Column:
    return pa.Column(
        dtype_of(column),
        checks=_checks(column),
        nullable=not column.required or column.name in FILLED_WHEN_MISSING,
        description=column.describes,
        metadata={"unit": column.unit, "kind": column.kind},
    )


def _checks(column: Column) -> list[pa.Check]:
    checks: list[pa.Check] = []
    if column.kind == "date":
        checks.append(pa.Check.in_range(pd.Timestamp(EARLIEST_DATE), pd.Timestamp(LATEST_DATE), error="range"))
    elif column.minimum is not None or column.maximum is not None:
        low = float("-inf") if column.minimum is None else column.minimum
        high = float("inf") if column.maximum is None else column.maximum
        checks.append(pa.Check.in_range(low, high, error="range"))
    if column.kind == "time":
        checks.append(pa.Check.str_matches(f"^{TIME_PATTERN}$", error="pattern"))
    if column.kind == "list":
        codes = "|".join(column.codes)
        checks.append(pa.Check.str_matches(f"^(?:{codes})(?:;(?:{codes}))*$", error="pattern"))
    return checks


def _rule(column: Column, check: str) -> Rule:
    if check == "not_nullable":
        return VALUE_MISSING
    return {"range": range_rule, "pattern": pattern_rule}[check](column)
