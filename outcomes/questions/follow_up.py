"""Who had an outcome, who is known to be free of it, and who cannot be known.

The rules are those of the protocol: an event counts when first recorded inside the outcome's window, or at a late
visit up to 30 days after it, when the last look that found none lay inside the window; a zone counts as free only
if a contact that can tell said so on or after the seen-from day, or if a later answer settles it. An event found
later still, with no look at the end of the window, leaves the outcome unknown.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.records.scope import quarter_of, quarter_start
from outcomes.records.vocabulary import Outcome

BoolArray = NDArray[np.bool_]

LATE_VISIT_DAYS = 30  # a visit due at the end of a window may come this much later; common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class FollowUp:
    """The state of one outcome on each of n zones.

    Attributes
    ----------
    event : bool array of shape (n,)
        Recorded within the window, or at a late visit that first looks after it.
    early : bool array of shape (n,)
        Recorded before the seen-from day.
    seen : bool array of shape (n,)
        Seen from the seen-from day on by a contact that can tell (or settled by a later answer).
    known : bool array of shape (n,)
        ``event`` or ``seen``: the outcome is known.
    """

    event: BoolArray
    early: BoolArray
    seen: BoolArray

    @property
    def known(self) -> BoolArray:
        """Where the outcome is known, one way or the other."""
        return self.event | self.seen

    @property
    def late_event(self) -> BoolArray:
        """Where the event was found on or after the seen-from day."""
        return self.event & ~self.early


def follow_up(frame: pd.DataFrame, outcome: Outcome) -> FollowUp:
    """Read the state of one outcome off the zones frame.

    Parameters
    ----------
    frame : DataFrame
        Zones, with the outcome's columns ``<name>``, ``<name>_day`` and ``<name>_free_day``.
    outcome : Outcome
        With the protocol's window and seen-from day.
    """
    answer = frame[outcome.name]
    yes = answer.fillna(False).to_numpy(dtype=bool)
    if outcome.derived_from is not None:
        settled = answer.notna().to_numpy(dtype=bool)
        return FollowUp(event=yes, early=np.zeros(len(frame), dtype=bool), seen=settled)
    day = frame[f"{outcome.name}_day"].to_numpy(dtype=float, na_value=np.nan)
    free = frame[f"{outcome.name}_free_day"].to_numpy(dtype=float, na_value=-1.0)
    last_seen = frame["last_seen_day"].to_numpy(dtype=float, na_value=-1.0)
    inside = np.ones(len(frame), dtype=bool)
    unsettled = np.zeros(len(frame), dtype=bool)
    if outcome.window_days is not None:
        open_at_the_end = free < outcome.window_days
        late_visit = open_at_the_end & (day <= outcome.window_days + LATE_VISIT_DAYS)
        inside = np.isnan(day) | (day <= outcome.window_days) | late_visit
        unsettled = yes & ~inside & open_at_the_end
    event = yes & inside
    # an event without its day is taken to have been found at the last contact
    found = np.where(np.isnan(day), last_seen, day)
    early = event & (found < outcome.seen_from_day)
    seen = (event & ~early) | (~event & ~unsettled & (free >= outcome.seen_from_day))
    return FollowUp(event=event, early=early, seen=seen)


def maturity_days(outcome: Outcome) -> int:
    """Days after treatment at which an outcome has had its time: the window, or the seen-from day, and a late visit.

    Without the days for a late visit, redness would be known of zones seen pale early and not yet of those still red.
    """
    return (outcome.seen_from_day if outcome.window_days is None else outcome.window_days) + LATE_VISIT_DAYS


def mature(frame: pd.DataFrame, outcome: Outcome, as_of: date) -> pd.Series:
    """Which zones were treated long enough before the cut-off for the outcome to have had its time."""
    return frame["treated_on"] <= pd.Timestamp(as_of - timedelta(days=maturity_days(outcome)))


def newest_mature_quarter(outcome: Outcome, end: date, as_of: date) -> tuple[date, date, str]:
    """First day, last day and name of the newest quarter, up to `end`, that is mature on `as_of`.

    Examples
    --------
    >>> from outcomes.records.vocabulary import OUTCOME
    >>> newest_mature_quarter(OUTCOME["hyperpigmentation"], date(2026, 9, 30), date(2026, 10, 14))[2]
    '2025Q4'
    """
    return newest_quarter_aged(maturity_days(outcome), end, as_of)


def newest_quarter_aged(days: int, end: date, as_of: date) -> tuple[date, date, str]:
    """First day, last day and name of the newest quarter, up to `end`, whose last day is `days` old on `as_of`.

    Examples
    --------
    >>> newest_quarter_aged(90, date(2026, 9, 30), date(2026, 10, 14))[2]
    '2026Q2'
    """
    last_day = min(end, as_of - timedelta(days=days))
    year, number = quarter_of(last_day + timedelta(days=1))
    start = quarter_start(year, number - 1)
    stop = quarter_start(year, number) - timedelta(days=1)
    label = quarter_of(start)
    return start, stop, f"{label[0]}Q{label[1]}"
