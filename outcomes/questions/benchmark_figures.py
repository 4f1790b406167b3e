"""Your own risks in so many of a hundred, beside your pooled peers'."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.findings import Grid
from outcomes.protocol import Protocol
from outcomes.questions.benchmark_peers import clause, is_own, rough, rough_cell, why_no_peers
from outcomes.questions.complication_tables import NOT_OF_THE_SKIN
from outcomes.questions.disclosure import HELD_CELL, Sum, bound_of_few, held
from outcomes.questions.disclosure_rows import held_rows
from outcomes.questions.follow_up import follow_up, newest_mature_quarter
from outcomes.questions.outcome_risk import by_day, outcome_risk
from outcomes.questions.population import everyone, treated_between
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import Outcome
from outcomes.wording import between_so_many, capital, frequency_base, frequency_cell


@dataclass(frozen=True, slots=True)
class Figure:
    """One own risk beside the pooled peers', and the bound that few events leave."""

    outcome: Outcome
    own: Answer
    peers: Answer
    bound: float | None

    def cell(self) -> str:
        """The own risk for a table."""
        if isinstance(self.own, Estimate):
            return frequency_cell(self.own)
        if self.bound is not None:
            return f"{HELD_CELL} ({between_so_many(0.0, self.bound, frequency_base(self.bound))})"
        return HELD_CELL if HELD_CELL in self.own.reason else "cannot say"


def own_figures(cases: Cases, scope: Scope, protocol: Protocol) -> list[Figure]:
    """Own risk of each complication of the skin over all mature records, beside the pooled peers'."""
    everybody = everyone(cases).frame
    figures = []
    for outcome in protocol.outcomes:
        if outcome.kind != "zone" or outcome.derived_from == "healing" or outcome.name in NOT_OF_THE_SKIN:
            continue
        _, end, _ = newest_mature_quarter(outcome, scope.end, scope.as_of)
        span = treated_between(everybody, date(1900, 1, 1), end)
        if outcome.regions is not None:
            span = span.loc[span["region"].astype("string").isin(outcome.regions).to_numpy(dtype=bool)]
        mine = is_own(span, scope).to_numpy(dtype=bool)
        if not mine.any():
            continue
        figures.append(_figure(span, mine, outcome, scope, protocol))
    return figures


def _figure(span: pd.DataFrame, mine: NDArray[np.bool_], outcome: Outcome, scope: Scope, protocol: Protocol) -> Figure:
    state = follow_up(span, outcome)
    counted = (
        pd.DataFrame(
            {"who": span["practitioner_id"].astype(str).to_numpy(), "event": state.event, "known": state.known}
        )
        .groupby("who", sort=True)
        .agg(events=("event", "sum"), zones=("event", "size"), known=("known", "sum"))
    )
    patients = span.groupby(span["practitioner_id"].astype(str).to_numpy())["patient_id"].nunique().sort_index()
    back = held_rows(
        [int(n) for n in counted["events"]],
        [[int(n) for n in counted["zones"]], [int(n) for n in counted["known"]]],
        [Sum(tuple(range(len(counted))))],
        protocol,
        patients=[int(n) for n in patients],
    )
    place = list(counted.index).index(str(scope.practitioner))
    label = f"{outcome.label}{by_day(outcome)}"
    own = outcome_risk(span.loc[mine], outcome, "yours", protocol)
    answer, bound = replace(own.weighted.risk, term=f"{label}, yours", events=None, note=""), None
    if place in back.events:
        bound = bound_of_few(own.weighted.seen_patients if place in back.bounded else None, protocol.level, protocol)
        answer = held(answer, back.reasons[place], n=None if place in back.sizes[0] else own.treated)
    reason = why_no_peers(span, scope, protocol)
    peers: Answer
    if reason:
        peers = NotEstimable(f"{label}, peers", clause(reason), n=None, unit="proportion")
    else:
        peers = rough(outcome_risk(span.loc[~mine], outcome, "peers", protocol).weighted.risk.named(f"{label}, peers"))
    return Figure(outcome, answer, peers, bound)


def figures_grid(figures: Sequence[Figure]) -> Grid:
    """Own and pooled risks in so many of a hundred."""
    rows = tuple(
        (
            capital(f"{f.outcome.label}{by_day(f.outcome)}"),
            f.cell(),
            rough_cell(f.peers),
        )
        for f in figures
    )
    return Grid(
        title="Figures for consent: your own risks beside your pooled peers'",
        headers=("", "yours", "peers, pooled"),
        rows=rows,
        note="So many of 100 or 1,000 zones treated, all records in which the outcome has had its time; in brackets what is "
        "compatible, rounded outward. Not adjusted for who was treated.",
    )
