"""What did follow-up show? Visits → healing and redness intervals, onset days, free days, last day seen.

Healing is seen at visits, so it lies between two of them: after the last day seen unhealed, by the first day
seen healed. A complication counts whenever it was recorded; its absence counts only from a contact that can
tell. What the zones table says itself is kept; visits fill in what it leaves open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.records.vocabulary import (
    DELAYED_HEALING_DAYS,
    OUTCOMES,
    PROLONGED_REDNESS_DAY,
    Outcome,
)

Flags = NDArray[np.bool_]
Days = NDArray[np.float64]  # NaN where there is none
Positions = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class _Contacts:
    """Follow-up contacts as arrays: of which unit (a zone, or a session), on which day, what was answered."""

    frame: pd.DataFrame
    unit: Positions
    units: int
    day: Days
    contact: NDArray[np.str_]

    def answered(self, column: str, value: bool) -> Flags:
        """Which contacts gave that answer to `column`."""
        if column not in self.frame:
            return np.zeros(len(self.day), dtype=bool)
        return _is(self.frame[column], value)

    def can_tell(self, contacts: tuple[str, ...]) -> Flags:
        """Which contacts are of a kind that can tell; an unknown kind tells no more than a phone call."""
        return np.isin(self.contact, contacts)

    def first(self, mask: Flags) -> Days:
        """First day of the contacts in `mask`, for each unit."""
        return _least(self.unit[mask], self.day[mask], self.units)

    def last(self, mask: Flags) -> Days:
        """Last day of the contacts in `mask`, for each unit."""
        return _greatest(self.unit[mask], self.day[mask], self.units)

    def before(self, day: Days) -> Flags:
        """Which contacts came before the `day` of their unit; all of them where it has none."""
        limit = np.where(np.isnan(day), np.inf, day)
        return np.asarray(self.day < limit[self.unit], dtype=bool)


def add_follow_up(zones: pd.DataFrame, visits: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Zones with what their follow-up showed.

    Parameters
    ----------
    zones : DataFrame
        Accepted zones with ``record_id, session_id, region`` and the outcome columns of the zones table
        (all-missing where the export has none).
    visits : DataFrame
        Accepted contacts, one row a zone and contact: ``record_id, day, contact`` and the answers.

    Returns
    -------
    zones : DataFrame
        The same rows with ``last_seen_day``, the two intervals, ``infection_assessed`` and for every outcome
        ``<name>``, ``<name>_day``, ``<name>_free_day`` and ``<name>_severity``.
    notes : tuple of str
        What was settled on the way, counted; no value.

    Notes
    -----
    Intervals are half-open, ``(after, by]``: ``by`` is the first day answered healed by a contact that can tell,
    ``after`` the last day answered unhealed before it (0.0 if there is none); ``by`` is missing when never seen
    healed, both when never assessed. Days are whole: an answer on day 0 is placed in ``(0, 1]``.

    Delayed healing is a yes when the skin was unhealed on the limit of its region and a no when it had healed
    by then; redness beyond day 90 likewise. Their day is the limit, the day on which they came true.

    A complication is a yes if any contact, or the zones table, says so: an event counts whenever it was seen. A
    complication of the session (a faint, say) is taken for every zone of the session.
    """
    zone = np.arange(len(zones), dtype=np.intp)
    contacts = _contacts(zones, visits)
    notes: list[str] = []
    new: dict[str, pd.Series] = {}

    own_last_seen = _days(zones["last_seen_day"])
    last_seen = np.fmax(own_last_seen, contacts.last(np.ones(len(contacts.day), dtype=bool)))
    if differ := _count(own_last_seen < last_seen):
        notes.append(f"last day seen: a visit later than the zones table says in {_zones(differ)}, and taken")
    new["last_seen_day"] = _whole(last_seen, zones.index)

    for outcome in OUTCOMES:
        if outcome.derived_from is not None:
            after, by = _interval(zones, contacts, outcome, notes)
            prefix = _PREFIX[outcome.derived_from]
            new[f"{prefix}_after_day"] = _float(after, zones.index)
            new[f"{prefix}_by_day"] = _float(by, zones.index)
            new |= _derived(outcome, after, by, _limits(zones, outcome), last_seen, zones.index)
        elif outcome.kind == "session":
            new |= _complication(zones, contacts, _sessions(zones), outcome, own_last_seen, notes)
        else:
            new |= _complication(zones, contacts, zone, outcome, own_last_seen, notes)
    new["infection_assessed"] = _assessed(zones, contacts)

    kept = zones.drop(columns=[column for column in new if column in zones])
    return pd.concat([kept, pd.DataFrame(new, index=zones.index)], axis=1), tuple(notes)


