"""What is the risk of each complication by its day, among all who were treated?"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import pandas as pd

from outcomes.estimates.difference import difference
from outcomes.estimates.estimate import Answer, Estimate
from outcomes.estimates.proportion import clustered_proportion
from outcomes.findings import Finding, Forest, Grid, Row
from outcomes.protocol import Protocol
from outcomes.questions.follow_up import maturity_days, newest_mature_quarter
from outcomes.questions.outcome_risk import (
    OutcomeRisk,
    answers_of,
    by_day,
    four_quarters_before,
    outcome_risk,
    share_text,
    span_label,
)
from outcomes.questions.population import everyone, treated_between
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope, quarter_start
from outcomes.records.vocabulary import REGIONS, SEVERITY, ZONES, Outcome
from outcomes.wording import (
    capital,
    count,
    estimate_text,
    listing,
    number_word,
    of_total,
    one_in,
    percent,
    plural,
)

SEVERE_FROM = 3
_NOT_OF_THE_SKIN = ("unplanned_contact", "complaint")


def complications(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """What is the risk of each complication by its day, among all who were treated?

    Each outcome is given for the newest quarter up to the period in which it has had its time, beside the four
    quarters before that one, and by zone over both spans together.
    """
    zones = [o for o in protocol.outcomes if o.kind == "zone" and o.derived_from != "healing"]
    everybody = everyone(cases).frame
    period = treated_between(everybody, scope.start, scope.end)
    recent: list[OutcomeRisk] = []
    before: list[OutcomeRisk] = []
    for outcome in zones:
        start, end, label = newest_mature_quarter(outcome, scope.end, scope.as_of)
        recent.append(outcome_risk(treated_between(everybody, start, end), outcome, label, protocol))
        first = quarter_start(*four_quarters_before(start))
        last = start - timedelta(days=1)
        before.append(outcome_risk(treated_between(everybody, first, last), outcome, span_label(first, last), protocol))
    rows, differences = _main_rows(recent, before, scope, protocol)
    by_zone = _by_zone(everybody, scope, protocol)
    sessions, session_answers = _session_grid(period, scope, protocol)
    severe = _severe(period, protocol)
    answers: list[Answer] = []
    for risk in (*recent, *before):
        answers += answers_of(risk)
    return Finding(
        key="complications",
        title="Complications",
        asks="How often does each complication occur among all treated, and what do those not seen leave open?",
        says=_sentences(recent, before, differences, severe, scope),
        brief=_brief(recent),
        headlines=_headlines(recent, severe, scope),
        estimates=(*answers, *differences, *(row.answer for row in by_zone.rows), *session_answers),
        exhibits=(
            _main_forest(rows, scope),
            _bounds_grid(recent),
            by_zone,
            sessions,
        ),
        denominators=f"Treated in {scope.label}: {plural(len(period), 'zone')}. Each "
        "outcome names the quarter it is given for and its own counts.",
        exclusions=_not_yet_mature(period, zones, scope),
        methods=(
            "Risk by day N among all treated: zones with an event found before the seen-from day count as they are; "
            "the rest are represented by those seen on or after that day by a contact that can tell, each weighted "
            "by the inverse of its chance of being seen, from a logistic model on region, skin type and age. "
            "Variance by the influence function, summed over each patient's zones and allowing for the weights "
            "being estimated; limits after Korn and Graubard (Survey Methodology 1998;24:193–201). With no event, "
            "the limits are exact.",
            "Beside it: the share among zones whose outcome is known; the floor, events over all treated; and the "
            "worst case, as if every zone not seen had the event.",
            "Change against the four quarters before: difference with Newcombe's hybrid limits on the two intervals "
            "(Stat Med 1998;17:873–890).",
        ),
        caveats=(
            "The weights make up for what was recorded before treatment. If patients return because something is "
            "wrong, or stay away because of it, the truth lies elsewhere between the floor and the worst case.",
            f"Intervals of {number_word(len(zones))} outcomes stand side by side; about one in twenty misses by "
            "chance.",
            "A complication nobody asked about is blank in the records and counts as not known, never as absent.",
        ),
        requests=_requests(severe, scope),
    )


def _main_rows(
    recent: Sequence[OutcomeRisk], before: Sequence[OutcomeRisk], scope: Scope, protocol: Protocol
) -> tuple[list[Row], list[Answer]]:
    rows: list[Row] = []
    differences: list[Answer] = []
    for now, then in zip(recent, before, strict=True):
        if isinstance(now.weighted.risk, Estimate) and isinstance(then.weighted.risk, Estimate):
            differences.append(
                difference(
                    now.weighted.risk,
                    then.weighted.risk,
                    term=f"{now.outcome.label}: {now.span} minus {then.span}",
                )
            )
        rows.append(
            Row(
                f"{capital(now.outcome.label)}{by_day(now.outcome)}",
                now.weighted.risk,
                (
                    now.span,
                    f"{count(now.events)} / {count(now.treated)}",
                    f"{count(now.known)}",
                    share_text(then.weighted.risk),
                ),
                group="As counted among all treated",
            )
        )
    return [Row(r.label, r.answer, r.cells) for r in rows], differences


def _main_forest(rows: Sequence[Row], scope: Scope) -> Forest:
    return Forest(
        title="Risk of each complication among all treated, newest quarter that has had its time",
        headers=("", "quarter", "events / treated", "known", "four quarters before, %"),
        rows=tuple(rows),
        scale="proportion",
        note="Zones. Known: seen late enough by a contact that can tell, or the event found. Later quarters are not "
        "yet mature for outcomes with a long window and are left out rather than shown low.",
    )


def _bounds_grid(recent: Sequence[OutcomeRisk]) -> Grid:
    rows = []
    for risk in recent:
        w = risk.weighted
        rows.append(
            (
                capital(risk.outcome.label),
                f"{count(risk.known)} / {count(risk.treated)}",
                share_text(w.floor),
                share_text(w.risk),
                share_text(w.seen_rate),
                share_text(w.worst_case),
            )
        )
    return Grid(
        title="What those not seen leave open, %",
        headers=("", "known / treated", "floor", "among all treated", "among those known", "worst case"),
        rows=tuple(rows),
        number_columns=(1, 2, 3, 4, 5),
        note="Same quarters as above. Floor: events over all treated. Worst case: every zone not known had the event.",
    )


def _by_zone(everybody: pd.DataFrame, scope: Scope, protocol: Protocol) -> Forest:
    """Regions for each modelled outcome, and zones for the first of them."""
    rows = []
    for i, name in enumerate(protocol.modelled):
        outcome = protocol.outcome(name)
        _, end, _ = newest_mature_quarter(outcome, scope.end, scope.as_of)
        span = treated_between(everybody, date(1900, 1, 1), end)
        places = [("region", region, label) for region, label in REGIONS.items()]
        if i == 0:
            places += [("zone", zone, label) for zone, (label, _) in ZONES.items()]
        for column, code, label in places:
            here = span.loc[(span[column] == code).fillna(False).to_numpy(dtype=bool)]
            if not len(here):
                continue
            risk = outcome_risk(here, outcome, f"{label}, to {end.isoformat()}", protocol)
            rows.append(
                Row(
                    capital(label),
                    risk.weighted.risk,
                    (f"{count(risk.events)} / {count(risk.treated)}", count(risk.known)),
                    group=f"{capital(outcome.label)}, by {column}",
                )
            )
    return Forest(
        title="Risk by region and zone among all treated, all mature records",
        headers=("", "events / treated", "known"),
        rows=tuple(rows),
        scale="proportion",
        note="Not adjusted for who was treated where.",
    )


def _session_grid(frame: pd.DataFrame, scope: Scope, protocol: Protocol) -> tuple[Forest, list[Answer]]:
    """Complications of the session itself, each session once."""
    rows: list[Row] = []
    for outcome in (o for o in protocol.outcomes if o.kind == "session"):
        answer = frame[outcome.name]
        by_session = (
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
    return (
        Forest(
            title=f"Complications of the session itself, {scope.label}",
            headers=("", "events / sessions asked", "sessions"),
            rows=tuple(rows),
            scale="proportion",
            note="Counted once a session, among sessions where it was asked about.",
        ),
        [row.answer for row in rows],
    )


def _severe(frame: pd.DataFrame, protocol: Protocol) -> dict[int, int]:
    """Zones with an event of each severity from 3 on, whatever the outcome; a census."""
    worst = pd.Series(0, index=frame.index, dtype="int64")
    for outcome in protocol.outcomes:
        if outcome.derived_from is None:
            had = frame[outcome.name].fillna(False).astype(bool)
            grade = frame[f"{outcome.name}_severity"].fillna(0).astype("int64")
            worst = worst.where(~had | (grade <= worst), grade)
    return {level: int((worst == level).sum()) for level in SEVERITY if level >= SEVERE_FROM}


def _not_yet_mature(frame: pd.DataFrame, outcomes: Sequence[Outcome], scope: Scope) -> tuple[str, ...]:
    by_day: dict[int, list[str]] = {}
    for outcome in outcomes:
        by_day.setdefault(maturity_days(outcome), []).append(outcome.label)
    lines = []
    for day, labels in sorted(by_day.items()):
        reached = int((frame["treated_on"] <= pd.Timestamp(scope.as_of - timedelta(days=day))).sum())
        if reached < len(frame):
            lines.append(
                f"Not yet mature in {scope.label}: {listing(labels)}; "
                f"{of_total(reached, len(frame))} zones have reached day {day}."
            )
    return tuple(lines)


def _sentences(
    recent: Sequence[OutcomeRisk],
    before: Sequence[OutcomeRisk],
    differences: Sequence[Answer],
    severe: dict[int, int],
    scope: Scope,
) -> tuple[str, ...]:
    says = []
    for risk in _commonest(recent)[:3]:
        says.append(
            f"{capital(risk.outcome.label)}{by_day(risk.outcome)}, {risk.span}: "
            f"{estimate_text(risk.weighted.risk)} of "
            f"{plural(risk.treated, 'zone')} treated, from {plural(risk.events, 'event')} and {count(risk.known)} "
            "known."
        )
    none = [r for r in recent if r.events == 0 and isinstance(r.weighted.risk, Estimate)]
    if none:
        parts = [f"{r.outcome.label} ({_none_text(r)})" for r in none if isinstance(r.weighted.risk, Estimate)]
        says.append(f"None was recorded of {listing(parts)}.")
    moved = [d for d in differences if isinstance(d, Estimate) and not _covers_zero(d)]
    if moved:
        says += [f"{capital(d.term)}: {estimate_text(d)}." for d in moved]
    else:
        says.append("No change against the four quarters before is shown for any outcome.")
    total = sum(severe.values())
    words = listing([f"{count(severe[level])} of severity {level} ({SEVERITY[level]})" for level in sorted(severe)])
    says.append(
        f"Zones treated in {scope.label} with a severe event recorded so far: {words}."
        if total
        else f"No event of severity 3 or more has been recorded so far for zones treated in {scope.label}."
    )
    return tuple(says)


def _commonest(recent: Sequence[OutcomeRisk]) -> list[OutcomeRisk]:
    """Complications of the skin with events, the most frequent first."""
    shown = [
        r
        for r in recent
        if isinstance(r.weighted.risk, Estimate) and r.events > 0 and r.outcome.name not in _NOT_OF_THE_SKIN
    ]
    return sorted(shown, key=lambda r: -r.events / max(r.treated, 1))


def _brief(recent: Sequence[OutcomeRisk]) -> str:
    common = [r.outcome.label for r in _commonest(recent)[:2]]
    if not common:
        return "No complication of the skin is recorded in the newest quarters that have had their time."
    return f"The most frequent complications among all zones treated were {listing(common)}."


def _none_text(risk: OutcomeRisk) -> str:
    answer = risk.weighted.risk
    if not isinstance(answer, Estimate) or answer.high is None:
        return "cannot say"
    return (
        f"up to {percent(answer.high)}, {one_in(answer.high)}, compatible; {count(risk.treated - risk.known)} not seen"
    )


def _covers_zero(d: Estimate) -> bool:
    return (d.low is None or d.low <= 0) and (d.high is None or d.high >= 0)


def _headlines(recent: Sequence[OutcomeRisk], severe: dict[int, int], scope: Scope) -> tuple[tuple[str, str], ...]:
    lines = []
    common = _commonest(recent)
    if common:
        risk = common[0]
        lines.append(
            (
                "described",
                f"{capital(risk.outcome.label)}{by_day(risk.outcome)}, {risk.span}: "
                f"{estimate_text(risk.weighted.risk)} of zones treated; {of_total(risk.known, risk.treated)} known.",
            )
        )
    total = sum(severe.values())
    lines.append(
        (
            "described",
            f"Severe events (severity 3 or more) among zones treated in {scope.label}: {count(total)} recorded so far.",
        )
    )
    return tuple(lines)


def _requests(severe: dict[int, int], scope: Scope) -> tuple[str, ...]:
    total = sum(severe.values())
    if not total:
        return ()
    return (f"Confirm that each of the {plural(total, 'zone')} of {scope.label} with a severe event was reviewed.",)
