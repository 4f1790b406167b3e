"""Accepted rows → the canonical frames: zones with dose and follow-up, sessions, layers, visits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.records.contract import CONTRACT, SESSION_COLUMNS_ON_ZONES, Table
from outcomes.records.dose import DOSE_COLUMNS, add_dose
from outcomes.records.typed import Typed, absent
from outcomes.records.visits import add_follow_up
from outcomes.records.vocabulary import OUTCOMES, REGIONS, ZONES

Mask = NDArray[np.bool_]

SETTING_COLUMNS: tuple[str, ...] = tuple(
    column.name for column in CONTRACT["layers"] if column.name not in ("record_id", "layer_no")
)

_FOLLOW_UP: tuple[str, ...] = (
    "last_seen_day",
    "healed_after_day",
    "healed_by_day",
    "red_after_day",
    "red_by_day",
    *(f"{outcome.name}{end}" for outcome in OUTCOMES for end in ("", "_day", "_free_day", "_severity")),
    "infection_assessed",
)

_ZONE_FIELDS: tuple[str, ...] = tuple(
    column.name
    for column in CONTRACT["zones"]
    if column.name not in _FOLLOW_UP and column.name not in SESSION_COLUMNS_ON_ZONES
)

ZONE_COLUMNS: tuple[str, ...] = (
    "source_row",
    *_ZONE_FIELDS,
    "site_id",
    "region",
    "layered",
    *DOSE_COLUMNS,
    *_FOLLOW_UP,
)
"""Columns of `Cases.zones`, in order; always all of them."""

VISIT_COLUMNS: tuple[str, ...] = (
    "source_row",
    "record_id",
    *(c.name for c in CONTRACT["visits"] if c.name not in ("record_id", "session_id", "zone", "seen_on")),
)
"""Columns of `Cases.visits`, in order: one row for each zone that a contact speaks for."""


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """The canonical frames, and what was settled on the way."""

    zones: pd.DataFrame
    sessions: pd.DataFrame
    layers: pd.DataFrame
    visits: pd.DataFrame
    notes: tuple[str, ...]


def assemble(accepted: dict[Table, pd.DataFrame], tables: dict[Table, Typed], pairs: pd.DataFrame) -> Frames:
    """Put the accepted rows of all tables together.

    Parameters
    ----------
    accepted : dict of table to DataFrame
        Accepted rows of each table that was read, indexed by their position in it.
    tables : dict of table to Typed
        The tables they come from.
    pairs : DataFrame
        ``visit, zone, day`` of accepted visits, as `links.place_visits` gives them.

    Returns
    -------
    Frames
        Nothing is dropped here: each accepted zone is one row of ``zones``.
    """
    notes: list[str] = []
    zones = _with_source_row(accepted["zones"], tables["zones"])
    zones = _fill_skin_type(zones, notes)
    layers = _with_source_row(_rows(accepted, "layers"), tables.get("layers"))
    zones = _first_layer(zones, layers, tables.get("layers"), notes)
    sessions = _sessions(zones, accepted, tables, notes)
    zones["site_id"] = zones["session_id"].map(sessions.set_index("session_id")["site_id"]).astype("string")
    regions = {zone: region for zone, (_, region) in ZONES.items()}
    zones["region"] = pd.Series(
        zones["zone"].astype("object").map(regions), index=zones.index, dtype=pd.CategoricalDtype(list(REGIONS))
    )
    zones = _implied_answers(zones, "zones", notes)
    visits = _visits(zones, accepted, tables, pairs, notes)
    _remark(zones, notes)
    zones, told = add_follow_up(add_dose(zones), visits)
    return Frames(
        zones=zones.loc[:, list(ZONE_COLUMNS)].reset_index(drop=True),
        sessions=sessions,
        layers=layers.reset_index(drop=True),
        visits=visits,
        notes=(*notes, *told),
    )


def fill_from_first_layer(zones: Typed, layers: Typed, accepted: Mask) -> pd.DataFrame:
    """Zones whose blank settings are filled from their accepted layer 1, before any rule is applied.

    The problem of a cell that could not be read stands all the same: its row is refused.
    """
    first = _layer_one(layers.frame.loc[accepted])
    frame = zones.frame.copy()
    for column in SETTING_COLUMNS:
        from_layer = frame["record_id"].map(first[column])
        fill = frame[column].isna() & from_layer.notna()
        if fill.any():
            frame[column] = frame[column].where(~fill, from_layer.astype(frame[column].dtype))
    return frame


def empty_frame(table: Table) -> pd.DataFrame:
    """A frame of no rows with the typed columns of `table` and ``source_row``."""
    columns = {"source_row": pd.Series([], dtype="Int64")}
    columns |= {column.name: absent(column, pd.RangeIndex(0)) for column in CONTRACT[table]}
    return pd.DataFrame(columns)


def _rows(accepted: dict[Table, pd.DataFrame], table: Table) -> pd.DataFrame:
    return accepted[table] if table in accepted else empty_frame(table).drop(columns="source_row")


def _with_source_row(frame: pd.DataFrame, table: Typed | None) -> pd.DataFrame:
    rows = [] if table is None else table.rows[frame.index.to_numpy(dtype=np.intp)].tolist()
    frame = frame.copy()
    frame.insert(0, "source_row", pd.Series(rows, index=frame.index, dtype="Int64"))
    return frame


def _fill_skin_type(zones: pd.DataFrame, notes: list[str]) -> pd.DataFrame:
    if blank := int(zones["skin_type"].isna().sum()):
        notes.append(f"skin type: blank in {_n(blank, 'zone')}, read as not recorded")
    return zones.assign(skin_type=zones["skin_type"].fillna("not_recorded"))


def _layer_one(layers: pd.DataFrame) -> pd.DataFrame:
    first = layers.loc[(layers["layer_no"] == 1).fillna(False).astype(bool)]
    return first.drop_duplicates("record_id").set_index("record_id")


def _first_layer(zones: pd.DataFrame, layers: pd.DataFrame, read: Typed | None, notes: list[str]) -> pd.DataFrame:
    """Zones with the settings of their layer 1, and which of them are layered (by any row, refused or not)."""
    named = set() if read is None else set(read.frame["record_id"].dropna())
    zones = zones.assign(layered=zones["record_id"].isin(named).astype("boolean"))
    first = _layer_one(layers)
    differing = pd.Series(False, index=zones.index)
    for column in SETTING_COLUMNS:
        value = zones["record_id"].map(first[column]).astype(zones[column].dtype)
        differing |= (value.notna() & zones[column].notna() & (value != zones[column])).fillna(False).astype(bool)
        zones[column] = zones[column].where(value.isna(), value)
    if count := int(differing.sum()):
        notes.append(f"layers: {_n(count, 'zone')} had other settings than layer 1 on the zone row; layer 1 stands")
    return zones


def _sessions(
    zones: pd.DataFrame, accepted: dict[Table, pd.DataFrame], tables: dict[Table, Typed], notes: list[str]
) -> pd.DataFrame:
    """The sessions table, completed from session columns that a flat export carries on its zone rows."""
    own = _with_source_row(_rows(accepted, "sessions"), tables.get("sessions"))
    if "sessions" in tables:
        _remark_sessions(zones, own, tables["sessions"], notes)
    carried = [name for name in SESSION_COLUMNS_ON_ZONES if name in tables["zones"].present]
    if not carried:
        return own.reset_index(drop=True)
    ids = pd.Index(zones["session_id"].unique()).union(pd.Index(own["session_id"]), sort=False)
    merged = own.set_index("session_id").reindex(ids)
    for name in carried:
        given = zones.loc[zones[name].notna(), ["session_id", name]].drop_duplicates()
        torn = given["session_id"].duplicated(keep=False)
        if count := int(given.loc[torn, "session_id"].nunique()):
            notes.append(f"{name}: differs between the zones of {_n(count, 'session')}, and left out there")
        value = given.loc[~torn].set_index("session_id")[name].reindex(ids).astype(merged[name].dtype)
        both = value.notna() & merged[name].notna()
        if count := int((both & (value != merged[name])).fillna(False).sum()):
            notes.append(f"{name}: zones and sessions disagree in {_n(count, 'session')}; the sessions table stands")
        merged[name] = merged[name].where(merged[name].notna(), value)
    merged.index.name = "session_id"
    return merged.reset_index().astype({"session_id": "string"}).loc[:, list(own.columns)]


def _remark_sessions(zones: pd.DataFrame, own: pd.DataFrame, read: Typed, notes: list[str]) -> None:
    known = zones["session_id"].isin(own["session_id"])
    refused = ~known & zones["session_id"].isin(read.frame["session_id"].dropna())
    if count := int(refused.sum()):
        notes.append(f"sessions: {_n(count, 'zone')} of a refused session row kept, without what it held")
    if count := int((~known & ~refused).sum()):
        notes.append(f"sessions: {_n(count, 'zone')} without a row in the sessions table")
    if count := int((~own["session_id"].isin(zones["session_id"])).sum()):
        notes.append(f"sessions: {_n(count, 'session')} without an accepted zone")


def _implied_answers(frame: pd.DataFrame, table: Table, notes: list[str]) -> pd.DataFrame:
    """Answers left blank beside a day or a severity are a yes: there is no day of what did not happen."""
    changes: dict[str, pd.Series] = {}
    implied = pd.Series(False, index=frame.index)
    for outcome in OUTCOMES:
        if outcome.derived_from is not None:
            continue
        details = [d for d in (f"{outcome.name}_day", f"{outcome.name}_severity") if d in frame]
        given = frame[details].notna().any(axis=1)
        if not given.any():
            continue
        yes = frame[outcome.name].isna() & given
        implied |= yes
        changes[outcome.name] = frame[outcome.name].mask(yes, True)
    if count := int(implied.sum()):
        notes.append(f"{table}: a complication with a day or severity and no answer in {_n(count, 'row')}, read as yes")
    return frame.assign(**changes)


def _visits(
    zones: pd.DataFrame,
    accepted: dict[Table, pd.DataFrame],
    tables: dict[Table, Typed],
    pairs: pd.DataFrame,
    notes: list[str],
) -> pd.DataFrame:
    """One row for each zone and contact."""
    if "visits" not in tables:
        return empty_frame("visits").loc[:, list(VISIT_COLUMNS)]
    contacts = _with_source_row(accepted["visits"], tables["visits"])
    if "contact" not in tables["visits"].present and len(contacts):
        notes.append("visits: no column says how the patient was seen; every contact is taken as in person")
        contacts["contact"] = contacts["contact"].fillna("in_person")
    elif blank := int(contacts["contact"].isna().sum()):
        notes.append(f"visits: {_n(blank, 'contact')} of unknown kind, taken to tell no more than a phone call")
    contacts = _implied_answers(contacts, "visits", notes)
    spoken = contacts.loc[pairs["visit"].to_numpy()].reset_index(drop=True)
    spoken["record_id"] = zones.loc[pairs["zone"].to_numpy(), "record_id"].to_numpy()
    spoken["record_id"] = spoken["record_id"].astype("string")
    spoken["day"] = pd.Series(pairs["day"].to_numpy(), dtype="Float64").astype("Int64")
    if copied := len(spoken) - len(contacts):
        notes.append(f"visits: {_n(copied, 'row')} added where a contact spoke for several zones of a session")
    return spoken.loc[:, list(VISIT_COLUMNS)]


def _remark(zones: pd.DataFrame, notes: list[str]) -> None:
    """Count what is odd but refuses nothing."""
    recorded = zones.loc[zones["skin_type"] != "not_recorded"]
    types = recorded.groupby("patient_id")["skin_type"].nunique()
    if count := int((types > 1).sum()):
        notes.append(f"skin type: differs between records of {_n(count, 'patient')}")
    days = zones.groupby("session_id")["treated_on"].nunique()
    if count := int((days > 1).sum()):
        notes.append(f"treated on: differs between the zones of {_n(count, 'session')}")
    twice = zones.duplicated(["session_id", "zone", "side"]) & zones["side"].notna()
    twice |= zones.duplicated(["session_id", "zone"]) & zones["side"].isna()
    if count := int(twice.sum()):
        notes.append(f"zone: {_n(count, 'zone')} treated a second time within one session, by another record")


def _n(count: int, noun: str) -> str:
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"