def _contacts(zones: pd.DataFrame, visits: pd.DataFrame) -> _Contacts:
    unit = pd.Index(zones["record_id"].astype("object")).get_indexer(visits["record_id"].astype("object"))
    frame = visits.loc[unit >= 0]
    return _Contacts(
        frame=frame,
        unit=unit[unit >= 0],
        units=len(zones),
        day=_days(frame["day"]),
        contact=frame["contact"].astype("object").fillna("phone").to_numpy(dtype="str"),
    )


def _sessions(zones: pd.DataFrame) -> Positions:
    """Number of the session of each zone, counted from 0."""
    return pd.factorize(zones["session_id"].astype("object"), use_na_sentinel=False)[0].astype(np.intp)


_PREFIX = {"healing": "healed", "redness": "red"}


def _interval(zones: pd.DataFrame, contacts: _Contacts, outcome: Outcome, notes: list[str]) -> tuple[Days, Days]:
    """Interval ``(after, by]`` of healing, or of redness going; counts what did not fit together."""
    what = outcome.derived_from or ""
    column, resolved, lasting = {
        "healing": ("healed", True, "unhealed"),
        "redness": ("redness", False, "red"),
    }[what]
    still = contacts.answered(column, not resolved)
    by = contacts.first(contacts.answered(column, resolved) & contacts.can_tell(outcome.contacts))
    after = contacts.last(still & contacts.before(by))
    if relapsed := _count(contacts.last(still) >= by):
        notes.append(
            f"{what}: {lasting} again on or after the first day seen otherwise in {_zones(relapsed)}; "
            "the first day stands"
        )
    after = np.where(np.isnan(after) & ~np.isnan(by), 0.0, after)

    own_after, own_by = (_days(zones[f"{_PREFIX[what]}_{end}_day"]) for end in ("after", "by"))
    own_after = np.where(np.isnan(own_after) & ~np.isnan(own_by), 0.0, own_after)
    own = ~np.isnan(own_after)
    if apart := _count(own & ~np.isnan(after) & (np.fmax(own_after, after) > np.fmin(own_by, by))):
        notes.append(f"{what}: zones table and visits disagree in {_zones(apart)}; the zones table stands")
    after, by = np.where(own, own_after, after), np.where(own, own_by, by)
    if same_day := _count(by <= 0):
        notes.append(f"{what}: over on the day of treatment in {_zones(same_day)}; placed within the first day")
    return after, np.where(by <= 0, 1.0, by)


def _limits(zones: pd.DataFrame, outcome: Outcome) -> Days:
    """Day beyond which healing is delayed (by region) or redness prolonged; NaN where a zone has no region."""
    if outcome.derived_from == "redness":
        return np.full(len(zones), float(PROLONGED_REDNESS_DAY))
    return _days(zones["region"].astype("object").map(DELAYED_HEALING_DAYS).astype("Float64"))


def _derived(
    outcome: Outcome, after: Days, by: Days, limit: Days, last_seen: Days, index: pd.Index[int]
) -> dict[str, pd.Series]:
    prompt = by <= limit
    late = (after >= limit) & ~prompt
    return {
        outcome.name: _answer(late, prompt, index),
        f"{outcome.name}_day": _whole(np.where(late, limit, np.nan), index),
        f"{outcome.name}_free_day": _whole(np.where(prompt, last_seen, np.nan), index),
        f"{outcome.name}_severity": _whole(np.full(len(limit), np.nan), index),
    }


