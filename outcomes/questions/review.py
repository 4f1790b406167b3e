"""Which records should somebody look at? Rows for the restricted review.csv, by record id; no report holds them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from outcomes.protocol import Protocol
from outcomes.protocol.criteria import OUTCOME_MEASURES, VISIT_KINDS
from outcomes.questions.criteria_judge import Judged
from outcomes.questions.criteria_measures import SEVERE_FROM, assess, severe_events_found
from outcomes.questions.criteria_units import as_known_on
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope

REVIEW_COLUMNS = ("record_id", "why", "since")
SEEN_FROM_DAY = 5
LONG_ENOUGH_DAYS = 30  # common practice, no source


@dataclass(frozen=True, slots=True, order=True)
class ReviewRow:
    """One record to look at.

    Attributes
    ----------
    rank : int
        Order of reasons: severe events, failed criteria, follow-up overdue.
    since : date
        Day from which the reason holds.
    record_id : str
        The zone's, or the first of the session's where sessions are counted.
    why : str
    """

    rank: int
    since: date
    record_id: str
    why: str


def review_rows(judged: Sequence[Judged], cases: Cases, scope: Scope, protocol: Protocol) -> tuple[ReviewRow, ...]:
    """Records that somebody should look at, severe events first, the oldest first within a reason.

    Severe events are those found from the period's first day to the cut-off; failures are those of criteria judged by
    count, in the quarter that each was judged on; follow-up is overdue for zones treated since the baseline began and
    30 days or more ago that no contact other than by telephone saw on or after day 5.

    Parameters
    ----------
    judged : sequence of Judged
        As `criteria_judge.judge_all` gives them.
    """
    known = as_known_on(cases, scope.as_of)
    rows = [*_severe(known, scope), *_failures(judged, known, protocol), *_overdue(known, scope)]
    return tuple(sorted(set(rows)))


def review_frame(rows: Sequence[ReviewRow]) -> pd.DataFrame:
    """Rows as review.csv has them: ``record_id, why, since``, all text."""
    cells = [(row.record_id, row.why, row.since.isoformat()) for row in rows]
    return pd.DataFrame(cells, columns=list(REVIEW_COLUMNS), dtype="object")


def _severe(cases: Cases, scope: Scope) -> list[ReviewRow]:
    events = severe_events_found(cases, scope.start, scope.as_of)
    return [
        ReviewRow(0, found.date(), str(record), f"event of severity {SEVERE_FROM} or more: {outcome}")
        for record, outcome, found in zip(events["record_id"], events["outcome"], events["found_on"], strict=True)
    ]


def _failures(judged: Sequence[Judged], cases: Cases, protocol: Protocol) -> list[ReviewRow]:
    rows = []
    for now in (j.now for j in judged):
        if now.criterion.rule != "census" or now.criterion.measure in OUTCOME_MEASURES:
            continue
        found = assess(now.criterion, cases, now.first, now.last, protocol)
        if found.absent:
            continue
        failed = ~found.failed if now.criterion.direction == "at most" else found.failed
        failed = failed & found.told
        about = "session" if now.criterion.unit == "session" else "zone"
        why = f"criterion not met by this {about}: {now.criterion.title}"
        rows += [
            ReviewRow(1, _day(since), str(record), why)
            for record, since in zip(found.record[failed], found.since[failed], strict=True)
        ]
    return rows


def _overdue(cases: Cases, scope: Scope) -> list[ReviewRow]:
    zones = cases.during(scope.baseline_start, scope.as_of - timedelta(days=LONG_ENOUGH_DAYS)).zones
    if cases.visits.empty:
        seen = (zones["last_seen_day"] >= SEEN_FROM_DAY).fillna(False).to_numpy(dtype=bool)
        if not bool(zones["last_seen_day"].notna().any()):
            return []  # the export says nothing of follow-up
    else:
        visits = cases.visits
        sees = visits["contact"].astype("string").isin(VISIT_KINDS).fillna(False) | visits["photos"].fillna(False)
        late = sees.to_numpy(dtype=bool) & (visits["day"] >= SEEN_FROM_DAY).fillna(False).to_numpy(dtype=bool)
        seen = zones["record_id"].isin(set(visits.loc[late, "record_id"])).to_numpy(dtype=bool)
    why = f"follow-up overdue: not seen on or after day {SEEN_FROM_DAY}"
    due = zones["treated_on"] + pd.Timedelta(days=SEEN_FROM_DAY)
    return [
        ReviewRow(2, since.date(), str(record), why)
        for record, since in zip(zones.loc[~seen, "record_id"], due.loc[~seen], strict=True)
    ]


def _day(moment: np.datetime64) -> date:
    return pd.Timestamp(moment).date()
