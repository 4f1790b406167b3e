"""How many more cases would settle what is not shown, and by when?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from outcomes.estimates.estimate import Answer, Estimate
from outcomes.findings import Finding, Forest, Grid, Row
from outcomes.protocol import Protocol
from outcomes.questions.criteria_judge import Judged, first_due, printable
from outcomes.questions.criteria_units import units
from outcomes.questions.planning_sizes import Needed, day_reached, needed_for_ratio, needed_for_share
from outcomes.questions.population import treated_between
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope, quarter_of, quarter_start
from outcomes.wording import capital, count, decapital, estimate_text, listing, number_word, plural

COMPARED = {"settings_and_risk": "Settings", "practitioners": "Practitioners"}
"""Findings whose comparisons are planned for, by the verdicts in their tables."""
_NOT_SHOWN = ("not shown", "within limits")
MONTHS_OF_VOLUME = 12
MONTHS_OF_A_QUARTER = 3
_MOST_ROWS = 14


@dataclass(frozen=True, slots=True)
class Plan:
    """One thing that is not shown.

    Attributes
    ----------
    group : str
        Where it comes from.
    label : str
    answer : Estimate
        As it stands now.
    needed : Needed
    day : date or None
        When that many more could be judged; None beyond five years, or where no number would do.
    noun : str
        What is counted.
    """

    group: str
    label: str
    answer: Estimate
    needed: Needed
    day: date | None
    noun: str


def planning(
    findings: Sequence[Finding], judged: Sequence[Judged], cases: Cases, scope: Scope, protocol: Protocol
) -> Finding:
    """How many more cases would settle what is not shown, and by when at the clinic's volume?

    Nothing is fitted anew: each answer is taken as it stands in the findings.

    Parameters
    ----------
    findings : sequence of Finding
        Those already made; *settings and risk* and *practitioners* are looked at.
    judged : sequence of Judged
        The criteria, as `criteria_judge.judge_all` gives them.
    """
    judged = printable(judged, protocol)
    plans = [*_of_criteria(judged, cases, scope, protocol), *_of_comparisons(findings, cases, scope)]
    settled = [plan for plan in plans if plan.day is not None]
    never = [plan for plan in plans if plan.day is None]
    shown = _shown(plans)
    return Finding(
        key="planning",
        title="Planning",
        asks="How many more cases would settle what this audit could not show, and by when at the clinic's volume?",
        says=_sentences(settled, never),
        brief="",
        estimates=_estimates(plans),
        exhibits=(_grid(shown, len(plans) - len(shown)),) if shown else (),
        denominators=_volume_said(cases, scope),
        exclusions=_without_number(findings, judged),
        methods=(
            "Were the present estimate true and the records of a patient as alike as they are, its interval would narrow with "
            "the square root of the number of records. Half the audits: the number at which the interval, moved by nothing, "
            "just leaves out the target or 1; about half of such audits would be settled by then. Four in five: for shares, "
            "the number from which on exact limits lie on one side with a chance of 80 % (A'Hern, Stat Med 2001;20:859–866); "
            "for ratios, the normal approximation with 80 % power. Clustering and follow-up enter by the width of the interval "
            "as it stands; ratios keep the present adjustment for the number of comparisons.",
            f"By: the quarter in which that many more (half the audits) would have had their time, at the volume of the "
            f"{number_word(MONTHS_OF_VOLUME)} months up to the period's end. A criterion would have to be judged on all its "
            "quarters together from the one judged here.",
        ),
        caveats=(
            "The estimate will not stay as it is: the numbers say how large a question is and are no promise. The nearer an "
            "estimate lies to its target, or a ratio to 1, the larger and the less certain they are.",
            "A difference too small to matter needs no more cases: whether one matters is for the committee to say.",
        ),
    )


def _of_criteria(judged: Sequence[Judged], cases: Cases, scope: Scope, protocol: Protocol) -> list[Plan]:
    plans = []
    first = _a_year_before(scope.end)
    for now in (j.now for j in judged):
        if now.verdict != "not shown" or not isinstance(now.answer, Estimate):
            continue
        needed = needed_for_share(now.answer, now.criterion.target)
        if now.criterion.measure == "severe_reviewed":
            a_month, noun = now.counted / MONTHS_OF_A_QUARTER, "event"
        else:
            treated = len(units(now.criterion, cases, first, scope.end)) / MONTHS_OF_VOLUME
            a_month, noun = treated * now.counted / max(now.applies, 1), now.criterion.unit
        day = day_reached(needed.more, a_month, now.last, first_due(now.criterion, protocol), scope.as_of)
        plans.append(Plan("Standards", now.criterion.title, now.answer, needed, day, noun))
    return plans


def _of_comparisons(findings: Sequence[Finding], cases: Cases, scope: Scope) -> list[Plan]:
    """Ratios in tables with verdicts. All the records of a comparison grow as the clinic's zones do."""
    zones = cases.zones
    so_far = len(treated_between(zones, date(1900, 1, 1), scope.end))
    a_month = len(treated_between(zones, _a_year_before(scope.end), scope.end)) / MONTHS_OF_VOLUME
    plans = []
    for finding in findings:
        if finding.key not in COMPARED:
            continue
        for row in _rows_not_shown(finding):
            if not isinstance(row.answer, Estimate):
                continue
            needed = needed_for_ratio(row.answer)
            if needed.more == 0:  # its interval is narrow enough: it is not shown for another reason
                continue
            share = row.answer.n / so_far if so_far else 0.0
            day = day_reached(needed.more, a_month * share, scope.end, 0, scope.as_of)
            where = decapital(row.group.split(":")[0])
            label = f"{row.label}, {where}" if where else row.label
            plans.append(Plan(COMPARED[finding.key], label, row.answer, needed, day, "zone"))
    return plans


