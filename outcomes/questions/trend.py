"""Are complications becoming more or less frequent, at equal follow-up and equal case-mix?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd

from outcomes.estimates.design import Category, Numeric, Term, build
from outcomes.estimates.difference import difference
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.firth import ladder, penalised
from outcomes.estimates.standardise import standardised_risks
from outcomes.findings import Exhibit, Finding, Forest, Row, Timeline
from outcomes.protocol import Protocol
from outcomes.questions.cusum import CALIBRATION_QUARTERS, Watched, watch
from outcomes.questions.disclosure import HELD_CELL, is_small, shows_small_counts
from outcomes.questions.follow_up import follow_up, maturity_days, newest_mature_quarter
from outcomes.questions.outcome_risk import (
    OutcomeRisk,
    by_day,
    four_quarters_before,
    outcome_risk,
    share_text,
    span_label,
)
from outcomes.questions.population import everyone, treated_between
from outcomes.questions.settings_model import LABELS, REFERENCES, SHORT_SET
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope, quarter_of, quarter_start
from outcomes.records.vocabulary import REGIONS, Outcome
from outcomes.wording import (
    capital,
    count,
    decapital,
    estimate_text,
    listing,
    number_word,
    of_total,
    plural,
    quantity,
)

MOST_QUARTERS = 12
_LATER = "treated in the newest quarter"


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
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


def trend(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Are complications becoming more or less frequent, at equal follow-up and equal case-mix?

    Quarters are compared once each has had the outcome's whole window and the days for a late visit; younger ones are
    named and not given. Control charts look at every session in order and do not wait for a quarter to end.
    """
    everybody = everyone(cases).frame
    courses = [_course(everybody, cases, scope, protocol.outcome(name), protocol) for name in protocol.modelled]
    devices = _new_devices(everybody)
    exhibits: list[Exhibit] = [_changes(courses, protocol)]
    shown = max(courses, key=lambda c: c.twelve.events, default=None)
    quarters = () if shown is None else _quarters(everybody, shown, scope, protocol)
    if shown is not None:
        exhibits.append(_timeline(shown, quarters, devices, protocol))
    exhibits += [
        _chart(c, protocol) for c in courses if c.watched.chart is not None and (c is shown or c.watched.first_signals)
    ]
    answers: list[Answer] = []
    if shown is not None:
        answers += [r.weighted.risk.named(f"{shown.outcome.label}, {name}") for name, r in quarters if r is not None]
    for c in courses:
        answers += [
            c.twelve.weighted.risk.named(f"{c.outcome.label}, twelve months {c.twelve.span}"),
            c.raw,
            c.adjusted,
        ]
    return Finding(
        key="trend",
        title="Trend",
        asks="Are complications becoming more or less frequent, at equal follow-up and equal case-mix?",
        says=_sentences(courses, protocol),
        brief=_brief(courses),
        headlines=_headlines(courses),
        estimates=tuple(answers),
        exhibits=tuple(exhibits),
        denominators=" ".join(
            f"{capital(c.outcome.label)}: {plural(c.now.treated, 'zone')} in {c.now.span} against {count(c.before.treated)} in "
            f"{c.before.span}." for c in courses
        ),
        exclusions=tuple(
            f"{capital(c.outcome.label)}: {plural(c.young, 'zone')} treated up to {scope.label} "
            f"{'has' if c.young == 1 else 'have'} not reached day {count(maturity_days(c.outcome))}."
            for c in courses if c.young
        )
        + tuple(
            f"{capital(c.outcome.label)}, control chart: {plural(c.watched.left_out, 'session')} with a zone not known."
            for c in courses if c.watched.left_out
        ),
        methods=_methods(courses, protocol),
        caveats=(
            "A change may lie in who was treated, in how, in who came back, in what was written down, or in chance; only "
            "region and skin type are allowed for.",
            "Control charts look at sessions whose outcome is known. If those with trouble come to return more often, the chart "
            "rises without more trouble.",
            "Experience grows with the calendar: the two cannot be told apart here.",
        ),
        requests=_requests(courses),
    )  # fmt: skip


