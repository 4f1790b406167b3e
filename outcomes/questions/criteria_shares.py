"""The share behind an outcome criterion: healed by a day, or with a complication, among all treated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.interval_censored import interval_curve
from outcomes.estimates.proportion import clustered_proportion
from outcomes.protocol import Protocol
from outcomes.questions.follow_up import LATE_VISIT_DAYS, follow_up, maturity_days
from outcomes.questions.outcome_risk import OutcomeRisk, outcome_risk
from outcomes.records.vocabulary import Outcome

_ANY = "any_of_them"


def healed_share(frame: pd.DataFrame, day: int, term: str, protocol: Protocol) -> Answer:
    """Share of zones healed by a day, healing being seen only at visits.

    Parameters
    ----------
    frame : DataFrame
        Zones whose healing was assessed at one contact or more.
    day : int
    """
    after = frame["healed_after_day"].to_numpy(dtype=float)
    by = frame["healed_by_day"].to_numpy(dtype=float, na_value=np.nan)
    patient = frame["patient_id"].to_numpy(dtype=str)
    patients = len(np.unique(patient))
    healed = int((by <= day).sum())
    nothing = NotEstimable(term, "no cases", n=len(frame), patients=patients, events=healed, unit="proportion")
    if frame.empty:
        return nothing
    if patients < protocol.fewest_seen:
        return replace(nothing, reason=f"{patients} patients assessed, {protocol.fewest_seen} needed")
    told = (by <= day) | (after >= day)
    if bool(told.all()):  # no visit leaves the day open: a plain share
        return clustered_proportion(by <= day, patient, term=term, level=protocol.level)
    curve = interval_curve(
        after, by, patient, [float(day)], replicates=protocol.replicates, seed=protocol.seed, level=protocol.level
    )
    left = curve.share_at(0, term)
    if not isinstance(left, Estimate) or left.low is None or left.high is None or left.value in (0.0, 1.0):
        # the curve touches none or all, where resampling shows no spread: exact limits on those who tell
        answer = clustered_proportion(by[told] <= day, patient[told], term=term, level=protocol.level)
        return replace(answer, note="only zones whose visits settle the day")
    return replace(left, value=1.0 - left.value, low=1.0 - left.high, high=1.0 - left.low, events=healed)


def risk_of_any(frame: pd.DataFrame, names: Sequence[str], span: str, protocol: Protocol) -> OutcomeRisk:
    """Risk among all treated of any of several complications, each within its own window."""
    outcomes = [protocol.outcome(name) for name in names]
    if len(outcomes) == 1:
        return outcome_risk(frame, outcomes[0], span, protocol)
    states = [follow_up(frame, outcome) for outcome in outcomes]
    event = np.logical_or.reduce([state.event for state in states])
    free = ~event & np.logical_and.reduce([state.known for state in states])
    days = [
        np.where(state.event, frame[f"{outcome.name}_day"].to_numpy(dtype=float, na_value=np.nan), np.nan)
        for state, outcome in zip(states, outcomes, strict=True)
    ]
    first = np.fmin.reduce(days)
    longest = None if any(o.window_days is None for o in outcomes) else max(o.window_days or 0 for o in outcomes)
    together = Outcome(
        _ANY,
        "any of them",
        "zone",
        longest,
        max(outcome.seen_from_day for outcome in outcomes),
        outcomes[0].contacts,
    )
    answer = pd.Series(pd.arrays.BooleanArray(event, ~(event | free)), index=frame.index)
    # known free of each: their own seen-from days were reached, and so is the longest of them taken to be
    seen = np.where(free, float(max(longest or 0, together.seen_from_day)), np.nan)
    return outcome_risk(
        frame.assign(
            **{
                _ANY: answer,
                f"{_ANY}_day": pd.Series(pd.array(first, dtype="Float64"), index=frame.index),
                f"{_ANY}_free_day": pd.Series(pd.array(seen, dtype="Float64"), index=frame.index),
            }
        ),
        together,
        span,
        protocol,
    )


def due_day(measure: str, day: int, by_day: int | None, within_days: int | None, outcomes: Sequence[Outcome]) -> int:
    """Day after treatment on which a measure has had its time; of a severe event, after it was found.

    Examples
    --------
    >>> due_day("seen_between", 0, 10, None, ()), due_day("healed_by", 0, 14, None, ())
    (10, 44)
    """
    own = {
        "seen_between": by_day or 0,
        "healed_by": (by_day or 0) + LATE_VISIT_DAYS,
        "severe_reviewed": within_days or 0,
        "outcome": max((maturity_days(outcome) for outcome in outcomes), default=0),
    }
    return max(day, own.get(measure, 0))
