"""Do the rows fit together? Repeated records, sessions of two patients, layers and visits that point nowhere."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.records.contract import CONTRACT, LONGEST_FOLLOW_UP_DAYS
from outcomes.records.problems import Problem
from outcomes.records.rules import (
    CONTACT_CONFLICT,
    DAY_AND_DATE_DISAGREE,
    NO_RECORD,
    RECORD_CONFLICT,
    RECORD_REFUSED,
    SESSION_OF_TWO_PATIENTS,
    VISIT_BEFORE_TREATMENT,
    VISIT_OF_NOTHING,
    VISIT_TOO_LATE,
    VISIT_UNDATED,
    WRONG_SESSION,
    repeats,
)
from outcomes.records.typed import Typed

Mask = NDArray[np.bool_]


def repeated_rows(table: Typed, key: Sequence[str] | None) -> list[Problem]:
    """Which rows repeat an earlier one, or contradict another of the same key?

    Parameters
    ----------
    table : Typed
    key : sequence of str or None
        Columns that name a record; None where a row is a record of its own and only repeats count.

    Returns
    -------
    list of Problem
        Of rows that are equal throughout, the first stays and the later ones are refused. Of rows that share a
        key and differ, all are refused: which of them is right is not for a program to guess.
    """
    frame = table.frame.assign(_faults=_fault_marks(table))
    names = list(key) if key is not None else [*sorted(table.present), "_faults"]
    keyed = frame[names].notna().all(axis=1) if key is not None else pd.Series(True, index=frame.index)
    shared = frame[keyed & frame.duplicated(names, keep=False)]
    if shared.empty:
        return []
    group = shared.groupby(names, dropna=False, observed=True, sort=False).ngroup()
    repeated = shared.duplicated(keep="first")
    differing = (~repeated).groupby(group).transform("sum") > 1
    first = pd.Series(shared.index, index=shared.index).groupby(group).transform("min")
    problems: list[Problem] = []
    for position in shared.index[differing]:
        problems.append(table.problem(position, names[0], RECORD_CONFLICT))
    column = names[0] if key is not None else ""
    for position in shared.index[repeated & ~differing]:
        problems.append(table.problem(position, column, repeats(int(table.rows[first[position]]))))
    return problems


def contradicting_contacts(visits: Typed) -> list[Problem]:
    """Which rows answer a question otherwise than another row of the same contact?

    A contact has no id: it is the same where record, session, zone, day, date, kind and whether it was planned are. A
    question left blank on one row and answered on another is no contradiction.
    """
    whose, when = ["record_id", "session_id"], ["day", "seen_on"]
    frame = visits.frame[visits.frame[whose].notna().any(axis=1) & visits.frame[when].notna().any(axis=1)]
    key = [*whose, *when, "zone", "contact", "scheduled"]
    shared = frame[frame.duplicated(key, keep=False)]
    if shared.empty:
        return []
    group = shared.groupby(key, dropna=False, observed=True, sort=False).ngroup()
    problems: list[Problem] = []
    for column in CONTRACT["visits"]:
        if column.name in key or column.kind not in ("boolean", "integer") or column.name not in visits.present:
            continue
        several = shared[column.name].groupby(group).transform("nunique") > 1
        told = several & shared[column.name].notna()
        problems += [visits.problem(position, column.name, CONTACT_CONFLICT) for position in shared.index[told]]
    return problems


def sessions_of_two_patients(zones: Typed) -> list[Problem]:
    """Which rows belong to a session that more than one patient has?"""
    frame = zones.frame[["session_id", "patient_id"]].dropna()
    patients = frame.groupby("session_id")["patient_id"].transform("nunique")
    return [zones.problem(p, "session_id", SESSION_OF_TWO_PATIENTS) for p in frame.index[patients > 1]]


def unlinked_layers(layers: Typed, zones: Typed, accepted: Mask) -> list[Problem]:
    """Which layers belong to a refused record, or to none?"""
    known, refused = _ids(zones, "record_id", accepted)
    return _unlinked(layers, "record_id", known, refused)


def undated_visits(visits: Typed) -> list[Problem]:
    """Which visits name neither a record nor a session, or neither a day nor a date?"""
    problems: list[Problem] = []
    for first, second, rule in (
        ("record_id", "session_id", VISIT_OF_NOTHING),
        ("day", "seen_on", VISIT_UNDATED),
    ):
        blank = visits.frame[first].isna() & visits.frame[second].isna()
        column = first if first in visits.present else second
        for position in visits.frame.index[blank]:
            row = int(visits.rows[position])
            faulty = (row, first) in visits.faults or (row, second) in visits.faults
            if not faulty and row not in visits.not_records:
                problems.append(visits.problem(position, column, rule))
    return problems


def place_visits(visits: Typed, zones: Typed, accepted: Mask) -> tuple[pd.DataFrame, list[Problem]]:
    """Which zones does each visit speak for, and on which day after their treatment?

    Parameters
    ----------
    visits, zones : Typed
    accepted : ndarray of bool
        Which rows of `zones` are accepted.

    Returns
    -------
    pairs : DataFrame
        ``visit, zone, day``: positions in the two frames, one row for each accepted zone that a visit speaks
        for (a visit with only a session speaks for all its zones).
    problems : list of Problem
        Visits that point nowhere, lie before treatment, or say two different days.
    """
    frame = visits.frame
    by_record = frame["record_id"].notna()
    known, refused = _ids(zones, "record_id", accepted)
    problems = _unlinked(visits, "record_id", known, refused)
    good = zones.frame.loc[accepted, ["record_id", "session_id", "zone"]]

    records = pd.DataFrame({"visit": frame.index[by_record], "record_id": frame.loc[by_record, "record_id"]})
    pairs = records.merge(good.assign(at=good.index), on="record_id", how="inner")
    wrong = np.zeros(len(pairs), dtype=bool)
    for column in ("session_id", "zone"):
        said = frame.loc[pairs["visit"], column].astype("string").to_numpy()
        wrong |= (pd.Series(said, dtype="string") != pairs[column].astype("string")).fillna(False).to_numpy(dtype=bool)
    problems += [visits.problem(p, "record_id", WRONG_SESSION) for p in pairs.loc[wrong, "visit"]]
    linked = [pairs.loc[~wrong, ["visit", "at"]]]

    by_session = ~by_record & frame["session_id"].notna()
    for by_zone in (False, True):
        chosen = by_session & (frame["zone"].notna() == by_zone)
        key = ["session_id", "zone"] if by_zone else ["session_id"]
        more, unlinked = _by_session(visits, zones, accepted, chosen, key)
        linked, problems = [*linked, more], problems + unlinked

    at_visit, at_zone = (
        np.concatenate([part[name].to_numpy(dtype=np.intp) for part in linked]) for name in ("visit", "at")
    )
    treated = zones.frame["treated_on"].to_numpy()[at_zone]
    dated = pd.Series(frame["seen_on"].to_numpy()[at_visit] - treated).dt.days.to_numpy(dtype="float64")
    said = frame["day"].to_numpy(dtype="float64", na_value=np.nan)[at_visit]
    for broken, column, rule in (
        (dated < 0, "seen_on", VISIT_BEFORE_TREATMENT),
        (dated > LONGEST_FOLLOW_UP_DAYS, "seen_on", VISIT_TOO_LATE),
        (dated != np.where(np.isnan(said), dated, said), "day", DAY_AND_DATE_DISAGREE),
    ):
        both = broken & ~np.isnan(dated)
        problems += [visits.problem(p, column, rule) for p in np.unique(at_visit[both])]
    day = np.where(np.isnan(said), dated, said)
    placed = pd.DataFrame({"visit": at_visit, "zone": at_zone, "day": day})
    return placed.sort_values(["visit", "zone"], ignore_index=True), problems


def _by_session(
    visits: Typed, zones: Typed, accepted: Mask, chosen: pd.Series, key: list[str]
) -> tuple[pd.DataFrame, list[Problem]]:
    asked = visits.frame.loc[chosen, key].astype("string").assign(visit=visits.frame.index[chosen])
    there = zones.frame[key].astype("string").assign(at=zones.frame.index, accepted=accepted)
    found = asked.merge(there.dropna(subset=key), on=key, how="inner")
    linked = found.loc[found["accepted"], ["visit", "at"]]
    nowhere = ~asked["visit"].isin(linked["visit"])
    problems = [
        visits.problem(p, key[-1], RECORD_REFUSED if exists else NO_RECORD)
        for p, exists in zip(asked.loc[nowhere, "visit"], asked.loc[nowhere, "visit"].isin(found["visit"]), strict=True)
    ]
    return linked, problems


def _ids(table: Typed, column: str, accepted: Mask) -> tuple[pd.Index[str], pd.Index[str]]:
    """Ids on accepted rows, and ids that only refused rows have."""
    ids = table.frame[column].astype("object")
    known = pd.Index(ids[accepted].dropna().unique())
    return known, pd.Index(ids[~accepted].dropna().unique()).difference(known)


def _unlinked(table: Typed, column: str, known: pd.Index[str], refused: Iterable[str]) -> list[Problem]:
    ids = table.frame[column].dropna()
    lost = ids[~ids.isin(known)]
    of_refused = lost.isin(pd.Index(refused))
    return [
        table.problem(position, column, RECORD_REFUSED if was_refused else NO_RECORD)
        for position, was_refused in zip(lost.index, of_refused, strict=True)
    ]


def _fault_marks(table: Typed) -> pd.Series:
    """For each row, the columns that hold a fault: rows that differ only in an unreadable cell still differ."""
    marks: dict[int, list[str]] = {}
    for row, column in sorted(table.faults):
        marks.setdefault(row, []).append(column)
    return pd.Series([",".join(marks.get(int(row), [])) for row in table.rows], dtype="string")
