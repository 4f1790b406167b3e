"""Sessions with their anaesthesia: one row a session, however many zones it had, so that no dose counts twice."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from outcomes.protocol import Anaesthesia
from outcomes.questions.blank_fields import names_something
from outcomes.questions.injected_dose import injected_dose
from outcomes.questions.population import treated_between
from outcomes.records.cases import Cases

TECHNIQUES = ("topical alone", "injected alone", "topical and injected", "neither recorded")
_MINUTES_A_DAY = 24 * 60


def sessions_with_care(cases: Cases, first: date, last: date, limits: Anaesthesia) -> pd.DataFrame:
    """Sessions of a span that the sessions table knows, with what was given and what it is held against.

    Returns
    -------
    DataFrame
        One row a session: ``session_id``, ``patient_id``, ``treated_on``, ``pain``, ``technique``, ``topical``,
        ``injected`` and ``sedated`` (bool), ``energy_mj`` (highest of its zones), ``zones``, ``eyelid`` and ``off_face``
        (bool), ``injected_mg``, ``injected_mg_kg``, ``limit_mg`` (the lower of the limit by weight and the cap,
        without adrenaline where that is not recorded), ``dose_within`` and ``dose_above`` (bool; neither where what is not
        recorded could turn it), ``topical_g``, ``topical_min``, ``minutes_to_laser``; missing numbers are NaN.
    """
    zones = treated_between(cases.zones, first, last)
    region = zones["region"].astype("string")
    by_session = (
        pd.DataFrame(
            {
                "session_id": zones["session_id"],
                "patient_id": zones["patient_id"],
                "treated_on": zones["treated_on"],
                "energy_mj": zones["pulse_energy_mj"].astype(float),
                "zones": 1,
                "eyelid": (region == "eyelid").fillna(False).astype(bool),
                "off_face": (region == "off_face").fillna(False).astype(bool),
            }
        )
        .groupby("session_id", sort=True)
        .agg(
            patient_id=("patient_id", "min"),
            treated_on=("treated_on", "min"),
            energy_mj=("energy_mj", "max"),
            zones=("zones", "sum"),
            eyelid=("eyelid", "any"),
            off_face=("off_face", "any"),
        )
        .reset_index()
    )
    table = cases.sessions.drop_duplicates("session_id")
    return _with_care(by_session.merge(table, on="session_id", how="inner"), limits)


def _number(frame: pd.DataFrame, column: str) -> np.ndarray:
    return frame[column].to_numpy(dtype=float, na_value=np.nan)


def _with_care(frame: pd.DataFrame, limits: Anaesthesia) -> pd.DataFrame:
    dose = injected_dose(frame, limits)
    injected = dose.injected
    topical = names_something(frame["topical_agent"]).to_numpy(dtype=bool) | (_number(frame, "topical_g") > 0)
    return frame.assign(
        pain=_number(frame, "pain_score"),
        topical=topical,
        injected=injected,
        sedated=names_something(frame["sedation"]).to_numpy(dtype=bool),
        technique=np.select(
            [topical & ~injected, injected & ~topical, topical & injected], TECHNIQUES[:3], TECHNIQUES[3]
        ),
        injected_mg=dose.milligrams,
        injected_mg_kg=dose.milligrams_per_kg,
        limit_mg=dose.limit_mg,
        dose_within=dose.within,
        dose_above=dose.above,
        topical_g=_number(frame, "topical_g"),
        topical_min=_number(frame, "topical_min"),
        minutes_to_laser=minutes_between(frame["injected_at"], frame["laser_start"]),
    )


def minutes_between(earlier: pd.Series, later: pd.Series) -> np.ndarray:
    """Minutes from one time of day to the next occurrence of another; NaN where one is not recorded.

    A start before the injection on the clock is taken as not credible, not as the next day, unless it is past midnight by
    less than six hours.

    Examples
    --------
    >>> minutes_between(pd.Series(["09:00", "23:50", "10:00"]), pd.Series(["09:20", "00:10", "09:00"])).tolist()
    [20.0, 20.0, nan]
    """
    start, stop = _minute_of_day(earlier), _minute_of_day(later)
    gap = stop - start
    gap = np.where(gap < 0, gap + _MINUTES_A_DAY, gap)
    return np.where(gap < _MINUTES_A_DAY / 4, gap, np.nan)


def _minute_of_day(times: pd.Series) -> np.ndarray:
    parts = times.astype("string").str.extract(r"^(\d{1,2}):(\d{2})")
    return parts[0].astype("Float64").to_numpy(dtype=float, na_value=np.nan) * 60 + parts[1].astype("Float64").to_numpy(
        dtype=float, na_value=np.nan
    )
