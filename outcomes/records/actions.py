"""The register of actions from earlier audits: read, checked, and kept free of what may identify a person."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from outcomes.errors import ExportRejected
from outcomes.records.headers import did_you_mean, fold, tidy_header
from outcomes.records.identifying import identifier_held
from outcomes.records.problems import Problem
from outcomes.records.readers.csv import detect_delimiter, records_of
from outcomes.records.readers.decoding import STRAY, decode
from outcomes.records.readers.limits import TooLarge, check_file_size

COLUMNS = ("action", "criterion", "owner role", "due", "status", "evidence")
NEEDED = ("action", "owner role", "due", "status")
STATUSES = ("open", "closed")
HELD_BACK = "(text held back: it may identify a person)"
LONGEST_TEXT = 300
_TABLE = "actions"
_OTHER_NAMES = {"owner": "owner role", "due date": "due", "due on": "due"}
_CORRECT = "Correct the cell in the register."
_MAY_IDENTIFY = (
    re.compile(r"\d{5,}"),  # a number as long as a patient's
    re.compile(r"\b[A-Za-z]{1,4}[-/]?\d{3,}\b"),  # a code of letters and digits
    re.compile(r"(?:\+|\b00|\(0|\b0)\d[\d ()./\-]{6,}\d"),  # a telephone number
    re.compile(r"\b(?:mr|mrs|ms|miss|mx|herr|frau|mme|mlle|sra?|signora?)\b\.?\s*[^\W\d_]", re.IGNORECASE),
    re.compile(r"\b(?:Dr|Prof|Sister|Nurse)\b\.?\s*[A-ZÀ-Þ]"),
    re.compile(r"\b(?:born|dob|d\.o\.b|date of birth)\b", re.IGNORECASE),
    re.compile(r"\b(?:19\d\d-\d\d-\d\d|\d{1,2}[./-]\d{1,2}[./-]19\d\d)\b"),  # a day of the last century
)


@dataclass(frozen=True, slots=True)
class Action:
    """One action of the register.

    Attributes
    ----------
    row : int
        Row in the file as a spreadsheet shows it.
    action : str
        What is to be done; `HELD_BACK` where the text may identify a person.
    criterion : str
        Id of the criterion that it answers; empty for none.
    owner : str
        Role that answers for it.
    due : date
    open : bool
    evidence : str
        What shows that it was done; empty for none.
    """

    row: int
    action: str
    criterion: str
    owner: str
    due: date
    open: bool
    evidence: str = ""


@dataclass(frozen=True, slots=True)
class ActionRegister:
    """The register as it was read. Rows read are accepted plus refused.

    Attributes
    ----------
    actions : tuple of Action
    problems : tuple of Problem
        Every fault, without the text of the cell; a refused row has one or more.
    rows_read, rows_refused : int
    texts_held_back : int
        Cells of text that may identify a person and are not shown.
    sha256 : str
    """

    actions: tuple[Action, ...]
    problems: tuple[Problem, ...]
    rows_read: int
    rows_refused: int
    texts_held_back: int
    sha256: str

    def __post_init__(self) -> None:
        if self.rows_read != len(self.actions) + self.rows_refused:
            raise ValueError("rows read are not rows accepted plus rows refused")


def may_identify(text: str, known_ids: Collection[str] = ()) -> bool:
    """Whether a text looks as if it named or numbered a person. Bare names without a title cannot be told.

    Parameters
    ----------
    text : str
    known_ids : collection of str
        Ids of the records; a word that is one of them identifies, unless it is a plain word without a digit.

    Examples
    --------
    >>> may_identify("Review 2026Q2 with the laser lead"), may_identify("Ring Mrs Example"), may_identify("see T000123")
    (False, True, True)
    """
    if identifier_held([text]) or any(pattern.search(text) for pattern in _MAY_IDENTIFY):
        return True
    words = re.findall(r"[\w\-/]+", text)
    return any(word in known_ids and any(c.isdigit() for c in word) for word in words)


def read_actions(path: Path, criteria: Collection[str] = (), known_ids: Collection[str] = ()) -> ActionRegister:
    """Read actions.csv: action, criterion, owner role, due, status, evidence.

    Parameters
    ----------
    path : Path
    criteria : collection of str
        Ids of criteria that an action may answer; an action that names another is kept, and that is said.
    known_ids : collection of str
        Ids that may not appear in a text.

    Raises
    ------
    ExportRejected
        If the file cannot be read as a table or lacks a column that is needed.
    """
    data = _bytes(path)
    text = decode(data).text
    delimiter = detect_delimiter(text)
    if not text.strip() or delimiter is None:
        raise ExportRejected(f"The register {path.name} is not a table.", "Save it as CSV with a header row.")
    records = list(records_of(text, delimiter))
    if any(record.fault for record in records):
        raise ExportRejected(
            f"The register {path.name} has a quotation mark that is not closed.", "Close or remove it in the file."
        )
    place = _headers(path, records[0].cells)
    actions: list[Action] = []
    problems: list[Problem] = []
    read = held = 0
    for record in records[1:]:
        cells = [cell.strip() for cell in record.cells]
        if not any(cells):
            continue
        read += 1
        row = {name: cells[at] if at < len(cells) else "" for name, at in place.items()}
        faults = _faults(row, record.row)
        problems += faults
        if faults:
            continue
        if row.get("criterion") and criteria and row["criterion"] not in criteria:
            hint = did_you_mean(row["criterion"], criteria).strip()
            problems.append(
                _problem(record.row, "criterion", "names no criterion of the protocol", hint or "Correct the cell.")
            )
        shown = {name: row.get(name, "") for name in ("action", "owner role", "evidence", "criterion")}
        for name, cell in shown.items():
            if cell and may_identify(cell, known_ids):
                shown[name] = HELD_BACK
                held += 1
                problems.append(
                    _problem(record.row, name, "may identify a person and is not shown", "Describe it without.")
                )
        actions.append(
            Action(
                row=record.row,
                action=shown["action"],
                criterion=shown["criterion"],
                owner=shown["owner role"],
                due=date.fromisoformat(row["due"]),
                open=fold(row["status"]) == "open",
                evidence=shown["evidence"],
            )
        )
    return ActionRegister(
        tuple(actions), tuple(problems), read, read - len(actions), held, hashlib.sha256(data).hexdigest()
    )


def _bytes(path: Path) -> bytes:
    try:
        check_file_size(path.stat().st_size)
        return path.read_bytes()
    except TooLarge:
        raise ExportRejected(f"The register {path.name} is too large.", "Give a register of actions only.") from None
    except OSError:
        raise ExportRejected(
            f"The register {path.name} cannot be read.", "Check that the file exists and is readable."
        ) from None


def _headers(path: Path, cells: list[str]) -> dict[str, int]:
    """Position of each column that is known; others are not read."""
    place: dict[str, int] = {}
    for at, header in enumerate(cells):
        name = fold(tidy_header(header))
        name = _OTHER_NAMES.get(name, name)
        if name not in COLUMNS:
            continue
        if name in place:
            raise ExportRejected(f"The register {path.name} has two columns {name}.", "Keep one of them.")
        place[name] = at
    for name in NEEDED:
        if name not in place:
            raise ExportRejected(
                f"The register {path.name} has no column {name}.", f"Its columns are {', '.join(COLUMNS)}."
            )
    return place


def _faults(row: Mapping[str, str], number: int) -> list[Problem]:
    """Why a row cannot be taken; nothing of its text is in the words."""
    faults = [
        _problem(number, name, "must be given", "Fill the cell in the register.")
        for name in NEEDED
        if not row.get(name)
    ]
    for name, cell in row.items():
        if len(cell) > LONGEST_TEXT:
            faults.append(
                _problem(number, name, f"must not be longer than {LONGEST_TEXT} characters", "Shorten the text.")
            )
        if STRAY in cell:
            faults.append(_problem(number, name, "holds a byte that is no character", "Save the file as UTF-8."))
    if row.get("due") and _day(row["due"]) is None:
        faults.append(_problem(number, "due", "must be a date written as YYYY-MM-DD", _CORRECT))
    if row.get("status") and fold(row["status"]) not in STATUSES:
        faults.append(_problem(number, "status", f"must be {' or '.join(STATUSES)}", _CORRECT))
    return faults


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if re.fullmatch(r"\d{4}-\d\d-\d\d", text) else None
    except ValueError:
        return None


def _problem(row: int, column: str, rule: str, remedy: str) -> Problem:
    return Problem(_TABLE, row, column, rule, remedy, "action")
