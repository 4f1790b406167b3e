"""Has anything changed in your own course? A control chart of your sessions against the clinic's first year."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from outcomes.findings import Cusum, Exhibit, Finding
from outcomes.protocol import Protocol
from outcomes.questions.benchmark_peers import clause, is_own, why_no_peers
from outcomes.questions.cusum import CALIBRATION_QUARTERS, Watched, sessions_in_order, watch
from outcomes.questions.disclosure import Sum
from outcomes.questions.disclosure_rows import held_rows
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope, quarter_of, quarter_start
from outcomes.records.vocabulary import Outcome
from outcomes.wording import capital, decimal, listing, plural, quantity


def own_course(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Has anything changed in your own course?

    The first judged outcome, session by session, against what the clinic's first year, all practitioners together, would
    predict for the same case-mix. A practitioner's own first year is no yardstick: it holds few events, and those who had
    many by chance would be charted and seem to improve. A chart shows each event, so that it is held back where the
    reader's events are few or would give a colleague's away.
    """
    outcome = protocol.outcome(protocol.judged[0])
    reason = _why_held(cases, scope, outcome, protocol)
    watched = Watched(outcome, None, reason) if reason else _watch(cases, scope, outcome, protocol)
    chart = _titled(watched, protocol)
    says = _sentences(watched, protocol)
    return Finding(
        key="own_course",
        title="Your course over time",
        asks=f"Does your course of {outcome.label} depart from what the clinic's first year would predict for your patients?",
        says=says,
        headlines=(("described", says[0]),) if watched.first_signals else (),
        exhibits=() if chart is None else (chart,),
        denominators=""
        if watched.chart is None
        else f"{plural(watched.chart.n, 'session')} of "
        f"{plural(watched.chart.patients, 'patient')} of yours after the clinic's first year.",
        methods=(
            "Risk-adjusted cumulative sum over your own sessions in order of treatment, for a change of the odds by a factor of "
            f"{quantity(protocol.watch.odds_ratio)}, calibrated on the clinic's first four quarters (Steiner and others, "
            "Biostatistics 2000;1:441–452). The limits are set so that the charts of all practitioners together raise no more "
            "false alarms on a side than the protocol allows one chart. Heights are rounded, as they rest on peers.",
        ),
        caveats=(
            "A signal says that chance alone would rarely do this; it does not say why. Look at data, case-mix and equipment "
            "first. A level of your own that differs from the clinic's from the start will signal as a change would.",
        ),
    )


def _watch(cases: Cases, scope: Scope, outcome: Outcome, protocol: Protocol) -> Watched:
    """The chart of everybody's first four quarters and only the reader's sessions after them, at the reader's own pace."""
    sessions, _ = sessions_in_order(cases, scope, outcome)
    own = cases.where(lambda zones: is_own(zones, scope), "own")
    mine, _ = sessions_in_order(own, scope, outcome)
    if sessions.empty or mine.empty:
        return Watched(outcome, None, "no session of yours has had its time")
    year, number = quarter_of(sessions["treated_on"].iloc[0].date())
    turn = pd.Timestamp(quarter_start(year, number + CALIBRATION_QUARTERS))
    base = cases.zones.loc[cases.zones["treated_on"] < turn]
    if reason := why_no_peers(base, scope, protocol):
        return Watched(outcome, None, clause(reason))
    early = int((sessions["treated_on"] < turn).sum())
    pace = int((mine["treated_on"] < turn).sum()) / early if early else 0.0
    if not pace:
        return Watched(outcome, None, "none of your sessions lies in the clinic's first four quarters")
    # as many charts as practitioners: the protocol's pace of false alarms is that of all of them together
    months = protocol.watch.months_between_false_alarms * int(cases.zones["practitioner_id"].nunique())
    own_pace = replace(protocol, watch=replace(protocol.watch, months_between_false_alarms=months * pace))
    both = cases.where(lambda zones: is_own(zones, scope) | (zones["treated_on"] < turn), "first year, then own")
    watched = watch(both, scope, outcome, own_pace)
    return replace(
        watched,
        months_to_false_alarm=watched.months_to_false_alarm / pace,
        months_to_find=watched.months_to_find / pace,
    )


def _why_held(cases: Cases, scope: Scope, outcome: Outcome, protocol: Protocol) -> str:
    """Why the reader's chart is held back; empty where it may be shown."""
    people = sorted(str(who) for who in cases.zones["practitioner_id"].unique())
    frames = [sessions_in_order(_of(cases, who), scope, outcome)[0] for who in people]
    back = held_rows(
        [int(frame["event"].sum()) if len(frame) else 0 for frame in frames],
        [[len(frame) for frame in frames]],
        [Sum(tuple(range(len(people))))],
        protocol,
        noun="sessions",
    )
    return back.reasons.get(people.index(str(scope.practitioner)), "")


def _of(cases: Cases, who: str) -> Cases:
    return cases.where(lambda zones: zones["practitioner_id"].astype("string") == who, "one practitioner")


def _titled(watched: Watched, protocol: Protocol) -> Exhibit | None:
    chart = watched.chart
    if not isinstance(chart, Cusum):
        return None
    crossed = [f"{direction} odds in {quarter}" for direction, quarter in watched.first_signals]
    claim = f"a signal for {listing(crossed)}" if crossed else "no signal"
    return replace(
        chart,
        up=tuple(round(v, 2) for v in chart.up),
        down=tuple(round(v, 2) for v in chart.down),
        limit_up=round(chart.limit_up, 2),
        limit_down=round(chart.limit_down, 2),
        title=f"{capital(watched.outcome.label)}, your sessions: {claim}",
        reading="Each session moves the lines by how far its outcome lies from what the clinic's first year would predict; a "
        "line that reaches its limit signals and starts again.",
        note=f"If nothing changed, one side would raise a false alarm about every "
        f"{decimal(watched.months_to_false_alarm / 12, 0)} years; odds changed by a factor of {quantity(protocol.watch.odds_ratio)} "
        f"would be found after about {decimal(watched.months_to_find, 0)} months.",
    )


def _sentences(watched: Watched, protocol: Protocol) -> tuple[str, ...]:
    label = watched.outcome.label
    if watched.chart is None:
        return (f"Your course of {label} cannot be charted: {watched.reason}.",)
    if not watched.first_signals:
        return (
            f"Over {plural(watched.chart.n, 'session')} of yours after the clinic's first year ({watched.calibration}), the "
            f"chart gives no signal that your odds of {label} changed by a factor of {quantity(protocol.watch.odds_ratio)}.",
        )
    found = [f"{direction} odds in {quarter}" for direction, quarter in watched.first_signals]
    return (
        f"Against the clinic's first year ({watched.calibration}), the chart of your {label} signals {listing(found)}.",
    )
