"""Who counts as having an outcome, as free of it, and as not known: worked by hand from the record contract."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from outcomes.questions.follow_up import follow_up, mature, newest_mature_quarter
from outcomes.records.vocabulary import OUTCOME


def _frame(rows):
    frame = pd.DataFrame(rows, columns=["answer", "day", "free", "last"])
    return pd.DataFrame(
        {
            "hyperpigmentation": frame["answer"].astype("boolean"),
            "hyperpigmentation_day": frame["day"].astype("Int64"),
            "hyperpigmentation_free_day": frame["free"].astype("Int64"),
            "last_seen_day": frame["last"].astype("Int64"),
        }
    )


# window 180 days, seen from day 60
@pytest.mark.parametrize(
    ("answer", "day", "free", "last", "event", "early", "known"),
    [
        (True, 30, None, 30, True, True, True),  # found early
        (True, 60, None, 60, True, False, True),  # found on the seen-from day
        (True, 180, 30, 180, True, False, True),  # found on the last day of the window
        (True, 200, 100, 200, True, False, True),  # found at a late visit, last look inside the window
        (True, 210, None, 210, True, False, True),  # the latest visit that counts, no look before it
        (True, 211, 100, 211, False, False, False),  # found later still: whether inside the window is not known
        (True, 200, 185, 200, False, False, True),  # a look after the window found none
        (True, None, None, 20, True, True, True),  # no day: taken as found at the last contact
        (True, None, None, 90, True, False, True),
        (False, None, 60, 60, False, False, True),  # free on the seen-from day
        (False, None, 59, 59, False, False, False),  # seen a day too early to know
        (False, None, 30, 300, False, False, False),  # seen late, by a contact that could not tell
        (None, None, None, 300, False, False, False),  # never asked
        (None, None, None, None, False, False, False),  # never seen
    ],
)
def test_states(answer, day, free, last, event, early, known):
    state = follow_up(_frame([(answer, day, free, last)]), OUTCOME["hyperpigmentation"])
    assert (bool(state.event[0]), bool(state.early[0]), bool(state.known[0])) == (event, early, known)


def test_a_quarter_is_mature_once_its_last_day_has_had_the_window():
    outcome = OUTCOME["hyperpigmentation"]
    # the last day of 2026Q1 is 31 March; the window of 180 days and 30 for a late visit end on 27 October 2026
    assert newest_mature_quarter(outcome, date(2026, 9, 30), date(2026, 10, 27))[2] == "2026Q1"
    assert newest_mature_quarter(outcome, date(2026, 9, 30), date(2026, 10, 26))[2] == "2025Q4"
    frame = pd.DataFrame({"treated_on": pd.to_datetime(["2026-03-31", "2026-04-01"])})
    assert mature(frame, outcome, date(2026, 10, 27)).tolist() == [True, False]


def test_the_newest_mature_quarter_is_never_after_the_period():
    assert newest_mature_quarter(OUTCOME["blister_burn"], date(2026, 3, 31), date(2026, 10, 14))[2] == "2026Q1"
