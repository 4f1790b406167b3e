"""What is the risk of each complication by its day, among all who were treated?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import pandas as pd

from outcomes.estimates.estimate import Answer, Estimate
from outcomes.findings import Finding
from outcomes.protocol import Protocol
from outcomes.questions.complication_tables import (
    NOT_OF_THE_SKIN,
    bounds_grid,
    change,
    place_forest,
    risk_forest,
    session_forest,
    severe_events,
    zones_with_severe_events,
)
from outcomes.questions.follow_up import maturity_days, newest_mature_quarter
from outcomes.questions.outcome_risk import (
    OutcomeRisk,
    answers_of,
    by_day,
    four_quarters_before,
    outcome_risk,
    span_label,
)
from outcomes.questions.population import everyone, treated_between
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope, quarter_start
from outcomes.records.vocabulary import SEVERITY, Outcome
from outcomes.wording import (
    capital,
    count,
    estimate_text,
    listing,
    number_word,
    of_total,
    one_in,
    percent,
    plain_estimate,
    plural,
)


@dataclass(frozen=True, slots=True)
class _Told:
    """Zones of the period with a severe event, all zones of it, and whether any outcome of any zone is known."""

    severe: int
    zones: int
    known: bool


def complications(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """What is the risk of each complication by its day, among all who were treated?

    Each outcome is given for the newest quarter up to the period in which it has had its time, beside the four
    quarters before that one, and by region and zone over all records that have had theirs.
    """
    outcomes = [o for o in protocol.outcomes if o.kind == "zone" and o.derived_from != "healing"]
    everybody = everyone(cases).frame
    period = treated_between(everybody, scope.start, scope.end)
    recent: list[OutcomeRisk] = []
    before: list[OutcomeRisk] = []
    for outcome in outcomes:
        start, end, label = newest_mature_quarter(outcome, scope.end, scope.as_of)
        first, last = quarter_start(*four_quarters_before(start)), start - timedelta(days=1)
        recent.append(outcome_risk(treated_between(everybody, start, end), outcome, label, protocol))
        before.append(outcome_risk(treated_between(everybody, first, last), outcome, span_label(first, last), protocol))
    changes = [change(now, then) for now, then in zip(recent, before, strict=True)]
    places = place_forest(everybody, scope, protocol)
    sessions = session_forest(period, cases.during(scope.start, scope.end).sessions, scope, protocol)
    severe = severe_events(period, protocol)
    zones = zones_with_severe_events(period, protocol)
    answers: list[Answer] = []
    for risk in (*recent, *before):
        answers += answers_of(risk)
    told = _Told(zones, len(period), any(risk.known for risk in (*recent, *before)))
    shrunken = sum("shrunken" in risk.weighted.seen_model for risk in (*recent, *before))
    return Finding(
        key="complications",
        title="Complications",
        asks="How often does each complication occur among all treated, and what do those not seen leave open?",
        says=_sentences(recent, changes, severe, told, scope),
        brief=_brief(recent, told),
        headlines=_headlines(recent, severe, told, scope),
        estimates=(*answers, *changes, *(row.answer for row in (*places.rows, *sessions.rows))),
        exhibits=(
            risk_forest(recent, before, changes, of_the_skin=True),
            bounds_grid(recent),
            places,
            risk_forest(recent, before, changes, of_the_skin=False),
            sessions,
        ),
        denominators=f"Treated in {scope.label}: {plural(len(period), 'zone')}. Each outcome names the quarter it is given "
        "for and its own counts.",
        exclusions=_not_yet_mature(period, outcomes, scope),
        methods=_methods(len(recent) + len(before), shrunken),
        caveats=(
            "The weights make up for what was recorded before treatment. If patients return because something is "
            "wrong, or stay away because of it, the truth lies elsewhere between the floor and the worst case.",
            f"Intervals of {number_word(len(outcomes))} outcomes stand side by side; about one in twenty misses by "
            "chance.",
            "A complication nobody asked about is blank in the records and counts as not known, never as absent.",
        ),
        requests=_requests(zones, severe, scope),
    )


def _methods(models: int, shrunken: int) -> tuple[str, ...]:
    return (
        "Risk by day N among all treated: an event counts when first found by day N, or at a late visit up to 30 days after "
        "it when the last look before lay inside the window. Zones with an event found before the seen-from day count as "
        "they are; the rest are represented by those seen on or after that day by a contact that can tell, each weighted by "
        "the inverse of its chance of being seen, from a logistic model on region, skin type and age. Variance by the "
        "influence function, summed over each patient's zones and allowing for the weights being estimated; limits after "
        "Korn and Graubard (Survey Methodology 1998;24:193–201). With no event, the limits are exact.",
        f"Of {count(models)} models of who was seen, {count(shrunken)} had covariates that nearly settle it and were "
        "shrunken (ridge penalty of 1 on standardised slopes). No risk is given where one patient would carry more "
        "than a fifth of all weight.",
        "Redness beyond day 90: interval-censored, since a zone seen pale on day 60 has answered and one seen red "
        "on day 60 has not; the share still red on day 90 by Turnbull's estimate, the wider of a patient "
        "bootstrap and exact limits on the effective number.",
        "Beside it: the share among zones whose outcome is known; the floor, events over all treated; and the "
        "worst case, as "
        "if every zone not seen had the event.",
        "Change against the four quarters before: difference with Newcombe's hybrid limits on the two intervals "
        "(Stat Med 1998;17:873–890).",
    )


def _commonest(recent: Sequence[OutcomeRisk]) -> list[OutcomeRisk]:
    """Complications of the skin with events, the most frequent first."""
    shown = [
        r
        for r in recent
        if isinstance(r.weighted.risk, Estimate) and r.events > 0 and r.outcome.name not in NOT_OF_THE_SKIN
    ]
    return sorted(shown, key=lambda r: -r.weighted.risk.value if isinstance(r.weighted.risk, Estimate) else 0.0)


def _risk_text(risk: OutcomeRisk) -> str:
    return (
        f"{capital(risk.outcome.label)}{by_day(risk.outcome)}, {risk.span}: estimated "
        f"{estimate_text(risk.weighted.risk)} of "
        f"zones treated; recorded in {of_total(risk.events, risk.treated)} "
        f"({percent(risk.events / max(risk.treated, 1))}), {count(risk.treated - risk.known)} not known."
    )


def _sentences(
    recent: Sequence[OutcomeRisk],
    changes: Sequence[Answer],
    severe: dict[tuple[str, int], int],
    told: _Told,
    scope: Scope,
) -> tuple[str, ...]:
    says = [_risk_text(risk) for risk in _commonest(recent)[:3]]
    none = [
        f"{r.outcome.label}{by_day(r.outcome)}, {r.span}: 0 of {count(r.known)} known, up to "
        f"{percent(r.weighted.risk.high)} "
        f"({one_in(r.weighted.risk.high)}) compatible, {count(r.treated - r.known)} not known"
        for r in recent
        if r.events == 0 and isinstance(r.weighted.risk, Estimate) and r.weighted.risk.high is not None
    ]
    if none:
        says.append(f"None was recorded within the window of: {'; '.join(none)}. Later quarters may hold some.")
    moved = [d for d in changes if isinstance(d, Estimate) and not _covers_zero(d)]
    said = sum(isinstance(d, Estimate) for d in changes)
    if moved:
        says += [f"{capital(d.term)}: {estimate_text(d)}." for d in moved]
    if said:
        changes_said = f"{number_word(said)} {'change' if said == 1 else 'changes'}"
        says.append(
            f"Of {changes_said} against the four quarters before, {number_word(len(moved))} "
            f"{'has' if len(moved) < 2 else 'have'} an interval that leaves out zero."
        )
    says.append(_severe_text(severe, told, scope))
    return tuple(says)


def _severe_text(severe: dict[tuple[str, int], int], told: _Told, scope: Scope) -> str:
    if not told.severe and not told.known:
        return "Whether an event of severity 3 or more occurred cannot be said: no record tells it."
    if not told.severe:
        return (
            f"No event of severity 3 or more is recorded so far for the {plural(told.zones, 'zone')} of {scope.label}."
        )
    graded = [
        f"severity {level} ({SEVERITY[level]}): "
        + listing([f"{label} {count(n)}" for (label, grade), n in severe.items() if grade == level])
        for level in sorted({grade for _, grade in severe})
    ]
    return (
        f"Of {plural(told.zones, 'zone')} treated in {scope.label}, {count(told.severe)} had an event of severity 3 or more "
        f"recorded so far, whatever its day. {capital('; '.join(graded))}."
    )


def _brief(recent: Sequence[OutcomeRisk], told: _Told) -> str:
    common = [f"{r.outcome.label} ({plain_estimate(r.weighted.risk)}, in {r.span})" for r in _commonest(recent)[:2]]
    if not common and not told.known:
        return "Whether complications occurred cannot be said: no record tells it."
    if not common:
        return "No complication of the skin is recorded in the newest quarters that have had their time."
    what = "complication of the skin was" if len(common) == 1 else "complications of the skin were"
    return f"The most frequent {what} {listing(common)}."


def _covers_zero(d: Estimate) -> bool:
    return (d.low is None or d.low <= 0) and (d.high is None or d.high >= 0)


def _headlines(
    recent: Sequence[OutcomeRisk], severe: dict[tuple[str, int], int], told: _Told, scope: Scope
) -> tuple[tuple[str, str], ...]:
    lines = [("described", _risk_text(risk)) for risk in _commonest(recent)[:1]]
    lines.append(("described" if told.severe or told.known else "cannot say", _severe_text(severe, told, scope)))
    return tuple(lines)


def _requests(zones: int, severe: dict[tuple[str, int], int], scope: Scope) -> tuple[str, ...]:
    if not zones:
        return ()
    kinds = listing([label for label, _ in severe])
    return (
        f"Confirm that each of the {plural(zones, 'zone')} of {scope.label} with a severe event ({kinds}) was reviewed.",
    )


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
