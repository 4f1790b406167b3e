"""To which zones or sessions does a criterion apply, and what was known of them on a given day?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd

from outcomes.protocol import Condition, Criterion
from outcomes.questions.population import treated_between, with_covariates
from outcomes.records.cases import Cases
from outcomes.records.contract import FOLLOW_UP_COLUMNS_ON_ZONES
from outcomes.records.visits import add_follow_up
from outcomes.records.vocabulary import OUTCOMES

_FOLLOW_UP = (*FOLLOW_UP_COLUMNS_ON_ZONES, *(f"{outcome.name}_free_day" for outcome in OUTCOMES))
HAS_ROW = "has_session_row"


def as_known_on(cases: Cases, day: date) -> Cases:
    """Cases with their follow-up as it was known on a day: contacts after it are taken away.

    Zones whose outcomes do not follow from dated contacts (a flat export gives them on the zone row) stay as they are.
    """
    visits = cases.visits
    treated = cases.zones.set_index("record_id")["treated_on"]
    seen_on = visits["record_id"].map(treated) + pd.to_timedelta(visits["day"].astype("Float64").fillna(0), unit="D")
    return with_contacts(cases, (seen_on <= pd.Timestamp(day)).to_numpy(dtype=bool))


def with_contacts(cases: Cases, kept: np.ndarray) -> Cases:
    """Cases whose follow-up is that of some of their contacts alone.

    Zones whose outcomes do not follow from contacts (a flat export gives them on the zone row) stay as they are.

    Parameters
    ----------
    kept : bool array, one entry a row of the visits
    """
    zones, visits = cases.zones, cases.visits
    blank = zones.assign(**{column: pd.Series(pd.NA, index=zones.index, dtype=zones[column].dtype)
                            for column in _FOLLOW_UP if column in zones})  # fmt: skip
    again, _ = add_follow_up(blank, visits)
    follows = _alike(zones, again)
    shown = visits.loc[kept]
    earlier, _ = add_follow_up(blank, shown)
    frame = zones.copy()
    for column in _FOLLOW_UP:
        if column in frame:
            frame[column] = frame[column].where(~follows, earlier[column].astype(frame[column].dtype))
    return replace(cases, frame=frame, visit_frame=shown)


def _alike(zones: pd.DataFrame, again: pd.DataFrame) -> np.ndarray:
    """Zones whose follow-up is that of their contacts alone."""
    alike = np.ones(len(zones), dtype=bool)
    for column in _FOLLOW_UP:
        if column in zones:
            own, other = zones[column], again[column].astype(zones[column].dtype)
            same = (own == other).fillna(False).to_numpy(dtype=bool)
            alike &= same | (own.isna() & other.isna()).to_numpy(dtype=bool)
    return alike


def units(criterion: Criterion, cases: Cases, first: date, last: date) -> pd.DataFrame:
    """Zones or sessions of a span to which a criterion applies, one row each.

    A session is one row however many zones it had; it carries the smallest record id of its zones, and belongs to the
    population when one of its zones does. ``has_session_row`` says whether the sessions table knows it.
    """
    zones = with_covariates(treated_between(cases.zones, first, last))
    if criterion.unit == "zone":
        return zones.loc[_applies(zones, criterion.where, criterion.where_any)]
    of_zones = [c for c in criterion.where if c.column in zones]
    any_of_zones = [c for c in criterion.where_any if c.column in zones]
    sessions = _sessions(zones, cases.sessions)
    if of_zones:
        fitting = set(zones.loc[_applies(zones, of_zones, ()), "session_id"])
        sessions = sessions.loc[sessions["session_id"].isin(fitting).to_numpy(dtype=bool)]
    sessions = sessions.loc[_applies(sessions, [c for c in criterion.where if c.column not in zones], ())]
    if criterion.where_any:
        fitting = set(zones.loc[_applies(zones, (), any_of_zones), "session_id"]) if any_of_zones else set()
        own = [c for c in criterion.where_any if c.column not in zones]
        mask = sessions["session_id"].isin(fitting).to_numpy(dtype=bool)
        sessions = sessions.loc[mask | (_applies(sessions, (), own) if own else False)]
    return sessions


def _sessions(zones: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    own = zones.sort_values(["session_id", "treated_on", "record_id"], kind="stable").drop_duplicates("session_id")
    own = own[["session_id", "record_id", "patient_id", "practitioner_id", "treated_on"]]
    table = sessions.drop(columns="source_row", errors="ignore").drop_duplicates("session_id")
    merged = own.merge(table.assign(**{HAS_ROW: True}), on="session_id", how="left")
    merged[HAS_ROW] = merged[HAS_ROW].astype("boolean").fillna(False).astype(bool)
    return merged


def _applies(frame: pd.DataFrame, where: Sequence[Condition], where_any: Sequence[Condition]) -> np.ndarray:
    keep = np.ones(len(frame), dtype=bool)
    for condition in where:
        keep &= _holds(frame, condition)
    if where_any:
        keep &= np.logical_or.reduce([_holds(frame, condition) for condition in where_any])
    return keep


def _holds(frame: pd.DataFrame, condition: Condition) -> np.ndarray:
    """Where a condition holds; a blank never does."""
    column = frame[condition.column]
    if condition.values:
        if column.dtype == "boolean":
            held = column.isin([bool(value) for value in condition.values]) & column.notna()
        else:
            text = column.astype("string")
            named = [str(value) for value in condition.values]
            held = text.isin(named)
            for value in named:  # a list of codes holds each of its parts
                held |= (";" + text.str.replace(" ", "") + ";").str.contains(f";{value};", regex=False).fillna(False)
        return held.fillna(False).to_numpy(dtype=bool)
    number = column.to_numpy(dtype=float, na_value=np.nan)
    keep = ~np.isnan(number)
    if condition.at_least is not None:
        keep &= number >= condition.at_least
    if condition.at_most is not None:
        keep &= number <= condition.at_most
    return np.asarray(keep)
