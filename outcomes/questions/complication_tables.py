"""The tables of *complications*: risks, what the unseen leave open, places, sessions, severe events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import pandas as pd

from outcomes.estimates.difference import difference
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.proportion import clustered_proportion
from outcomes.findings import Forest, Grid, Row
from outcomes.protocol import Protocol
from outcomes.questions.blank_fields import names_something
from outcomes.questions.disclosure import Sum, held, held_sentence, upper_bound
from outcomes.questions.disclosure_rows import HeldRows, held_rows
from outcomes.questions.follow_up import newest_mature_quarter
from outcomes.questions.outcome_risk import OutcomeRisk, by_day, outcome_risk
from outcomes.questions.population import treated_between
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import REGIONS, SEVERITY, ZONES, Outcome
from outcomes.wording import capital, cell_text, count

SEVERE_FROM = 3
NOT_OF_THE_SKIN = ("unplanned_contact", "complaint")


def change(now: OutcomeRisk, then: OutcomeRisk) -> Answer:
    """Risk among all treated, newest mature quarter minus the four before it."""
    term = f"{now.outcome.label}{by_day(now.outcome)}: {now.span} minus {then.span}"
    a, b = now.weighted.risk, then.weighted.risk
    if isinstance(a, Estimate) and isinstance(b, Estimate):
        return difference(a, b, term=term)
    return NotEstimable(term, "one of the two cannot be said", n=now.treated + then.treated)


def risk_forest(
    recent: Sequence[OutcomeRisk], before: Sequence[OutcomeRisk], changes: Sequence[Answer], *, of_the_skin: bool
) -> Forest:
    """Risks among all treated, one row an outcome; contacts and complaints apart, being far more frequent."""
    rows = [
        Row(
            f"{capital(now.outcome.label)}{by_day(now.outcome)}",
            now.weighted.risk,
            (
                now.span,
                f"{count(now.events)} / {count(now.treated)}",
                cell_text(then.weighted.risk),
                cell_text(d),
            ),
        )
        for now, then, d in zip(recent, before, changes, strict=True)
        if (now.outcome.name not in NOT_OF_THE_SKIN) == of_the_skin
    ]
    what = "Estimated risk of each complication" if of_the_skin else "Unplanned contacts and complaints"
    return Forest(
        title=f"{what} among all treated, newest quarter that has had its time",
        headers=("", "quarter", "events / treated", "four quarters before, %", "change, points"),
        rows=tuple(rows),
        scale="proportion",
        note="Zones, weighted for who was seen; the share recorded, events over treated, is the floor. Later quarters are "
        "not yet mature for outcomes with a long window and are left out rather than shown low.",
    )


def bounds_grid(recent: Sequence[OutcomeRisk]) -> Grid:
    """What those not seen leave open, outcome by outcome."""
    rows = [
        (
            capital(risk.outcome.label),
            f"{count(risk.known)} / {count(risk.treated)}",
            cell_text(risk.weighted.floor),
            cell_text(risk.weighted.risk),
            cell_text(risk.weighted.seen_rate),
            cell_text(risk.weighted.worst_case),
        )
        for risk in recent
    ]
    return Grid(
        title="What those not seen leave open, %",
        headers=("", "known / treated", "floor", "among all treated", "among those known", "worst case"),
        rows=tuple(rows),
        number_columns=(1, 2, 3, 4, 5),
        note="Same quarters as above. Known: seen late enough by a contact that can tell, or the event found. Floor: events "
        "over all treated. Worst case: every zone not known had the event. Redness is easily known to be gone and "
        "only late known to last, so that its share among those known lies too low.",
    )


def place_forest(everybody: pd.DataFrame, scope: Scope, protocol: Protocol) -> Forest:
    """Regions for each modelled outcome, and zones for the first of them; small counts are held back."""
    rows: list[Row] = []
    hidden = 0
    for name in protocol.modelled:
        outcome = protocol.outcome(name)
        places = risks_by_place(everybody, outcome, scope, protocol)
        hidden += len(places.back.events)
        for j, (column, _, label, risk) in enumerate(places.risks):
            rows.append(
                Row(
                    capital(label),
                    places.answer(j, protocol),
                    (places.back.of(j, risk.events, risk.treated), places.back.size(j, risk.known, 1)),
                    group=f"{capital(outcome.label)}, by {column}",
                )
            )
    note = "Not adjusted for who was treated where."
    return Forest(
        title="Risk by region and zone among all treated, all mature records",
        headers=("", "events / treated", "known"),
        rows=tuple(rows),
        scale="proportion",
        note=" ".join(part for part in (note, held_sentence(hidden, "row", protocol)) if part),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """One outcome over all mature records, by region and perhaps by zone, with what is held back of it.

    Attributes
    ----------
    risks : tuple of (str, str, str, OutcomeRisk)
        ``region`` or ``zone``, its code, its label, the risk.
    back : HeldRows
        By position in `risks`.
    end : date
        Last day of the newest quarter in which the outcome has had its time.
    """

    risks: tuple[tuple[str, str, str, OutcomeRisk], ...]
    back: HeldRows
    end: date

    def answer(self, row: int, protocol: Protocol) -> Answer:
        """The risk of a row, or why it is held back; with few events, what the most of them is compatible with."""
        risk = self.risks[row][3]
        answer = risk.weighted.risk
        if row not in self.back.events:
            return answer
        n = None if row in self.back.sizes[0] else risk.treated
        return held(answer, self.back.reasons[row], n=n, bound=upper_bound(self.bounded_on(row), protocol))

    def bounded_on(self, row: int) -> int | None:
        """Patients that the bound of few events stands on; None where there is no such bound."""
        risk = self.risks[row][3]
        return risk.weighted.seen_patients if risk.outcome.derived_from is None and row in self.back.bounded else None


def risks_by_place(everybody: pd.DataFrame, outcome: Outcome, scope: Scope, protocol: Protocol) -> Places:
    """Risk of an outcome by region over all mature records; for the first modelled outcome by zone as well."""
    _, end, _ = newest_mature_quarter(outcome, scope.end, scope.as_of)
    span = treated_between(everybody, date(1900, 1, 1), end)
    places = [("region", region, label) for region, label in REGIONS.items()]
    if protocol.modelled and outcome.name == protocol.modelled[0]:
        places += [("zone", zone, label) for zone, (label, _) in ZONES.items()]
    risks = []
    for column, code, label in places:
        here = span.loc[(span[column] == code).fillna(False).to_numpy(dtype=bool)]
        if len(here) and (outcome.regions is None or column == "zone" or code in outcome.regions):
            risk = outcome_risk(here, outcome, f"{label}, to {end.isoformat()}", protocol)
            risks.append((column, code, label, risk))
    back = held_rows(
        [risk.events for *_, risk in risks],
        [[risk.treated for *_, risk in risks], [risk.known for *_, risk in risks]],
        _sums_of_places([(column, code) for column, code, _, _ in risks]),
        protocol,
        patients=[risk.patients for *_, risk in risks],
    )
    return Places(tuple(risks), back, end)


def _sums_of_places(places: Sequence[tuple[str, str]]) -> list[Sum]:
    """The zones of a region add up to the region; regions add up to no number that is printed."""
    zones = [(i, ZONES[code][1]) for i, (column, code) in enumerate(places) if column == "zone"]
    sums = []
    for i, (column, code) in enumerate(places):
        inside = tuple(j for j, region in zones if region == code)
        if column == "region" and inside:
            sums.append(Sum(inside, whole=i))
    return sums


def session_forest(frame: pd.DataFrame, sessions: pd.DataFrame, scope: Scope, protocol: Protocol) -> Forest:
    """Complications of the session itself, each session once; those of a block among sessions with a block."""
    with_block = set(sessions.loc[names_something(sessions["blocks"]), "session_id"].astype(str))
    rows: list[Row] = []
    for outcome in (o for o in protocol.outcomes if o.kind == "session"):
        part = frame
        if outcome.name == "block_complication":
            part = frame.loc[frame["session_id"].astype(str).isin(with_block).to_numpy(dtype=bool)]
        by_session = _by_session(part, outcome.name)
        known = by_session.loc[by_session["known"]]
        share = clustered_proportion(
            known["event"].to_numpy(dtype=bool),
            known["patient"].to_numpy(dtype=str),
            term=f"{outcome.label}, sessions of {scope.label}",
            level=protocol.level,
        )
        rows.append(
            Row(
                capital(outcome.label),
                share,
                (f"{count(int(known['event'].sum()))} / {count(len(known))}", count(len(by_session))),
            )
        )
    return Forest(
        title=f"Complications of the session itself, {scope.label}",
        headers=("", "events / sessions asked", "sessions concerned"),
        rows=tuple(rows),
        scale="proportion",
        note="Counted once a session, among sessions where it was asked about; for blocks, among sessions with a block.",
    )


def _by_session(frame: pd.DataFrame, outcome: str) -> pd.DataFrame:
    answer = frame[outcome]
    return (
        pd.DataFrame(
            {
                "session": frame["session_id"].to_numpy(dtype=str),
                "patient": frame["patient_id"].to_numpy(dtype=str),
                "event": answer.fillna(False).to_numpy(dtype=bool),
                "known": answer.notna().to_numpy(dtype=bool),
            }
        )
        .groupby("session", sort=True)
        .agg(patient=("patient", "first"), event=("event", "any"), known=("known", "any"))
    )


def severe_events(frame: pd.DataFrame, protocol: Protocol) -> dict[tuple[str, int], int]:
    """Zones with a severe event, by outcome and severity; a census of what is recorded, whatever the window."""
    found: dict[tuple[str, int], int] = {}
    for outcome in protocol.outcomes:
        if outcome.derived_from is None:
            had = frame[outcome.name].fillna(False).astype(bool)
            grade = frame[f"{outcome.name}_severity"].where(had)
            for level in (level for level in SEVERITY if level >= SEVERE_FROM):
                zones = int((grade == level).fillna(False).sum())
                if zones:
                    found[outcome.label, level] = zones
    return found


def zones_with_severe_events(frame: pd.DataFrame, protocol: Protocol) -> int:
    """Zones with one severe event or more."""
    any_severe = pd.Series(False, index=frame.index)
    for outcome in protocol.outcomes:
        if outcome.derived_from is None:
            had = frame[outcome.name].fillna(False).astype(bool)
            any_severe |= had & (frame[f"{outcome.name}_severity"] >= SEVERE_FROM).fillna(False).astype(bool)
    return int(any_severe.sum())
