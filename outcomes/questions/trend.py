"""Are complications becoming more or less frequent, at equal follow-up and equal case-mix?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.findings import Cusum, Exhibit, Finding, Forest, Row, Timeline
from outcomes.protocol import Protocol
from outcomes.questions.cusum import CALIBRATION_QUARTERS
from outcomes.questions.disclosure import HELD_CELL, is_small, shows_small_counts
from outcomes.questions.follow_up import maturity_days
from outcomes.questions.outcome_risk import (
    OutcomeRisk,
    by_day,
)
from outcomes.questions.population import everyone
from outcomes.questions.trend_course import Course, by_quarter, course_of, new_devices
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.wording import (
    capital,
    cell_text,
    count,
    decapital,
    estimate_text,
    listing,
    number_word,
    of_total,
    plural,
    quantity,
)


def trend(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Are complications becoming more or less frequent, at equal follow-up and equal case-mix?

    Quarters are compared once each has had the outcome's whole window and the days for a late visit; younger ones are
    named and not given. Control charts look at every session in order and do not wait for a quarter to end.
    """
    everybody = everyone(cases).frame
    courses = [course_of(everybody, cases, scope, protocol.outcome(name), protocol) for name in protocol.modelled]
    devices = new_devices(everybody)
    exhibits: list[Exhibit] = [_changes(courses, protocol)]
    shown = max(courses, key=lambda c: c.twelve.events, default=None)
    quarters = () if shown is None else by_quarter(everybody, shown, scope, protocol)
    if shown is not None:
        exhibits.append(_timeline(shown, quarters, devices, protocol))
    exhibits += [
        _chart(c, chart)
        for c in courses
        if (chart := c.watched.chart) is not None and (c is shown or c.watched.first_signals)
    ]
    answers: list[Answer] = []
    if shown is not None:
        answers += [r.weighted.risk.named(f"{shown.outcome.label}, {name}") for name, r in quarters if r is not None]
    for c in courses:
        answers += [
            c.twelve.weighted.risk.named(f"{c.outcome.label}, twelve months {c.twelve.span}"),
            c.before.weighted.risk.named(f"{c.outcome.label}, four quarters before, {c.before.span}"),
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
            "Experience grows with the calendar and is not allowed for here; it has a section of its own.",
        ),
        requests=_requests(courses),
    )  # fmt: skip


def _counts(risk: OutcomeRisk, protocol: Protocol) -> str:
    """Events of zones treated; small counts are held back from what leaves the clinic."""
    if not shows_small_counts(protocol) and (is_small(risk.events, protocol) or is_small(risk.treated, protocol)):
        return HELD_CELL
    return f"{count(risk.events)} / {count(risk.treated)}"


def _changes(courses: Sequence[Course], protocol: Protocol) -> Forest:
    rows = [
        Row(
            f"{capital(c.outcome.label)}{by_day(c.outcome)}",
            c.adjusted,
            (
                f"{c.now.span}: {_counts(c.now, protocol)}",
                cell_text(c.before.weighted.risk),
                cell_text(c.twelve.weighted.risk),
                cell_text(c.raw),
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


def _timeline(
    course: Course, quarters: Sequence[tuple[str, OutcomeRisk | None]], devices: dict[str, str], protocol: Protocol
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


def _chart(course: Course, chart: Cusum) -> Exhibit:
    watched = course.watched
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


def _sentences(courses: Sequence[Course], protocol: Protocol) -> tuple[str, ...]:
    says = []
    for c in courses:
        now, before = c.now, c.before
        if now.treated == 0 or before.treated == 0:
            says.append(f"{capital(c.outcome.label)}: no quarter to compare with.")
            continue
        if not now.known and not before.known:
            says.append(f"{capital(c.outcome.label)}{by_day(c.outcome)}: cannot be said, no zone's outcome is known.")
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
        promised = protocol.watch.months_between_false_alarms
        exact = min(c.watched.months_to_false_alarm for c in charted)
        finds = max(c.watched.months_to_find for c in charted)
        sides = number_word(2 * len(charted))
        says.append(
            f"If nothing changed, each of the {sides} sides of these charts would signal by chance once in {_months(promised)} "
            f"months or more on average, one of the {sides} in {_months(promised / (2 * len(charted)))} or more; that holds for nine "
            f"calibrations in ten, and with expected risks exactly right it is once in {_months(exact)} for each side. Odds "
            f"multiplied or divided by {quantity(protocol.watch.odds_ratio)} would be found after {_months(finds)} months at most "
            "on average."
        )
    return tuple(says)


def _apart(answer: Answer) -> bool:
    return isinstance(answer, Estimate) and (
        (answer.low is not None and answer.low > 0) or (answer.high is not None and answer.high < 0)
    )


def _brief(courses: Sequence[Course]) -> str:
    """What moved, for the first page; silent where nothing did."""
    moved = [c.outcome.label for c in courses if _apart(c.adjusted)]
    signals = [c.outcome.label for c in courses if c.watched.first_signals]
    parts = []
    if moved:
        parts.append(f"at equal case-mix the newest mature quarter differs from the four before it in {listing(moved)}")
    if signals:
        parts.append(f"control charts signal for {listing(signals)}")
    return f"{capital('; '.join(parts))}." if parts else ""


def _headlines(courses: Sequence[Course]) -> tuple[tuple[str, str], ...]:
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
        lines.append(
            (
                "not shown",
                f"No change at equal case-mix against the four quarters before is shown for {decapital(labels)}.",
            )
        )
    return tuple(lines)


def _requests(courses: Sequence[Course]) -> tuple[str, ...]:
    found = [c.outcome.label for c in courses if any(d == "higher" for d, _ in c.watched.first_signals)]
    if not found:
        return ()
    return (
        f"Look for what changed when the control chart of {listing(found)} signalled, in this order: data, case-mix, equipment, "
        "process, person.",
    )


def _methods(courses: Sequence[Course], protocol: Protocol) -> tuple[str, ...]:
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
