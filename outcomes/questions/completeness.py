"""How complete are the records, how far does follow-up reach, and who was lost?"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import pandas as pd

from outcomes.estimates.estimate import Answer, Estimate
from outcomes.estimates.proportion import clustered_proportion
from outcomes.findings import Finding, Forest, Grid, Row
from outcomes.protocol import Protocol
from outcomes.questions.population import everyone, treated_between
from outcomes.records.cases import Cases
from outcomes.records.contract import CONTRACT
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import OUTCOMES, REGIONS
from outcomes.wording import capital, count, decapital, estimate_text, listing, of_total, percent, plural

REACH_DAYS = (7, 30, 90, 180)
LOST_BY_DAY = 90
EARLY_TROUBLE_BY_DAY = 30
_BASIC = {"record_id", "patient_id", "session_id", "treated_on", "practitioner_id", "zone"}


def completeness(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """How complete are the records, how far does follow-up reach, and who was lost?

    Reach by day N is the share of zones with any contact on or after day N, among zones treated at least N
    days before the cut-off.
    """
    everybody = everyone(cases).frame
    period = treated_between(everybody, scope.start, scope.end)
    baseline = treated_between(everybody, scope.baseline_start, scope.baseline_end)
    both = treated_between(everybody, scope.baseline_start, scope.end)
    reach = [
        Row(
            f"Day {day}",
            _reach(frame, day, scope, f"reach day {day}, {label}", protocol.level),
            (_reach_counts(frame, day, scope),),
            group=label,
        )
        for label, frame in ((scope.label, period), (scope.baseline_label, baseline))
        for day in REACH_DAYS
    ]
    lost = _who_was_lost(both, scope, protocol)
    absent, grid = _missing_fields(cases.during(scope.start, scope.end), scope)
    zones = cases.source.count("zones")
    return Finding(
        key="completeness",
        title="Completeness and follow-up",
        asks="How complete are the records, how far does follow-up reach, and do those who come back differ?",
        says=_sentences(zones.rows_read, zones.rows_refused, reach, lost),
        brief=_brief(both, scope, protocol),
        headlines=_headlines(both, scope, protocol),
        estimates=tuple(row.answer for row in (*reach, *lost)),
        exhibits=(
            Forest(
                title="Follow-up reach: zones seen on or after each day",
                headers=("", "seen / treated long enough ago"),
                rows=tuple(reach),
                scale="proportion",
                note="Any kind of contact counts here. Whether a contact could tell is asked outcome by outcome.",
            ),
            Forest(
                title=f"Who was seen on or after day {LOST_BY_DAY}",
                headers=("", "seen / treated long enough ago"),
                rows=tuple(lost),
                scale="proportion",
                note=f"{scope.baseline_label} and {scope.label} together. Trouble: any complication recorded before "
                f"day {EARLY_TROUBLE_BY_DAY}.",
            ),
            grid,
        ),
        denominators=f"{scope.label}: {plural(len(period), 'zone')} accepted. {scope.baseline_label}: "
        f"{plural(len(baseline), 'zone')} accepted.",
        exclusions=(f"Not in the export at all: {listing(absent)}.",) if absent else (),
        methods=(
            "Shares of zones carry Korn–Graubard limits with the patient as cluster (Survey Methodology "
            "1998;24:193–201): exact limits on the sample size that the design effect leaves.",
        ),
        caveats=(
            "Those who come back need not resemble those who do not. Rates of complications are therefore weighted "
            "for who was seen and stand beside the lowest and highest value that the unseen allow.",
        ),
    )


def _old_enough(frame: pd.DataFrame, day: int, scope: Scope) -> pd.DataFrame:
    return frame.loc[frame["treated_on"] <= pd.Timestamp(scope.as_of - timedelta(days=day))]


def _reached(frame: pd.DataFrame, day: int) -> pd.Series:
    return (frame["last_seen_day"] >= day).fillna(False).astype(bool)


def _reach(frame: pd.DataFrame, day: int, scope: Scope, term: str, level: float) -> Answer:
    enough = _old_enough(frame, day, scope)
    return clustered_proportion(
        _reached(enough, day).to_numpy(), enough["patient_id"].to_numpy(dtype=str), term=term, level=level
    )


def _reach_counts(frame: pd.DataFrame, day: int, scope: Scope) -> str:
    enough = _old_enough(frame, day, scope)
    counts = f"{count(int(_reached(enough, day).sum()))} / {count(len(enough))}"
    return counts if len(enough) == len(frame) else f"{counts} (of {count(len(frame))})"


def _who_was_lost(frame: pd.DataFrame, scope: Scope, protocol: Protocol) -> list[Row]:
    groups: list[tuple[str, str, pd.Series]] = []
    trouble = _early_trouble(frame)
    groups += [
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
        if part.empty:
            continue
        answer = _reach(part, LOST_BY_DAY, scope, f"seen from day {LOST_BY_DAY}, {group}: {label}", protocol.level)
        rows.append(Row(capital(label), answer, (_reach_counts(part, LOST_BY_DAY, scope),), group=group))
    return rows


def _early_trouble(frame: pd.DataFrame) -> pd.Series:
    trouble = pd.Series(False, index=frame.index)
    for outcome in OUTCOMES:
        if outcome.derived_from is None:
            early = (frame[f"{outcome.name}_day"] < EARLY_TROUBLE_BY_DAY).fillna(False).astype(bool)
            trouble |= frame[outcome.name].fillna(False).astype(bool) & early
    return trouble


def _missing_fields(cases: Cases, scope: Scope) -> tuple[list[str], Grid]:
    """Fields never filled in, by name, and a table of those filled in for some rows but not for all."""
    absent: list[str] = []
    rows: list[tuple[str, ...]] = []
    groups: list[str] = []
    asked = {name for outcome in OUTCOMES for name in (outcome.name, f"{outcome.name}_day", f"{outcome.name}_severity")}
    asked |= {"last_seen_day", "healed_after_day", "healed_by_day", "red_after_day", "red_by_day", "infection_assessed"}
    for table, columns, frame in (
        ("zones", CONTRACT["zones"], cases.zones),
        ("sessions", CONTRACT["sessions"], cases.sessions),
    ):
        for column in columns:
            if column.name in _BASIC | asked or column.name not in frame.columns or not len(frame):
                continue
            values = frame[column.name]
            blank = values.isna() | (values.astype("string") == "not_recorded").fillna(False)
            missing = int(blank.sum())
            if missing == len(frame):
                absent.append(column.name.replace("_", " "))
            elif missing:
                rows.append((column.describes, of_total(missing, len(frame)), percent(missing / len(frame))))
                groups.append(capital(table))
    return absent, Grid(
        title=f"Fields left blank in {scope.label}",
        headers=("Field", "blank", "share"),
        rows=tuple(rows),
        groups=tuple(groups),
        number_columns=(1, 2),
        note="Counts of the accepted records, no estimate. Required fields are never blank: such rows are set aside.",
    )


def _brief(frame: pd.DataFrame, scope: Scope, protocol: Protocol) -> str:
    answer = _reach(frame, LOST_BY_DAY, scope, f"reach day {LOST_BY_DAY}", protocol.level)
    if not isinstance(answer, Estimate):
        return ""
    return (
        f"Of zones treated long enough ago since {scope.baseline_label.split('–')[0]}, {estimate_text(answer)} were "
        f"seen on or after day {LOST_BY_DAY}; what the others would show is not known."
    )


def _headlines(frame: pd.DataFrame, scope: Scope, protocol: Protocol) -> tuple[tuple[str, str], ...]:
    said = []
    for day in (30, LOST_BY_DAY):
        answer = _reach(frame, day, scope, f"reach day {day}", protocol.level)
        if isinstance(answer, Estimate):
            said.append(f"{estimate_text(answer)} were seen on or after day {day}")
    if not said:
        return ()
    return (
        (
            "described",
            f"Follow-up: of zones treated {scope.baseline_label} or {scope.label} and long enough ago, "
            f"{listing(said)}.",
        ),
    )


def _sentences(read: int, refused: int, reach: Sequence[Row], lost: Sequence[Row]) -> tuple[str, ...]:
    says = [
        f"Of {count(read)} rows of treated zones, {count(read - refused)} were accepted and {count(refused)} set aside."
    ]
    now = [row for row in reach if row.group == reach[0].group]
    said = [
        f"{estimate_text(row.answer)} were seen on or after {decapital(row.label)}"
        for row in now
        if isinstance(row.answer, Estimate)
    ]
    if said:
        says.append(f"Of zones treated in {now[0].group} and long enough ago, {listing(said)}.")
    with_trouble, without = lost[0].answer, lost[1].answer if len(lost) > 1 else None
    if (
        lost[0].label == "Trouble recorded"
        and isinstance(with_trouble, Estimate)
        and isinstance(without, Estimate)
        and with_trouble.low is not None
        and without.high is not None
        and with_trouble.low > without.high
    ):
        says.append(
            f"Those with early trouble were seen on or after day {LOST_BY_DAY} more often, "
            f"{estimate_text(with_trouble)}, "
            f"than those without, {estimate_text(without)}: rates among those seen late overstate the risk among all."
        )
    return tuple(says)
