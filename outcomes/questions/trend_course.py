"""One outcome over time: by quarter, over twelve months, and the change at equal case-mix."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import pandas as pd

from outcomes.estimates.design import Category, Numeric, Term, build
from outcomes.estimates.difference import difference
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.firth import ladder, penalised
from outcomes.estimates.standardise import standardised_risks
from outcomes.protocol import Protocol
from outcomes.questions.cusum import Watched, watch
from outcomes.questions.follow_up import follow_up, maturity_days, newest_mature_quarter
from outcomes.questions.outcome_risk import OutcomeRisk, by_day, four_quarters_before, outcome_risk, span_label
from outcomes.questions.population import treated_between
from outcomes.questions.settings_model import LABELS, REFERENCES, SHORT_SET
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope, quarter_of, quarter_start
from outcomes.records.vocabulary import REGIONS, Outcome
from outcomes.wording import listing

MOST_QUARTERS = 12
_LATER = "treated in the newest quarter"


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """One outcome over time: the newest quarter that has had its time, twelve months, and the change."""

    outcome: Outcome
    newest: date
    now: OutcomeRisk
    before: OutcomeRisk
    twelve: OutcomeRisk
    raw: Answer
    adjusted: Answer
    young: int
    watched: Watched


def course_of(everybody: pd.DataFrame, cases: Cases, scope: Scope, outcome: Outcome, protocol: Protocol) -> Course:
    """One outcome over time, up to the newest quarter that has had its time."""
    start, end, label = newest_mature_quarter(outcome, scope.end, scope.as_of)
    first, last = quarter_start(*four_quarters_before(start)), start - timedelta(days=1)
    now = outcome_risk(treated_between(everybody, start, end), outcome, label, protocol)
    before = outcome_risk(treated_between(everybody, first, last), outcome, span_label(first, last), protocol)
    year_start = quarter_start(*_shifted(start, -3))
    twelve = outcome_risk(treated_between(everybody, year_start, end), outcome, span_label(year_start, end), protocol)
    reached = pd.Timestamp(scope.as_of - timedelta(days=maturity_days(outcome)))
    treated = everybody.loc[everybody["treated_on"] <= pd.Timestamp(scope.end)]
    term = f"{outcome.label}{by_day(outcome)}: {label} minus {before.span}"
    return Course(
        outcome=outcome,
        newest=start,
        now=now,
        before=before,
        twelve=twelve,
        raw=_minus(now, before, term),
        adjusted=_adjusted(
            treated_between(everybody, first, end), outcome, start, f"{term}, at equal case-mix", protocol
        ),
        young=int((treated["treated_on"] > reached).sum()),
        watched=watch(cases, scope, outcome, protocol),
    )


def _shifted(start: date, quarters: int) -> tuple[int, int]:
    year, number = quarter_of(start)
    return year, number + quarters


def _minus(now: OutcomeRisk, before: OutcomeRisk, term: str) -> Answer:
    a, b = now.weighted.risk, before.weighted.risk
    if isinstance(a, Estimate) and isinstance(b, Estimate):
        return difference(a, b, term=term)
    return NotEstimable(
        term, "one of the two cannot be said", n=now.treated + before.treated, unit="difference in proportion"
    )


def by_quarter(
    everybody: pd.DataFrame, course: Course, scope: Scope, protocol: Protocol
) -> tuple[tuple[str, OutcomeRisk | None], ...]:
    """The last quarters up to the period, oldest first; None for those that have not had their time."""
    if everybody.empty:
        return ()
    oldest = everybody["treated_on"].min().date()
    found: list[tuple[str, OutcomeRisk | None]] = []
    place = scope.start
    for _ in range(MOST_QUARTERS):
        start = quarter_start(*_shifted(place, 0))
        if start < oldest - timedelta(days=92):
            break
        end = quarter_start(*_shifted(start, 1)) - timedelta(days=1)
        year, number = quarter_of(start)
        label = f"{year}Q{number}"
        frame = treated_between(everybody, start, end)
        if len(frame):
            found.append(
                (label, None if start > course.newest else outcome_risk(frame, course.outcome, label, protocol))
            )
        place = start - timedelta(days=1)
    return tuple(reversed(found))


def _adjusted(frame: pd.DataFrame, outcome: Outcome, start: date, term: str, protocol: Protocol) -> Answer:
    """Difference in standardised risk between the newest mature quarter and the four before it, among zones known."""
    unit = "difference in proportion"
    frame = frame.loc[frame["region"].notna()]
    if outcome.regions is not None:
        frame = frame.loc[frame["region"].astype("string").isin(outcome.regions).to_numpy(dtype=bool)]
    state = follow_up(frame, outcome)
    frame, event = frame.loc[state.known], state.event[state.known]
    late = (frame["treated_on"] >= pd.Timestamp(start)).to_numpy(dtype=float)
    if not late.any() or late.all():
        return NotEstimable(term, "no zone whose outcome is known on one of the two sides", n=len(frame), unit=unit)
    terms: list[Term] = [Numeric("_late", label=_LATER)]
    terms += [
        Category(name, REFERENCES[name], label=LABELS[name], level_labels=REGIONS if name == "region" else None)
        for name in SHORT_SET
    ]
    covariates = frame[list(SHORT_SET)].assign(_late=late)
    design = build(covariates, terms)
    patients = int(frame.loc[event, "patient_id"].nunique())
    rung = ladder(design.matrix.shape[1] - 1, patients, int(event.sum()))
    if rung.rung != "penalised":
        return NotEstimable(term, rung.reason, n=len(frame), events=int(event.sum()), unit=unit)
    cluster = frame["patient_id"].to_numpy(dtype=str)
    fit = penalised(design, event.astype(int), cluster=cluster, level=protocol.level, profile=())
    if isinstance(fit, NotEstimable):
        return replace(fit.named(term), unit=unit)
    sides = [design.evaluate(covariates.assign(_late=value)) for value in (1.0, 0.0)]
    return standardised_risks(fit, sides, ("now", "before"), level=protocol.level).difference(0, 1, term=term)


def new_devices(everybody: pd.DataFrame) -> dict[str, str]:
    """Quarters in which a device was first used, the first quarter of the records left out."""
    used = everybody.loc[everybody["device_id"].notna()]
    if used.empty:
        return {}
    first = used.groupby(used["device_id"].astype(str))["quarter"].min()
    start = str(everybody["quarter"].min())
    found: dict[str, list[str]] = {}
    for device, quarter in first.items():
        if str(quarter) != start:
            found.setdefault(str(quarter), []).append(str(device))
    return {quarter: f"first use of {listing(sorted(devices))}" for quarter, devices in found.items()}
