"""Direct identifiers: recognised by header or by content, and refused unless the mapping drops the column."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import pandas as pd

from outcomes.records.contract import Column, Table
from outcomes.records.headers import fold
from outcomes.records.identifier_words import (
    ALONE,
    BEGINNINGS,
    NOT_A_PERSON,
    OF_SOMETHING_ELSE,
    PATIENT,
    STAFF,
    TOGETHER,
    WHOLE,
)
from outcomes.records.identifying import birthdays_held, identifier_held, names_held, notes_held
from outcomes.records.problems import Problem

_OF_A_PERSON = frozenset({"record_id", "patient_id", "session_id"})
_REMEDY = "Delete the column in the export, or list its header under [drop] in the mapping."


def identifier_of(header: str) -> str | None:
    """Which direct identifier does a header announce? None for a header that announces none.

    Examples
    --------
    >>> identifier_of("Patient Name"), identifier_of("D.O.B."), identifier_of("Device name")
    ('a name', 'a date of birth', None)
    >>> identifier_of("Notes"), identifier_of("E-mail"), identifier_of("Patient no")
    ('free text', 'an e-mail address', None)
    """
    dotted = re.sub(r"\b((?:\w\.){2,})", lambda match: match[1].replace(".", ""), header + " ")
    joined = re.sub(r"([a-zà-ÿ])([A-Z])", r"\1 \2", dotted)
    words = re.findall(r"[^\W_]+", fold(joined))
    if words and all(len(word) == 1 for word in words):
        words = ["".join(words)]
    words += [word for word in re.findall(r"[^\W_]+", fold(dotted)) if word not in words]
    if (whole := WHOLE.get(" ".join(re.findall(r"[^\W_]+", fold(header))))) is not None:
        return whole
    for what, together in TOGETHER:
        if all(part in words for part in together):
            return what
    of_something_else = not (NOT_A_PERSON | STAFF).isdisjoint(words) and PATIENT.isdisjoint(words)
    for what, alone in ALONE.items():
        if not alone.isdisjoint(words) and not (of_something_else and what in OF_SOMETHING_ELSE):
            return what
    return next((what for start, what in BEGINNINGS if any(word.startswith(start) for word in words)), None)


def check_identifiers(
    table: Table, frame: pd.DataFrame, read: Mapping[str, Sequence[Column]] | None = None
) -> list[Problem]:
    """Columns of an export that identify a patient directly, by their header or by what they hold.

    Parameters
    ----------
    table : str
    frame : DataFrame
        Text cells under the export's headers, without the columns that the mapping drops.
    read : mapping of str to sequence of Column, or None
        What is read from each header. Names and addresses are looked for where ids of patients, records and sessions are read and
        where nothing is; dates of birth and sentences where nothing is: elsewhere only codes, numbers and short
        words come through.

    Returns
    -------
    list of Problem
        Fatal, one a column.
    """
    problems = []
    for header in frame.columns:
        columns = (read or {}).get(header, ())
        what = identifier_of(header)
        held = None if what is not None else _held(frame[header].dropna(), columns)
        if what is not None:
            rule = f"announces {what}, which may identify a patient and is not read"
        elif held is not None:
            rule = f"holds what looks like {held}, which may identify a patient and are not read"
        else:
            continue
        problems.append(Problem(table, None, header, rule, _remedy(columns), "identifier", fatal=True))
    return problems


def identity_of(header: str, cells: pd.Series, columns: Sequence[Column] = ()) -> str | None:
    """Which direct identifier does a column announce or hold, if some of our columns are read from it?"""
    return identifier_of(header) or _held(cells.dropna(), columns)


def _held(cells: pd.Series, columns: Sequence[Column]) -> str | None:
    texts = [str(text) for text in cells.unique()]
    of_a_person = all(column.name in _OF_A_PERSON for column in columns)
    found = identifier_held(texts)
    if found is not None and (of_a_person or found != "addresses"):
        return found
    if of_a_person and names_held(texts, len(cells)):
        return "names of people"
    if columns:
        return None
    return "dates of birth" if birthdays_held(texts) else "free text" if notes_held(texts) else None


def _remedy(columns: Sequence[Column]) -> str:
    if any(column.required for column in columns):
        return "Export the number or code that the record system itself uses in its place."
    return _REMEDY
