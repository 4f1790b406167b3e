"""Which records meet a criterion, which fail it, and which cannot be told: one rule a measure.

What was not recorded counts as not done where the criterion asks that something was done; where it asks how something
turned out (a score, a grade), records without the answer are left out and counted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.protocol import Criterion, Protocol
from outcomes.protocol.criteria import VISIT_KINDS
from outcomes.questions.criteria_units import HAS_ROW, units
from outcomes.questions.injected_dose import injected_dose
from outcomes.records.cases import Cases
from outcomes.records.contract import COLUMN, Table
from outcomes.records.vocabulary import OUTCOMES

BoolArray = NDArray[np.bool_]
SEVERE_FROM = 3
_NO_ROW = "without an accepted session row"


@dataclass(frozen=True, slots=True, eq=False)
class Assessed:
    """The records that a criterion counts, one entry each.

    Attributes
    ----------
    record, patient : ndarray of str
        Record id (the session's first, where sessions are counted) and patient.
    since : ndarray of datetime64
        Day from which each could be held against it.
    met : bool array
        Which meet it.
    told : bool array
        Which can be told; the rest are left out.
    absent : str
        Why nothing can be said at all, empty where something can.
    left_out : tuple of (int, str)
        How many are not told, and why.
    """

    record: NDArray[np.str_]
    patient: NDArray[np.str_]
    since: NDArray[np.datetime64]
    met: BoolArray
    told: BoolArray
    absent: str = ""
    left_out: tuple[tuple[int, str], ...] = ()

    @property
    def failed(self) -> BoolArray:
        """Which were told and do not meet it."""
        return self.told & ~self.met


def assess(criterion: Criterion, cases: Cases, first: date, last: date, protocol: Protocol) -> Assessed:
    """Read a counted criterion off the records of a span.

    Parameters
    ----------
    criterion : Criterion
        Of any measure but ``outcome`` and ``healed_by``, which are estimated.
    cases : Cases
        As known on the day that is asked about.
    first, last : date
        Days of treatment; for severe events, days on which they were found.
    """
    if criterion.measure == "severe_reviewed":
        return _severe_reviewed(criterion, cases, first, last)
    frame = units(criterion, cases, first, last)
    if missing := _absent(criterion, cases):
        return replace(_plain(frame, np.zeros(len(frame), dtype=bool)), absent=missing)
    return _MEASURES[criterion.measure](criterion, frame, cases, protocol)


def _plain(frame: pd.DataFrame, met: BoolArray, told: BoolArray | None = None, why: str = "") -> Assessed:
    """One entry a row; sessions that the sessions table does not know are not told."""
    left_out: list[tuple[int, str]] = []
    tell = np.ones(len(frame), dtype=bool)
    for mask, reason in ((frame[HAS_ROW].to_numpy(dtype=bool) if HAS_ROW in frame else None, _NO_ROW), (told, why)):
        if mask is not None and (gone := int((tell & ~mask).sum())):
            tell = tell & mask
            left_out.append((gone, reason))
    return Assessed(
        record=frame["record_id"].to_numpy(dtype=str),
        patient=frame["patient_id"].to_numpy(dtype=str),
        since=frame["treated_on"].to_numpy(dtype="datetime64[D]"),
        met=np.asarray(met, dtype=bool),
        told=tell,
        left_out=tuple(left_out),
    )


def _absent(criterion: Criterion, cases: Cases) -> str:
    """Columns that no record of the export fills, so that a criterion on them says nothing about care."""
    if criterion.measure == "seen_between" and cases.visits.empty:
        return "the export holds no follow-up contacts"
    frame = cases.zones if criterion.unit == "zone" else cases.sessions
    columns = criterion.columns
    if criterion.measure == "dose_within_limit":
        columns = ("injected_ml", "injected_pct", "weight_kg")
    empty = [column for column in columns if column not in frame or _blank(frame[column]).all()]
    if not len(frame) or not empty:
        return ""
    table: Table = "zones" if criterion.unit == "zone" else "sessions"
    words = [COLUMN[table][c].describes if c in COLUMN[table] else c for c in empty]
    return f"not in the export: {'; '.join(words)}"


def _blank(values: pd.Series) -> pd.Series:
    return values.isna() | (values.astype("string") == "not_recorded").fillna(False)


def _yes(criterion: Criterion, frame: pd.DataFrame, cases: Cases, protocol: Protocol) -> Assessed:
    answers = [frame[column].fillna(False).to_numpy(dtype=bool) for column in criterion.columns]
    return _plain(frame, np.logical_and.reduce(answers))


def _one_of(criterion: Criterion, frame: pd.DataFrame, cases: Cases, protocol: Protocol) -> Assessed:
    held = frame[criterion.columns[0]].astype("string").isin(criterion.values)
    return _plain(frame, held.fillna(False).to_numpy(dtype=bool))


def _recorded(criterion: Criterion, frame: pd.DataFrame, cases: Cases, protocol: Protocol) -> Assessed:
    given = [~_blank(frame[column]).to_numpy(dtype=bool) for column in criterion.columns]
    return _plain(frame, np.logical_and.reduce(given))


def _limited(criterion: Criterion, frame: pd.DataFrame, cases: Cases, protocol: Protocol) -> Assessed:
    number = frame[criterion.columns[0]].to_numpy(dtype=float, na_value=np.nan)
    limit = float(criterion.limit or 0.0)
    met = number <= limit if criterion.measure == "at_most" else number >= limit
    return _plain(frame, np.asarray(met), ~np.isnan(number), "without the answer")


def _before_treatment(criterion: Criterion, frame: pd.DataFrame, cases: Cases, protocol: Protocol) -> Assessed:
    before = frame[criterion.columns[0]] < frame["treated_on"]
    return _plain(frame, before.fillna(False).to_numpy(dtype=bool))


def _dose_within_limit(criterion: Criterion, frame: pd.DataFrame, cases: Cases, protocol: Protocol) -> Assessed:
    """A dose or weight that is not recorded does not meet it; where adrenaline is not, the limit without it holds."""
    dose = injected_dose(frame, protocol.anaesthesia)
    return _plain(frame.loc[dose.injected], dose.within[dose.injected])


def _seen_between(criterion: Criterion, frame: pd.DataFrame, cases: Cases, protocol: Protocol) -> Assessed:
    visits = cases.visits
    day = visits["day"].to_numpy(dtype=float, na_value=np.nan)
    seen = visits["contact"].astype("string").isin(VISIT_KINDS).fillna(False).to_numpy(dtype=bool)
    seen = seen | visits["photos"].fillna(False).to_numpy(dtype=bool)
    inside = seen & (day >= float(criterion.from_day or 0)) & (day <= float(criterion.by_day or 0))
    records = set(visits.loc[inside, "record_id"])
    if criterion.unit == "zone":
        found = frame["record_id"].isin(records)
    else:
        zones = cases.zones
        found = frame["session_id"].isin(set(zones.loc[zones["record_id"].isin(records), "session_id"]))
    frame = frame.drop(columns=HAS_ROW, errors="ignore")  # contacts do not come from the sessions table
    due = frame["treated_on"] + pd.Timedelta(days=criterion.by_day or 0)
    return replace(_plain(frame, found.to_numpy(dtype=bool)), since=due.to_numpy(dtype="datetime64[D]"))


def _severe_reviewed(criterion: Criterion, cases: Cases, first: date, last: date) -> Assessed:
    """Events of severity 3 or more found in the span, and whether a later contact followed in time.

    An event of the session counts once. One without its day cannot be shown to have been reviewed in time; it is dated
    by the treatment.
    """
    events = severe_events_found(cases, first, last, criterion)
    if cases.visits.empty:
        return replace(
            _plain(events, np.zeros(len(events), dtype=bool)), absent="the export holds no follow-up contacts"
        )
    visits = cases.visits.loc[cases.visits["record_id"].isin(set(events["record_id"])).to_numpy(dtype=bool)]
    seen = visits["contact"].astype("string").isin(VISIT_KINDS) | visits["photos"].fillna(False)
    days = visits.loc[seen.fillna(False).to_numpy(dtype=bool)].groupby("record_id")["day"].agg(list).to_dict()
    within = criterion.within_days or 0
    met = [
        not np.isnan(day) and any(day < float(d) <= day + within for d in days.get(record, ()) if d is not pd.NA)
        for record, day in zip(events["record_id"], events["day"].to_numpy(dtype=float, na_value=np.nan), strict=True)
    ]
    told = _plain(events, np.array(met, dtype=bool))
    return replace(told, since=events["found_on"].to_numpy(dtype="datetime64[D]"))


def severe_events_found(cases: Cases, first: date, last: date, criterion: Criterion | None = None) -> pd.DataFrame:
    """One row an event of severity 3 or more, found in a span: record, patient, outcome, its day and its date."""
    earliest = date(1900, 1, 1)
    frame = cases.zones if criterion is None else units(criterion, cases, earliest, last)
    parts = []
    for outcome in OUTCOMES:
        severity = frame[f"{outcome.name}_severity"].to_numpy(dtype=float, na_value=np.nan)
        had = frame.loc[severity >= SEVERE_FROM]
        if outcome.kind == "session":
            had = had.sort_values("record_id", kind="stable").drop_duplicates("session_id")
        part = had[["record_id", "patient_id", "treated_on"]].assign(
            outcome=outcome.label, day=had[f"{outcome.name}_day"].astype("Float64")
        )
        parts.append(part)
    events = pd.concat(parts, ignore_index=True)
    events["found_on"] = events["treated_on"] + pd.to_timedelta(events["day"].fillna(0.0), unit="D")
    inside = (events["found_on"] >= pd.Timestamp(first)) & (events["found_on"] <= pd.Timestamp(last))
    return events.loc[inside.to_numpy(dtype=bool)].reset_index(drop=True)


_MEASURES: dict[str, Callable[[Criterion, pd.DataFrame, Cases, Protocol], Assessed]] = {
    "yes": _yes,
    "one_of": _one_of,
    "recorded": _recorded,
    "at_most": _limited,
    "at_least": _limited,
    "before_treatment": _before_treatment,
    "dose_within_limit": _dose_within_limit,
    "seen_between": _seen_between,
}