def _course(everybody: pd.DataFrame, cases: Cases, scope: Scope, outcome: Outcome, protocol: Protocol) -> _Course:
    start, end, label = newest_mature_quarter(outcome, scope.end, scope.as_of)
    first, last = quarter_start(*four_quarters_before(start)), start - timedelta(days=1)
    now = outcome_risk(treated_between(everybody, start, end), outcome, label, protocol)
    before = outcome_risk(treated_between(everybody, first, last), outcome, span_label(first, last), protocol)
    year_start = quarter_start(*_shifted(start, -3))
    twelve = outcome_risk(treated_between(everybody, year_start, end), outcome, span_label(year_start, end), protocol)
    reached = pd.Timestamp(scope.as_of - timedelta(days=maturity_days(outcome)))
    treated = everybody.loc[everybody["treated_on"] <= pd.Timestamp(scope.end)]
    term = f"{outcome.label}{by_day(outcome)}: {label} minus {before.span}"
    return _Course(
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


def _quarters(
    everybody: pd.DataFrame, course: _Course, scope: Scope, protocol: Protocol
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


def _new_devices(everybody: pd.DataFrame) -> dict[str, str]:
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


def _counts(risk: OutcomeRisk, protocol: Protocol) -> str:
    """Events of zones treated; small counts are held back from what leaves the clinic."""
    if not shows_small_counts(protocol) and (is_small(risk.events, protocol) or is_small(risk.treated, protocol)):
        return HELD_CELL
    return f"{count(risk.events)} / {count(risk.treated)}"


def _changes(courses: Sequence[_Course], protocol: Protocol) -> Forest:
    rows = [
        Row(
            f"{capital(c.outcome.label)}{by_day(c.outcome)}",
            c.adjusted,
            (
                f"{c.now.span}: {_counts(c.now, protocol)}",
                share_text(c.before.weighted.risk),
                share_text(c.twelve.weighted.risk),
                _points(c.raw),
            ),
        )
        for c in courses
    ]
    return Forest(
        title="Change of the newest quarter that has had its time against the four before it, at equal case-mix",
        headers=("", "events / treated", "four before, %", "last twelve months, %", "change not adjusted"),
        rows=tuple(rows),
        scale="difference",
        reference=0.0,
        note="Percentage points among zones whose outcome is known, at equal region and skin type; the other columns are risks "
        "among all treated. Below 0 is fewer.",
    )


def _points(answer: Answer) -> str:
    text = estimate_text(answer)
    return "cannot say" if isinstance(answer, NotEstimable) else text.replace(" points", "", 1).replace("95 % CI ", "")


def _timeline(
    course: _Course, quarters: Sequence[tuple[str, OutcomeRisk | None]], devices: dict[str, str], protocol: Protocol
) -> Timeline:
    labels = tuple(label for label, _ in quarters)
    answers: list[Answer] = []
    counts: list[str] = []
    for label, risk in quarters:
        if risk is None:
            answers.append(NotEstimable(label, "not yet mature", n=0, unit="proportion"))
            counts.append("")
        else:
            answers.append(risk.weighted.risk.named(label))
            counts.append(_counts(risk, protocol))
    pooled = course.before.weighted.risk
    return Timeline(
        title=f"{capital(course.outcome.label)} by quarter of treatment",
        y_label=f"{capital(course.outcome.label)}{by_day(course.outcome)}, of all treated (%)",
        labels=labels,
        answers=tuple(answers),
        counts=tuple(counts),
        immature=tuple(risk is None for _, risk in quarters),
        band=replace(pooled, term=course.before.span) if isinstance(pooled, Estimate) else None,
        marks=tuple((labels.index(quarter), words) for quarter, words in sorted(devices.items()) if quarter in labels),
        reading="Each mark is a quarter with its interval; below it, events of zones treated. The band is the four quarters "
        "that the newest one is compared with.",
        note="Intervals of neighbouring quarters overlap by chance alone more often than not; one mark outside the band is no trend.",
    )


def _chart(course: _Course, protocol: Protocol) -> Exhibit:
    watched, chart = course.watched, course.watched.chart
    assert chart is not None
    if watched.first_signals:
        where = listing([f"{direction} odds in {quarter}" for direction, quarter in watched.first_signals])
        claim = f"the chart signals {where}"
    else:
        claim = "no signal of a change"
    return replace(
        chart,
        title=f"{capital(course.outcome.label)}: {claim}",
        reading="Each session moves a line: an event more than expected away from 0, none back towards it. A line that reaches "
        "its limit signals and starts again.",
        note=f"Expected from the skin type, the zones and the region of each session, as in {watched.calibration}.",
    )


def _months(value: float) -> str:
    return quantity(float(round(value)) if value >= 10 else round(value, 1))


def _sentences(courses: Sequence[_Course], protocol: Protocol) -> tuple[str, ...]:
    says = []
    for c in courses:
        now, before = c.now, c.before
        if now.treated == 0 or before.treated == 0:
            says.append(f"{capital(c.outcome.label)}: no quarter to compare with.")
            continue
        at = f"at equal case-mix {estimate_text(c.adjusted)}"
        held = HELD_CELL in (_counts(now, protocol), _counts(before, protocol))
        counted = (
            f"{now.span} against {before.span}"
            if held
            else f"{of_total(now.events, now.treated)} zones in {now.span} against {of_total(before.events, before.treated)} in "
            f"{before.span}, at equal follow-up"
        )
        says.append(
            f"{capital(c.outcome.label)}{by_day(c.outcome)}: {counted}; change {at}; {count(c.young)} not yet mature."
        )
    charted = [c for c in courses if c.watched.chart is not None]
    for c in charted:
        if c.watched.first_signals:
            where = listing([f"{direction} odds in {quarter}" for direction, quarter in c.watched.first_signals])
            says.append(f"The control chart of {c.outcome.label} signals {where}.")
    quiet = [c.outcome.label for c in charted if not c.watched.first_signals]
    if quiet:
        says.append(f"No signal on the control {'chart' if len(quiet) == 1 else 'charts'} of {listing(quiet)}.")
    unset = [f"{c.outcome.label} ({c.watched.reason})" for c in courses if c.watched.chart is None]
    if unset:
        says.append(f"No control chart can be set for {listing(unset)}.")
    if charted:
        alarms = min(c.watched.months_to_false_alarm for c in charted)
        finds = max(c.watched.months_to_find for c in charted)
        says.append(
            f"If nothing changed, one side of one chart would signal once in {_months(alarms)} months or more on average, and of "
            f"the {number_word(2 * len(charted))} sides one in about {_months(alarms / (2 * len(charted)))} months or more; odds "
            f"{quantity(protocol.watch.odds_ratio)} times as high would be found after {_months(finds)} months at most on average."
        )
    return tuple(says)


def _apart(answer: Answer) -> bool:
    return isinstance(answer, Estimate) and (
        (answer.low is not None and answer.low > 0) or (answer.high is not None and answer.high < 0)
    )


def _brief(courses: Sequence[_Course]) -> str:
    """What moved, for the first page; silent where nothing did."""
    moved = [c.outcome.label for c in courses if _apart(c.adjusted)]
    signals = [c.outcome.label for c in courses if c.watched.first_signals]
    parts = []
    if moved:
        parts.append(f"at equal case-mix the newest mature quarter differs from the four before it in {listing(moved)}")
    if signals:
        parts.append(f"control charts signal for {listing(signals)}")
    return f"{capital('; '.join(parts))}." if parts else ""


def _headlines(courses: Sequence[_Course]) -> tuple[tuple[str, str], ...]:
    lines = []
    for c in courses:
        if c.watched.first_signals:
            direction, quarter = c.watched.first_signals[-1]
            lines.append(
                (
                    "described",
                    f"{capital(c.outcome.label)}: the control chart signals {direction} odds, last in {quarter}.",
                )
            )
    for c in courses:
        if _apart(c.adjusted):
            lines.append(
                ("described", f"{capital(c.outcome.label)}, {c.now.span} against {c.before.span} at equal case-mix: change "
                 f"{estimate_text(c.adjusted)}.")
            )  # fmt: skip
    if not lines and courses and any(isinstance(c.adjusted, Estimate) for c in courses):
        labels = listing([c.outcome.label for c in courses])
        lines.append(("not shown", f"No change over time is shown for {decapital(labels)}."))
    return tuple(lines)


def _requests(courses: Sequence[_Course]) -> tuple[str, ...]:
    found = [c.outcome.label for c in courses if any(d == "higher" for d, _ in c.watched.first_signals)]
    if not found:
        return ()
    return (
        f"Look for what changed when the control chart of {listing(found)} signalled, in this order: data, case-mix, equipment, "
        "process, person.",
    )


def _methods(courses: Sequence[_Course], protocol: Protocol) -> tuple[str, ...]:
    charted = [c for c in courses if c.watched.chart is not None]
    a_month = np.mean([c.watched.sessions_a_month for c in charted]) if charted else 0.0
    return (
        "By quarter: risk among all treated, as under Complications, each quarter given once it has had the outcome's window and "
        "30 days for a late visit.",
        "Change at equal case-mix: logistic regression with Firth's penalty on quarter, region and skin type, patient as cluster; "
        "difference of standardised risks by the delta method. Change not adjusted: Newcombe's hybrid limits on the two risks.",
        f"Control chart: risk-adjusted cumulative sum of log-likelihood ratios for odds {quantity(protocol.watch.odds_ratio)} "
        "times as high, and for odds as many times as low (Steiner and others, Biostatistics 2000;1:441–452). A case is a session "
        f"whose outcome is known; expected risks come from the first {number_word(CALIBRATION_QUARTERS)} quarters of the records "
        "alone. Limits are set by a Markov chain so that one side signals once in "
        f"{quantity(protocol.watch.months_between_false_alarms)} months if nothing changes"
        + (f", at about {count(round(float(a_month)))} sessions a month" if charted else "")
        + ", even if the expected odds are as far off as nine of ten such calibrations would be.",
    )
