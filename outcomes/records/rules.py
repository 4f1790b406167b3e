"""The rules of the record contract: what must hold, in words, and what to do where it does not.

Every rule has a short fixed kind, a sentence without a subject (it stands behind a column's header) and a
remedy. None of them holds a value of an export.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import pandas as pd

from outcomes.records.contract import CONTRACT, Column, Table
from outcomes.records.vocabulary import OUTCOMES

EARLIEST_DATE = date(1995, 1, 1)
LATEST_DATE = date(2099, 12, 31)
TIME_PATTERN = r"([01]\d|2[0-3]):[0-5]\d"


@dataclass(frozen=True, slots=True)
class Rule:
    """What must hold.

    Attributes
    ----------
    kind : str
        Short fixed name, for grouping and for tests.
    rule : str
        What must hold, in words that follow a column's header.
    remedy : str
        What to do about it.
    """

    kind: str
    rule: str
    remedy: str


@dataclass(frozen=True, slots=True)
class CrossRule:
    """A rule about several columns of one row.

    Attributes
    ----------
    rule : Rule
    blames : str
        Column that the problem is reported at.
    columns : tuple of str
        All columns that it binds; where only one of them is in an export it cannot be broken.
    holds : callable
        Given the typed frame, whether each row keeps the rule; a missing value never breaks it.
    """

    rule: Rule
    blames: str
    columns: tuple[str, ...]
    holds: Callable[[pd.DataFrame], pd.Series]


VALUE_MISSING = Rule("value_missing", "must be given", "Fill it in where the record is kept, and export again.")

RECORD_CONFLICT = Rule(
    "record_conflict",
    "stands on several rows that differ",
    "Find out which row is right, delete the others where the records are kept, and export again.",
)
NO_RECORD = Rule(
    "points_to_no_record",
    "points to no record",
    "Correct the id, or export the record that it belongs to.",
)
RECORD_REFUSED = Rule(
    "record_refused",
    "belongs to a record that was refused",
    "Correct the record; this row will then be taken.",
)
WRONG_SESSION = Rule(
    "record_not_of_session",
    "names a record that is not of the session or zone on the same row",
    "Correct the record, the session or the zone.",
)
CONTACT_CONFLICT = Rule(
    "contact_conflict",
    "says otherwise than another row of the same contact",
    "Find out which row is right, delete the others where the records are kept, and export again.",
)
VISIT_OF_NOTHING = Rule(
    "visit_of_nothing",
    "must be given, or a session instead",
    "Give the record or the session that was followed up.",
)
VISIT_UNDATED = Rule(
    "visit_undated",
    "must be given, or a date instead",
    "Give the day or the date of the contact; leave a missed appointment out.",
)
VISIT_BEFORE_TREATMENT = Rule(
    "visit_before_treatment",
    "lies before the day of treatment",
    "Correct the date of the contact or of the treatment.",
)
VISIT_TOO_LATE = Rule(
    "visit_too_late",
    "lies more than 20 years after the day of treatment",
    "Correct the date of the contact or of the treatment.",
)
DAY_AND_DATE_DISAGREE = Rule(
    "day_and_date_disagree",
    "is not the number of days from treatment to the date on the same row",
    "Correct the day or the date; treatment is day 0.",
)
SESSION_OF_TWO_PATIENTS = Rule(
    "session_of_two_patients",
    "is shared by rows of more than one patient",
    "Correct the patient or the session; where sessions are numbered anew for each patient or day, join "
    "headers to session_id in the mapping.",
)


def repeats(row: int) -> Rule:
    """The rule that a row broke by saying again, word for word, what `row` said."""
    return Rule(
        "record_repeated",
        f"repeats row {row} exactly",
        "Nothing is lost: the first of the rows was taken. Export each record once.",
    )


def type_rule(column: Column) -> Rule:
    """The rule that a cell broke when it is not of its column's kind."""
    remedy = "Correct it where the record is kept, or declare in the mapping how this column is written."
    if column.kind == "code":
        return Rule(
            "unknown_code",
            f"must be one of {', '.join(column.codes)}",
            "Correct it, or say in the mapping which of these the clinic's own code stands for.",
        )
    kind, words = {
        "number": ("not_a_number", "must be a number"),
        "integer": ("not_whole", "must be a whole number"),
        "date": ("not_a_date", "must be a date"),
        "boolean": ("not_yes_no", "must be yes or no"),
    }[column.kind]
    return Rule(kind, words, remedy)


