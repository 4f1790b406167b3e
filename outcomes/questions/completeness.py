"""How complete are the records, how far does follow-up reach, and who was lost?"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import pandas as pd

from outcomes.estimates.difference import difference
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.proportion import clustered_proportion
from outcomes.findings import Finding, Forest, Row
from outcomes.protocol import Protocol
from outcomes.questions.blank_fields import blank_fields
from outcomes.questions.follow_up import newest_quarter_aged
from outcomes.questions.outcome_risk import four_quarters_before, span_label
from outcomes.questions.population import everyone, treated_between
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope, quarter_start
from outcomes.records.vocabulary import OUTCOMES, REGIONS
from outcomes.wording import capital, cell_text, count, estimate_text, listing, plural

REACH_DAYS = (7, 30, 90, 180)
GRACE_DAYS = 60  # a contact due on day N may come this much later; younger zones cannot tell yet
LOST_BY_DAY = 90
EARLY_TROUBLE_BY_DAY = 30
_NO_CONTACTS = "the export holds no follow-up contacts"


def completeness(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """How complete are the records, how far does follow-up reach, and who was lost?

    Reach by day N is the share of zones with any contact on or after day N. It is given for the newest quarter whose
    zones were all treated at least N + 60 days before the cut-off, so that nobody is counted before a contact was due.
    """
    everybody = everyone(cases).frame
    period = treated_between(everybody, scope.start, scope.end)
    contacts = not cases.visits.empty or bool(everybody["last_seen_day"].notna().any())
    reach = _reach_rows(everybody, scope, protocol, contacts)
    span = treated_between(everybody, scope.baseline_start, scope.end)
    aged = span.loc[span["treated_on"] <= pd.Timestamp(scope.as_of - timedelta(days=LOST_BY_DAY + GRACE_DAYS))]
    lost = _who_was_lost(aged, protocol, contacts)
    apart = _difference_by_trouble(lost)
    absent, grid = blank_fields(cases.during(scope.start, scope.end), scope)
    all_aged = _reach(aged, LOST_BY_DAY, f"seen from day {LOST_BY_DAY}, all", protocol.level, contacts)
    return Finding(
        key="completeness",
        title="Completeness and follow-up",
        asks="How complete are the records, how far does follow-up reach, and do those who come back differ?",
        says=_sentences(reach, apart),
        brief=_brief(all_aged),
        headlines=_headlines(reach),
        estimates=(*(row.answer for row in (*reach, *lost)), apart, all_aged),
        exhibits=(
            Forest(
                title="Follow-up reach: zones seen on or after each day",
                headers=("", "quarter", "seen / treated", "four quarters before, %"),
                rows=tuple(reach),
                scale="proportion",
                note=f"Newest quarter whose zones were all treated {GRACE_DAYS} days longer ago than the day asked about. "
                "Any kind of contact counts here; whether a contact could tell is asked outcome by outcome.",
            ),
            Forest(
                title=f"Who was seen on or after day {LOST_BY_DAY}",
                detail=True,
                headers=("", "seen / treated"),
                rows=tuple(lost),
                scale="proportion",
                note=f"Zones treated {scope.baseline_label} or {scope.label}, at least {LOST_BY_DAY + GRACE_DAYS} days before "
                f"the cut-off. Trouble: any complication recorded before day {EARLY_TROUBLE_BY_DAY}.",
            ),
            grid,
        ),
        denominators=f"{scope.label}: {plural(len(period), 'zone')} of "
        f"{plural(int(period['session_id'].nunique()), 'session')}; "
        f"{plural(int(cases.during(scope.start, scope.end).sessions['session_id'].nunique()), 'session row')} "
        "accepted.",
        exclusions=(f"Not in the export at all: {listing(absent)}.",) if absent else (),
        methods=(
            "Shares of zones carry Korn–Graubard limits with the patient as cluster (Survey Methodology "
            "1998;24:193–201): exact limits on the sample size that the design effect leaves. Differences of "
            "shares carry "
            "Newcombe's hybrid limits on these (Stat Med 1998;17:873–890).",
        ),
        caveats=(
            "Those who come back need not resemble those who do not. Rates of complications are therefore weighted "
            "for who was seen and stand beside the lowest and highest value that the unseen allow.",
        ),
    )


def _reached(frame: pd.DataFrame, day: int) -> pd.Series:
    return (frame["last_seen_day"] >= day).fillna(False).astype(bool)


def _reach(frame: pd.DataFrame, day: int, term: str, level: float, contacts: bool) -> Answer:
    if not contacts:
        return NotEstimable(term, _NO_CONTACTS, n=len(frame), unit="proportion")
    return clustered_proportion(
        _reached(frame, day).to_numpy(), frame["patient_id"].to_numpy(dtype=str), term=term, level=level
    )


def _counts(frame: pd.DataFrame, day: int) -> str:
    return f"{count(int(_reached(frame, day).sum()))} / {count(len(frame))}"


def _reach_rows(everybody: pd.DataFrame, scope: Scope, protocol: Protocol, contacts: bool) -> list[Row]:
    rows = []
    for day in REACH_DAYS:
        start, end, quarter = newest_quarter_aged(day + GRACE_DAYS, scope.end, scope.as_of)
        first, last = quarter_start(*four_quarters_before(start)), start - timedelta(days=1)
        now, before = treated_between(everybody, start, end), treated_between(everybody, first, last)
        span = span_label(first, last)
        rows.append(
            Row(
                f"Day {day}",
                _reach(now, day, f"reach day {day}, {quarter}", protocol.level, contacts),
                (
                    quarter,
                    _counts(now, day),
                    cell_text(_reach(before, day, f"reach day {day}, {span}", protocol.level, contacts)),
                ),
            )
        )
    return rows


def _who_was_lost(frame: pd.DataFrame, protocol: Protocol, contacts: bool) -> list[Row]:
    trouble = _early_trouble(frame)
    groups: list[tuple[str, str, pd.Series]] = [
        ("Early course", "trouble recorded", trouble),
        ("Early course", "no trouble recorded", ~trouble),
    ]
    skin = frame["skin_group"].astype("string")
    groups += [("Skin type", level, skin == level) for level in frame["skin_group"].cat.categories]
    region = frame["region"].astype("string").fillna("")
    groups += [("Region", label, region == name) for name, label in REGIONS.items()]
    sites = frame["site_id"].fillna("")
    groups += [("Site", str(site), sites == site) for site in sorted(sites.unique()) if site]
    rows = []
    for group, label, member in groups:
        part = frame.loc[member.fillna(False).to_numpy(dtype=bool)]
        if part.empty and group != "Early course":
            continue
        answer = _reach(part, LOST_BY_DAY, f"seen from day {LOST_BY_DAY}, {group}: {label}", protocol.level, contacts)
        rows.append(Row(capital(label), answer, (_counts(part, LOST_BY_DAY),), group=group))
    return rows


def _early_trouble(frame: pd.DataFrame) -> pd.Series:
    trouble = pd.Series(False, index=frame.index)
    for outcome in OUTCOMES:
        if outcome.derived_from is None:
            early = (frame[f"{outcome.name}_day"] < EARLY_TROUBLE_BY_DAY).fillna(False).astype(bool)
            trouble |= frame[outcome.name].fillna(False).astype(bool) & early
    return trouble


def _difference_by_trouble(lost: Sequence[Row]) -> Answer:
    """Seen late with early trouble, minus without: whether those who come back differ."""
    term = f"seen from day {LOST_BY_DAY}: trouble recorded minus not"
    first, second = lost[0].answer, lost[1].answer
    if isinstance(first, Estimate) and isinstance(second, Estimate):
        return difference(first, second, term=term)
    silent = next(answer for answer in (first, second) if isinstance(answer, NotEstimable))
    return NotEstimable(term, silent.reason, n=0)


def _brief(answer: Answer) -> str:
    if not isinstance(answer, Estimate):
        why = _NO_CONTACTS if answer.reason == _NO_CONTACTS else "no zone was treated long enough ago"
        return f"How far follow-up reaches cannot be said: {why}."
    return (
        f"Of zones old enough, {estimate_text(answer)} were seen on or after day {LOST_BY_DAY}; what the others would show is "
        "not known."
    )


def _headlines(reach: Sequence[Row]) -> tuple[tuple[str, str], ...]:
    said = [
        f"{estimate_text(row.answer)} of the zones of {row.cells[0]} on or after day {day}"
        for row, day in zip(reach, REACH_DAYS, strict=True)
        if isinstance(row.answer, Estimate) and day in (30, LOST_BY_DAY)
    ]
    if said:
        return (("described", f"Follow-up: seen were {listing(said)}."),)
    if any(isinstance(row.answer, NotEstimable) and row.answer.reason == _NO_CONTACTS for row in reach):
        return (("cannot say", f"How far follow-up reaches: {_NO_CONTACTS}."),)
    return ()


def _sentences(reach: Sequence[Row], apart: Answer) -> tuple[str, ...]:
    said = [
        f"{estimate_text(row.answer)} of the zones of {row.cells[0]} on or after day {day}"
        for row, day in zip(reach, REACH_DAYS, strict=True)
        if isinstance(row.answer, Estimate)
    ]
    reasons = {row.answer.reason for row in reach if isinstance(row.answer, NotEstimable)}
    why = _NO_CONTACTS if _NO_CONTACTS in reasons else "no quarter is old enough"
    says = [f"Seen were {listing(said)}." if said else f"How far follow-up reaches cannot be said: {why}."]
    if isinstance(apart, Estimate) and apart.low is not None and apart.high is not None:
        more = "more" if apart.value > 0 else "less"
        if apart.low > 0 or apart.high < 0:
            says.append(
                f"Zones with early trouble were seen on or after day {LOST_BY_DAY} {more} often than those "
                "without, by "
                f"{estimate_text(apart)}: rates among those seen late are not those of all."
            )
        else:
            says.append(
                f"Whether zones with early trouble were seen on or after day {LOST_BY_DAY} more often than those "
                f"without is not shown: difference {estimate_text(apart)}."
            )
    return tuple(says)
