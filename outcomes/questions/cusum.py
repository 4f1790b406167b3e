"""The control chart of one outcome: sessions in order of treatment against what the earliest year would predict."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.estimates.charts import risk_adjusted_cusum
from outcomes.estimates.design import Category, Numeric, Term, build
from outcomes.estimates.estimate import NotEstimable
from outcomes.estimates.firth import ladder, penalised
from outcomes.estimates.run_lengths import limit_for_run_length, run_length
from outcomes.estimates.standardise import fitted_risks
from outcomes.findings import Cusum
from outcomes.protocol import Protocol
from outcomes.questions.follow_up import follow_up, mature
from outcomes.questions.population import SKIN_LEVELS, everyone, treated_between
from outcomes.questions.settings_model import LABELS, REFERENCES
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope, quarter_of, quarter_start
from outcomes.records.vocabulary import Outcome

CALIBRATION_QUARTERS = 4
SURE_OF_BASELINE = 1.2815515655446004  # 90 % of a normal distribution lie below
_MONTH_DAYS = 365.25 / 12
_FEWEST_SESSIONS = 50


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """A chart and what it promises.

    Attributes
    ----------
    outcome : Outcome
    chart : Cusum or None
        None where it cannot be set; ``reason`` then says why.
    reason : str
    calibration : str
        The quarters that the expected risks come from.
    limit_up, limit_down : float
    months_to_false_alarm : float
        Average for the side that signals sooner, if nothing changes and the calibration is right; longer than the protocol
        asks for, since the limits hold for nine calibrations in ten.
    months_to_find : float
        Average months until a change by the protocol's odds ratio, up or down, is found, for the side that takes longer.
    sessions_a_month : float
        Sessions whose outcome is known, over the months that the chart watches.
    first_signals : tuple of (str, str)
        Direction and quarter of each signal in order.
    left_out : int
        Mature sessions whose outcome is not known in every zone.
    """

    outcome: Outcome
    chart: Cusum | None
    reason: str = ""
    calibration: str = ""
    limit_up: float = 0.0
    limit_down: float = 0.0
    months_to_false_alarm: float = 0.0
    months_to_find: float = 0.0
    sessions_a_month: float = 0.0
    first_signals: tuple[tuple[str, str], ...] = ()
    left_out: int = 0


def sessions_in_order(cases: Cases, scope: Scope, outcome: Outcome) -> tuple[pd.DataFrame, int]:
    """Mature sessions whose outcome is known, in order of treatment, and how many are not known.

    A session has the event when one of its zones has; it is free of it when all its zones are known to be. Sessions of a
    day stand in the order of their first pulse, those without its time of day after them, and then by their id.

    Returns
    -------
    DataFrame
        One row a session: ``session_id``, ``patient_id``, ``treated_on``, ``event`` (bool), ``skin_group``, ``off_face``
        (0 or 1) and ``zones``.
    """
    frame = treated_between(everyone(cases).frame, date(1900, 1, 1), scope.end)
    frame = frame.loc[mature(frame, outcome, scope.as_of).to_numpy(dtype=bool) & frame["region"].notna().to_numpy()]
    if outcome.regions is not None:
        frame = frame.loc[frame["region"].astype("string").isin(outcome.regions).to_numpy(dtype=bool)]
    state = follow_up(frame, outcome)
    table = pd.DataFrame(
        {
            "session_id": frame["session_id"].to_numpy(dtype=str),
            "patient_id": frame["patient_id"].to_numpy(dtype=str),
            "treated_on": frame["treated_on"].to_numpy(),
            "skin_group": frame["skin_group"].astype(str).to_numpy(),
            "off_face": (frame["region"] == "off_face").to_numpy(dtype=float),
            "event": state.event,
            "known": state.known,
            "zones": 1.0,
        }
    )
    grouped = table.groupby("session_id", sort=True)
    sessions = grouped.agg(
        patient_id=("patient_id", "min"),
        treated_on=("treated_on", "min"),
        skin_group=("skin_group", "min"),
        off_face=("off_face", "max"),
        event=("event", "any"),
        known=("known", "all"),
        zones=("zones", "sum"),
    ).reset_index()
    told = (sessions["known"] | sessions["event"]).to_numpy(dtype=bool)
    started = cases.sessions.drop_duplicates("session_id").set_index("session_id")["laser_start"].astype("string")
    sessions["started"] = started.reindex(sessions["session_id"]).fillna("99:99").to_numpy(dtype=str)
    in_order = ["treated_on", "started", "session_id"]
    ordered = sessions.loc[told].sort_values(in_order, kind="stable").reset_index(drop=True)
    ordered["skin_group"] = pd.Categorical(ordered["skin_group"], categories=list(SKIN_LEVELS))
    return ordered, int((~told).sum())


def watch(cases: Cases, scope: Scope, outcome: Outcome, protocol: Protocol) -> Watched:
    """Set the chart on the first four quarters of the records, and run it over every session after them."""
    sessions, left_out = sessions_in_order(cases, scope, outcome)
    if sessions.empty:
        return Watched(outcome, None, "no session whose outcome is known")
    year, number = quarter_of(sessions["treated_on"].iloc[0].date())
    start = quarter_start(year, number)
    turn = quarter_start(*_after(year, number, CALIBRATION_QUARTERS))
    early = (sessions["treated_on"] < pd.Timestamp(turn)).to_numpy(dtype=bool)
    base, later = sessions.loc[early], sessions.loc[~early].reset_index(drop=True)
    label = f"{_name(start)}–{_name(turn - timedelta(days=1))}"
    if len(base) < _FEWEST_SESSIONS or len(later) < _FEWEST_SESSIONS:
        return Watched(
            outcome, None, "too few sessions whose outcome is known, before or after the first four quarters"
        )
    fitted = _expected(base, later, protocol)
    if isinstance(fitted, str):
        return Watched(outcome, None, fitted)
    before, after = fitted
    # how many sessions make a month is counted where the chart watches; it does not depend on their outcomes
    a_month = len(later) / max(1.0, ((later["treated_on"].iloc[-1].date() - turn).days + 1) / _MONTH_DAYS)
    wanted = protocol.watch.months_between_false_alarms * a_month
    shift = SURE_OF_BASELINE * _calibration_error(base, before)
    ratio = protocol.watch.odds_ratio
    try:
        up = limit_for_run_length(before, wanted, odds_ratio=ratio, true_odds_ratio=math.exp(shift))
        down = limit_for_run_length(before, wanted, odds_ratio=1 / ratio, true_odds_ratio=math.exp(-shift))
    except ValueError:
        return Watched(outcome, None, "no limit keeps false alarms as rare as the protocol asks")
    event = later["event"].to_numpy(dtype=float)
    higher = risk_adjusted_cusum(event, after, odds_ratio=ratio, limit=up)
    lower = risk_adjusted_cusum(event, after, odds_ratio=1 / ratio, limit=down)
    quarters = [_name(day.date()) for day in later["treated_on"]]
    ticks = tuple((i, q) for i, q in enumerate(quarters) if i == 0 or quarters[i - 1] != q)
    signals = sorted([(i, "higher") for i in higher.signals] + [(i, "lower") for i in lower.signals])
    chart = Cusum(
        title="",
        y_label="Evidence for a change",
        up=tuple(float(v) for v in higher.path),
        down=tuple(-float(v) for v in lower.path),
        limit_up=up,
        limit_down=-down,
        signals_up=tuple(higher.signals),
        signals_down=tuple(lower.signals),
        ticks=ticks,
        n=len(later),
        patients=int(later["patient_id"].nunique()),
        events=int(event.sum()),
    )
    sides = ((ratio, up), (1 / ratio, down))
    return Watched(
        outcome,
        chart,
        calibration=label,
        limit_up=up,
        limit_down=down,
        months_to_false_alarm=min(run_length(before, odds_ratio=r, limit=h) for r, h in sides) / a_month,
        months_to_find=max(run_length(before, odds_ratio=r, limit=h, true_odds_ratio=r) for r, h in sides) / a_month,
        sessions_a_month=a_month,
        first_signals=tuple((direction, quarters[i]) for i, direction in signals),
        left_out=left_out,
    )


def _after(year: int, number: int, quarters: int) -> tuple[int, int]:
    total = year * 4 + number - 1 + quarters
    return total // 4, total % 4 + 1


def _name(day: date) -> str:
    year, number = quarter_of(day)
    return f"{year}Q{number}"


def _expected(
    base: pd.DataFrame, later: pd.DataFrame, protocol: Protocol
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | str:
    """Risk of each session by case-mix, from the calibration's own records; the reason where none can be had."""
    terms: list[Term] = [
        Category("skin_group", REFERENCES["skin_group"], label=LABELS["skin_group"]),
        Numeric("off_face", label="off the face"),
        Numeric("zones", label="zones"),
    ]
    design = build(base, terms)
    event = base["event"].to_numpy(dtype=int)
    patients = int(base.loc[base["event"], "patient_id"].nunique())
    rung = ladder(design.matrix.shape[1] - 1, patients, int(event.sum()))
    if rung.rung != "penalised":
        return f"in the first four quarters, {rung.reason}"
    fit = penalised(design, event, cluster=base["patient_id"].to_numpy(dtype=str), level=protocol.level, profile=())
    if isinstance(fit, NotEstimable):
        return fit.reason
    known = later.copy()
    # a skin type that the first year never saw is predicted as the reference
    seen = set(base["skin_group"].astype(str))
    groups = [g if g in seen else REFERENCES["skin_group"] for g in known["skin_group"].astype(str)]
    known["skin_group"] = pd.Categorical(groups, categories=list(base["skin_group"].cat.categories))
    return fitted_risks(fit, design.matrix), fitted_risks(fit, design.evaluate(known))


def _calibration_error(base: pd.DataFrame, risk: NDArray[np.float64]) -> float:
    """Standard error of the log odds of the calibration as a whole, patients kept together."""
    residual = base["event"].to_numpy(dtype=float) - risk
    totals = pd.Series(residual).groupby(base["patient_id"].to_numpy()).sum().to_numpy()
    return float(np.sqrt((totals**2).sum()) / (risk * (1 - risk)).sum())