def range_rule(column: Column) -> Rule:
    """The rule that a number or a date broke when it lies outside what a record can mean."""
    if column.kind == "date":
        return Rule(
            "out_of_range",
            f"must lie between {EARLIEST_DATE.isoformat()} and {LATEST_DATE.isoformat()}",
            "Correct the date, or declare the date format in the mapping.",
        )
    unit = f" {column.unit}" if column.unit else ""
    if column.minimum is not None and column.maximum is not None:
        words = f"must lie between {column.minimum:,g} and {column.maximum:,g}{unit}"
    elif column.minimum is not None:
        words = f"must be at least {column.minimum:,g}{unit}"
    else:
        words = f"must be at most {column.maximum:,g}{unit}"
    remedy = "Correct it where the record is kept."
    if unit:
        remedy = f"Correct it, or declare the unit of this column in the mapping if it is not{unit}."
    return Rule("out_of_range", words, remedy)


def pattern_rule(column: Column) -> Rule:
    """The rule that a time or a list broke when it is not written as one."""
    if column.kind == "time":
        return Rule(
            "not_a_time",
            "must be a time of day, HH:MM",
            "Correct it where the record is kept, or leave it blank.",
        )
    return Rule(
        "unknown_code",
        f"must be some of {', '.join(column.codes)}, joined by semicolons",
        "Correct it, or say in the mapping which of these the clinic's own codes stand for.",
    )


def _in_order(first: str, second: str) -> Callable[[pd.DataFrame], pd.Series]:
    return lambda frame: (frame[first] <= frame[second]).fillna(True).astype(bool)


def _not_contradicted(answer: str, details: tuple[str, ...]) -> Callable[[pd.DataFrame], pd.Series]:
    def holds(frame: pd.DataFrame) -> pd.Series:
        said_no = (frame[answer].astype("boolean") == False).fillna(False).astype(bool)  # noqa: E712
        return ~(said_no & frame[list(details)].notna().any(axis=1))

    return holds


def _blocks_agree(frame: pd.DataFrame) -> pd.Series:
    return ~frame["blocks"].str.contains(r"(?:^|;)none;|;none(?:;|$)", regex=True).fillna(False).astype(bool)


_INTERVALS: tuple[CrossRule, ...] = tuple(
    CrossRule(
        Rule(
            f"{what}_interval_reversed",
            f"must not lie before the last day on which the zone was seen {before}",
            "Correct one of the two days.",
        ),
        f"{what}_by_day",
        (f"{what}_after_day", f"{what}_by_day"),
        _in_order(f"{what}_after_day", f"{what}_by_day"),
    )
    for what, before in (("healed", "unhealed"), ("red", "red"))
)

_BLOCKS = CrossRule(
    Rule("blocks_contradict", "names a block beside none", "Leave one of them out."),
    "blocks",
    ("blocks",),
    _blocks_agree,
)


def cross_rules(table: Table) -> tuple[CrossRule, ...]:
    """Which rules bind several columns of a row of `table`."""
    names = {column.name for column in CONTRACT[table]}
    rules = [rule for rule in (*_INTERVALS, _BLOCKS) if rule.blames in names]
    for outcome in OUTCOMES:
        details = tuple(d for d in (f"{outcome.name}_day", f"{outcome.name}_severity") if d in names)
        if outcome.name in names and details:
            rule = Rule(
                "answer_contradicted",
                "is a no, though its day or severity is given",
                "Correct the answer, or leave day and severity blank where there was none.",
            )
            bound = (outcome.name, *details)
            rules.append(CrossRule(rule, outcome.name, bound, _not_contradicted(outcome.name, details)))
    return tuple(rules)