def _rows_not_shown(finding: Finding) -> list[Row]:
    return [
        row
        for exhibit in finding.exhibits
        if isinstance(exhibit, Forest) and exhibit.scale == "ratio"
        for row in exhibit.rows
        if row.verdict in _NOT_SHOWN
    ]


def _shown(plans: Sequence[Plan]) -> list[Plan]:
    """All criteria, and the comparisons that would be settled first; in the order of the groups."""
    groups = ["Standards", *COMPARED.values()]
    criteria = [plan for plan in plans if plan.group == "Standards"]
    rest = sorted((p for p in plans if p.group != "Standards" and p.day), key=lambda p: (p.day, p.label))
    kept = [*criteria, *rest[: max(0, _MOST_ROWS - len(criteria))]]
    return sorted(kept, key=lambda plan: groups.index(plan.group))


def _grid(plans: Sequence[Plan], others: int) -> Grid:
    rows = tuple(
        (
            plan.label,
            estimate_text(plan.answer),
            count(plan.needed.n),
            _number(plan.needed.more),
            _number(plan.needed.more_likely),
            _by(plan),
        )
        for plan in plans
    )
    note = "Zones or sessions; a criterion's are those of the quarter it was judged on."
    if others:
        note += f" Not listed: {plural(others, 'further comparison')}, settled later still or not within five years."
    return Grid(
        title="How many more cases would settle it, were the present estimate true",
        detail=True,
        headers=("Not shown", "now", "cases so far", "more, half the audits", "more, four in five", "by"),
        rows=rows,
        groups=tuple(plan.group for plan in plans),
        number_columns=(2, 3, 4, 5),
        note=note,
    )


def _number(more: int | None) -> str:
    return "over a million" if more is None else count(more)


def _by(plan: Plan) -> str:
    if plan.day is None:
        return "not within five years"
    year, number = quarter_of(plan.day)
    return f"{year}Q{number}"


def _sentences(settled: Sequence[Plan], never: Sequence[Plan]) -> tuple[str, ...]:
    total = len(settled) + len(never)
    if not total:
        return ("Nothing was left as not shown with a number to plan from.",)
    says = []
    for group in ("Standards", *COMPARED.values()):
        mine = [plan for plan in settled if plan.group == group]
        others = sum(plan.group == group for plan in never)
        if not mine and not others:
            continue
        one = len(mine) + others == 1
        what = (
            ("criterion" if one else "criteria")
            if group == "Standards"
            else (f"{'comparison' if one else 'comparisons'} of {decapital(group)}")
        )
        line = (
            f"Of {number_word(len(mine) + others)} {what} not shown, {number_word(len(mine))} "
            f"{'has' if len(mine) < 2 else 'have'} an even chance of being settled within five years at the present volume, "
            "were the estimate true"
        )
        first = sorted(mine, key=lambda plan: (plan.day, plan.label))[:2]
        if first:
            line += "; soonest " + listing(
                [f"{decapital(p.label)} ({plural(p.needed.more or 0, f'more {p.noun}')}, by {_by(p)})" for p in first]
            )
        says.append(f"{line}.")
    return tuple(says)


def _estimates(plans: Sequence[Plan]) -> tuple[Answer, ...]:
    named: dict[str, Answer] = {}
    for plan in plans:
        term = f"{plan.group}: {plan.label}"
        named.setdefault(term, plan.answer.named(term))
    return tuple(named.values())


def _volume_said(cases: Cases, scope: Scope) -> str:
    zones = treated_between(cases.zones, _a_year_before(scope.end), scope.end)
    a_month = round(len(zones) / MONTHS_OF_VOLUME)
    return (
        f"Volume: {plural(len(zones), 'zone')} of {plural(int(zones['session_id'].nunique()), 'session')} in the "
        f"{number_word(MONTHS_OF_VOLUME)} months up to the end of {scope.label}, about {count(a_month)} zones a month."
    )


def _without_number(findings: Sequence[Finding], judged: Sequence[Judged]) -> tuple[str, ...]:
    lines = []
    unsaid = sum(j.now.verdict == "cannot say" for j in judged)
    if unsaid:
        lines.append(
            f"{capital(number_word(unsaid))} of the criteria cannot be said at all, so that no number follows."
        )
    rows = sum(
        row.verdict in ("cannot say", "too few to judge")
        for finding in findings
        if finding.key in COMPARED
        for exhibit in finding.exhibits
        if isinstance(exhibit, Forest)
        for row in exhibit.rows
    )
    if rows:
        lines.append(f"{capital(plural(rows, 'comparison'))} without an estimate to plan from.")
    wide_enough = sum(
        isinstance(row.answer, Estimate) and needed_for_ratio(row.answer).more == 0
        for finding in findings
        if finding.key in COMPARED
        for row in _rows_not_shown(finding)
    )
    if wide_enough:
        lines.append(
            f"{capital(plural(wide_enough, 'comparison'))} not shown for another reason than the number of cases: more of them "
            "would not settle it."
        )
    return tuple(lines)


def _a_year_before(end: date) -> date:
    """First day of the four quarters that end on a day."""
    year, number = quarter_of(end + timedelta(days=1))
    return quarter_start(year, number - 4)