def _complication(
    zones: pd.DataFrame,
    contacts: _Contacts,
    unit: Positions,
    outcome: Outcome,
    own_last_seen: Days,
    notes: list[str],
) -> dict[str, pd.Series]:
    """Answer, onset day, free day and severity of one complication; `unit` numbers what it belongs to."""
    name = outcome.name
    units = int(unit.max(initial=-1)) + 1
    seen = _Contacts(contacts.frame, unit[contacts.unit], units, contacts.day, contacts.contact)

    row_yes, row_no = _is(zones[name], True), _is(zones[name], False)
    own_yes, own_no = _any(unit, row_yes, units), _any(unit, row_no, units)
    own_day = _least(unit, np.where(row_yes, _days(zones[f"{name}_day"]), np.nan), units)
    own_free = _greatest(unit, np.where(row_no, own_last_seen, np.nan), units)
    severity = _greatest(unit, _days(zones[f"{name}_severity"]), units)
    if spread := _count(own_yes[unit] & row_no):
        notes.append(f"{outcome.label}: recorded for another zone of the session in {_zones(spread)}; it counts")

    said_yes = seen.answered(name, True)
    said_no = seen.answered(name, False) & seen.can_tell(outcome.contacts)
    yes, no = _any(seen.unit, said_yes, units), _any(seen.unit, said_no, units)
    if disagree := _count(((own_no & yes) | (own_yes & no & ~yes))[unit]):
        notes.append(
            f"{outcome.label}: zones table and visits disagree in {_zones(disagree)}; recorded once, it counts"
        )
    if f"{name}_severity" in seen.frame:
        severity = np.fmax(severity, _greatest(seen.unit, _days(seen.frame[f"{name}_severity"]), units))

    event = own_yes | yes
    day = np.where(np.isnan(own_day), seen.first(said_yes), own_day)
    free = seen.last(said_no & seen.before(day))
    # An event without a day: nothing says which of the earlier answers came before it.
    free = np.where(event, np.where(np.isnan(day), np.nan, free), np.fmax(free, own_free))
    none = ~event & (own_no | no)
    return {
        name: _answer(event[unit], none[unit], zones.index),
        f"{name}_day": _whole(day[unit], zones.index),
        f"{name}_free_day": _whole(free[unit], zones.index),
        f"{name}_severity": _whole(severity[unit], zones.index),
    }


def _assessed(zones: pd.DataFrame, contacts: _Contacts) -> pd.Series:
    """Whether infection was looked for: yes if any contact did, no if asked and none did."""
    name = "infection_assessed"
    yes = _any(contacts.unit, contacts.answered(name, True), contacts.units)
    no = _any(contacts.unit, contacts.answered(name, False), contacts.units)
    if name in zones:
        yes, no = yes | _is(zones[name], True), no | _is(zones[name], False)
    return _answer(yes, no & ~yes, zones.index)


def _is(column: pd.Series, value: bool) -> Flags:
    return (column.astype("boolean") == value).fillna(False).to_numpy(dtype=bool)


def _any(unit: Positions, mask: Flags, units: int) -> Flags:
    return np.bincount(unit[mask], minlength=units).astype(bool)


def _least(unit: Positions, values: Days, units: int) -> Days:
    known = ~np.isnan(values)
    least = np.full(units, np.inf)
    np.minimum.at(least, unit[known], values[known])
    return np.where(np.isinf(least), np.nan, least)


def _greatest(unit: Positions, values: Days, units: int) -> Days:
    return -_least(unit, -values, units)


def _days(column: pd.Series) -> Days:
    return column.to_numpy(dtype="float64", na_value=np.nan)


def _float(values: Days, index: pd.Index[int]) -> pd.Series:
    return pd.Series(pd.array(values, dtype="Float64"), index=index)


def _whole(values: Days, index: pd.Index[int]) -> pd.Series:
    return pd.Series(pd.array(values, dtype="Float64"), index=index).astype("Int64")


def _answer(yes: Flags, no: Flags, index: pd.Index[int]) -> pd.Series:
    return pd.Series(pd.arrays.BooleanArray(yes.astype(bool), ~(yes | no)), index=index)


def _count(mask: Flags) -> int:
    return int(np.count_nonzero(mask))


def _zones(count: int) -> str:
    return f"{count:,} zone" if count == 1 else f"{count:,} zones"
