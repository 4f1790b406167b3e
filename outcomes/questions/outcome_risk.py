"""The risk of one outcome among all treated, and the numbers that stand beside it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache

import numpy as np
import pandas as pd

from outcomes.estimates.ascertainment import WeightedRisk, risk_among_all
from outcomes.estimates.design import Category, Term, build
from outcomes.estimates.estimate import Answer, Estimate
from outcomes.estimates.interval_censored import IntervalCurve, interval_curve
from outcomes.protocol import Protocol
from outcomes.questions.follow_up import FollowUp, follow_up
from outcomes.questions.settings_model import LABELS, REFERENCES
from outcomes.records.scope import quarter_of
from outcomes.records.vocabulary import PROLONGED_REDNESS_DAY, REGIONS, Outcome

WEIGHTED_BY = ("region", "skin_group", "age_group")


@dataclass(frozen=True, slots=True, eq=False)
class OutcomeRisk:
    """One outcome over one span: the risk among all treated and the numbers beside it.

    Attributes
    ----------
    outcome : Outcome
    span : str
        The quarter or quarters, as printed.
    treated, patients, events, known : int
        Zones treated, their patients, events within the window, zones whose outcome is known.
    weighted : WeightedRisk
    """

    outcome: Outcome
    span: str
    treated: int
    patients: int
    events: int
    known: int
    weighted: WeightedRisk


def outcome_risk(frame: pd.DataFrame, outcome: Outcome, span: str, protocol: Protocol) -> OutcomeRisk:
    """Risk of an outcome among all the zones of a frame, where it can occur."""
    if outcome.regions is not None:
        frame = frame.loc[frame["region"].astype("string").isin(outcome.regions).to_numpy(dtype=bool)]
    state = follow_up(frame, outcome)
    term = f"{outcome.label}, {span}"
    weighted = _weighted(frame, state, term, protocol)
    if outcome.derived_from == "redness" and (lasting := _still_red(frame, term, protocol)) is not None:
        weighted = replace(weighted, risk=lasting)
    return OutcomeRisk(
        outcome=outcome,
        span=span,
        treated=len(frame),
        patients=int(frame["patient_id"].nunique()),
        events=int(state.event.sum()),
        known=int(state.known.sum()),
        weighted=weighted,
    )


def _still_red(frame: pd.DataFrame, term: str, protocol: Protocol) -> Estimate | None:
    """Share still red on the day that calls it prolonged, from intervals; None where no band can be set.

    Who is pale early has answered and who is still red has not, so that the zones with an answer are not like those
    without; the interval-censored estimate uses both.
    """
    assessed = frame.loc[frame["red_after_day"].notna()]
    if assessed["patient_id"].nunique() < protocol.fewest_seen:
        return None
    curve = _share_still_red(
        tuple(assessed["red_after_day"].to_numpy(dtype=float).tolist()),
        tuple(assessed["red_by_day"].to_numpy(dtype=float, na_value=np.inf).tolist()),
        tuple(assessed["patient_id"].astype(str)),
        protocol.replicates,
        protocol.seed,
        protocol.level,
    )
    answer = curve.share_at(0, term)
    if not isinstance(answer, Estimate):
        return None
    still = int(assessed["prolonged_redness"].fillna(False).sum())
    return replace(answer, events=still, note="share still red on day 90")


@lru_cache(maxsize=32)  # several questions ask for the same quarters; each answer takes seconds
def _share_still_red(
    after: tuple[float, ...], by: tuple[float, ...], patient: tuple[str, ...], replicates: int, seed: int, level: float
) -> IntervalCurve:
    return interval_curve(
        np.array(after),
        np.array(by),
        np.array(patient, dtype=str),
        [float(PROLONGED_REDNESS_DAY)],
        replicates=replicates,
        seed=seed,
        level=level,
    )


def _weighted(frame: pd.DataFrame, state: FollowUp, term: str, protocol: Protocol) -> WeightedRisk:
    terms: list[Term] = []
    covariates = frame[list(WEIGHTED_BY)].assign(region=frame["region"].astype("string").fillna("none"))
    for name in WEIGHTED_BY:
        reference = REFERENCES[name]
        levels = (*REGIONS, "none") if name == "region" else None
        terms.append(Category(name, reference, label=LABELS[name], levels=levels))
    matrix = build(covariates, terms).matrix if len(frame) else np.ones((0, 1))
    return risk_among_all(
        state.early,
        state.seen,
        state.late_event,
        matrix,
        frame["patient_id"].to_numpy(dtype=str),
        term=term,
        level=protocol.level,
        fewest_seen=protocol.fewest_seen,
        lowest_reach=protocol.lowest_reach,
    )


def four_quarters_before(start: date) -> tuple[int, int]:
    """Year and (running) quarter four quarters before the one that begins on a date."""
    year, number = quarter_of(start)
    return year, number - 4


def span_label(first: date, last: date) -> str:
    """Name of a span of whole quarters: 2025Q2–2026Q1."""
    (y1, q1), (y2, q2) = quarter_of(first), quarter_of(last)
    return f"{y1}Q{q1}–{y2}Q{q2}"


def by_day(outcome: Outcome) -> str:
    """The end of the window, for use after an outcome's label: " by day 180"."""
    return "" if outcome.window_days is None else f" by day {outcome.window_days}"


def answers_of(risk: OutcomeRisk) -> list[Answer]:
    """The four answers about an outcome over a span, named for the tables."""
    w = risk.weighted
    name = f"{risk.outcome.label}, {risk.span}"
    return [
        w.risk.named(f"{name}: risk among all treated"),
        w.seen_rate.named(f"{name}: share among those known"),
        w.floor.named(f"{name}: floor"),
        w.worst_case.named(f"{name}: worst case"),
    ]
