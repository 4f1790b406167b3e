"""One criterion, one quarter: on whom, the share, the verdict by its own rule; and the quarter before beside it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache

import pandas as pd

from outcomes.estimates.difference import difference
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.proportion import clustered_proportion
from outcomes.protocol import Criterion, Protocol
from outcomes.protocol.criteria import OUTCOME_MEASURES
from outcomes.questions.criteria_measures import Assessed, assess
from outcomes.questions.criteria_shares import due_day, healed_share, risk_of_any
from outcomes.questions.criteria_units import as_known_on, units
from outcomes.questions.disclosure import held, reason_to_hold
from outcomes.questions.follow_up import newest_quarter_aged
from outcomes.questions.population import treated_between
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope, quarter_of, quarter_start
from outcomes.wording import plural

_SLACK = 1e-12


@dataclass(frozen=True, slots=True)
class Judgement:
    """One criterion over one quarter.

    Attributes
    ----------
    criterion : Criterion
    quarter : str
        The quarter judged, as printed.
    first, last : date
        Its first and last day.
    applies : int
        Zones, sessions or events that it applies to.
    counted : int
        Those that entered the share.
    fitting : int
        Of these, those recorded as meeting it (as having the complication, for ``outcome``).
    left_out : tuple of (int, str)
        How many did not enter, and why.
    answer : Estimate or NotEstimable
        The share with its interval.
    verdict : str
        ``met``, ``not met``, ``not shown`` or ``cannot say``.
    """

    criterion: Criterion
    quarter: str
    first: date
    last: date
    applies: int
    counted: int
    fitting: int
    left_out: tuple[tuple[int, str], ...]
    answer: Answer
    verdict: str

    @property
    def failures(self) -> int:
        """How many counted records do not meet it."""
        return self.counted - self.fitting


@dataclass(frozen=True, slots=True)
class Judged:
    """A criterion now and in the quarter before, as that was known at the same age.

    Attributes
    ----------
    now, before : Judgement
    change : Estimate or NotEstimable
        Share now minus share before.
    not_taken_back : int
        Zones of the quarter before whose later follow-up could not be taken away for the comparison.
    """

    now: Judgement
    before: Judgement
    change: Answer
    not_taken_back: int


def verdict_by_interval(criterion: Criterion, answer: Answer) -> str:
    """Met or not met where the whole interval lies on one side of the target; each wrong in (1 − level)/2 at most.

    Examples
    --------
    >>> from outcomes.estimates.proportion import proportion
    >>> pain = Criterion("pain", "Pain", "at_most", 0.8, rule="interval")
    >>> [verdict_by_interval(pain, proportion(k, 100)) for k in (90, 80, 70)]
    ['met', 'not shown', 'not met']
    """
    if isinstance(answer, NotEstimable):
        return "cannot say"
    above = answer.low is not None and answer.low >= criterion.target
    below = answer.high is not None and answer.high <= criterion.target
    if criterion.direction == "at least":
        beyond = answer.high is not None and answer.high < criterion.target
        return "met" if above else "not met" if beyond else "not shown"
    beyond = answer.low is not None and answer.low > criterion.target
    return "met" if below else "not met" if beyond else "not shown"


def verdict_by_count(criterion: Criterion, fitting: int, counted: int) -> str:
    """Met or not met by the count alone: every record is in, and none is a sample of others."""
    if counted == 0:
        return "cannot say"
    share = fitting / counted
    if criterion.direction == "at least":
        return "met" if share >= criterion.target - _SLACK else "not met"
    return "met" if share <= criterion.target + _SLACK else "not met"


def first_due(criterion: Criterion, protocol: Protocol) -> int:
    """Days after treatment on which a criterion has had its time."""
    outcomes = [protocol.outcome(name) for name in criterion.outcomes]
    return due_day(criterion.measure, criterion.due_day, criterion.by_day, criterion.within_days, outcomes)


def judge(criterion: Criterion, cases: Cases, quarter: str, first: date, last: date, protocol: Protocol) -> Judgement:
    """Judge one criterion on the records of a quarter, as they were known."""
    term = f"{criterion.title}, {quarter}"
    result = Judgement(
        criterion, quarter, first, last, 0, 0, 0, (), NotEstimable(term, "no cases", n=0, unit="proportion"), ""
    )
    if criterion.measure == "outcome":
        result = _of_an_outcome(result, cases, term, protocol)
    elif criterion.measure == "healed_by":
        result = _of_healing(result, cases, term, protocol)
    else:
        result = _counted(result, assess(criterion, cases, first, last, protocol), term, protocol)
    if criterion.rule == "census" and not (isinstance(result.answer, NotEstimable) and not result.counted):
        return replace(result, verdict=verdict_by_count(criterion, result.fitting, result.counted))
    return replace(result, verdict=verdict_by_interval(criterion, result.answer))


def _counted(result: Judgement, found: Assessed, term: str, protocol: Protocol) -> Judgement:
    result = replace(result, applies=len(found.met), left_out=found.left_out)
    n = int(found.told.sum())
    if found.absent or n == 0:
        noun = _noun(result.criterion)
        reason = found.absent or (
            f"none of {plural(len(found.met), noun)} can be told"
            if len(found.met)
            else f"no {noun} to which it applies"
        )
        return replace(
            result, answer=NotEstimable(term, reason, n=0, patients=len(set(found.patient)), unit="proportion")
        )
    answer = clustered_proportion(found.met[found.told], found.patient[found.told], term=term, level=protocol.level)
    return replace(result, counted=n, fitting=int(found.met[found.told].sum()), answer=answer)


def _of_an_outcome(result: Judgement, cases: Cases, term: str, protocol: Protocol) -> Judgement:
    criterion = result.criterion
    frame = units(criterion, cases, result.first, result.last)
    if all(bool(cases.zones[name].isna().all()) for name in criterion.outcomes):
        reason = "no record says whether it occurred"
        answer: Answer = NotEstimable(term, reason, n=len(frame), unit="proportion")
        return replace(result, applies=len(frame), answer=answer)
    risk = risk_of_any(frame, criterion.outcomes, result.quarter, protocol)
    unknown = risk.treated - risk.known
    left = ((unknown, "not known, weighted for"),) if unknown else ()
    answer = risk.weighted.risk.named(term)
    if isinstance(answer, NotEstimable):
        return replace(result, applies=risk.treated, fitting=risk.events, left_out=left, answer=answer)
    return replace(
        result, applies=risk.treated, counted=risk.treated, fitting=risk.events, left_out=left, answer=answer
    )


def _of_healing(result: Judgement, cases: Cases, term: str, protocol: Protocol) -> Judgement:
    frame = units(result.criterion, cases, result.first, result.last)
    if bool(cases.zones["healed_after_day"].isna().all()):
        answer: Answer = NotEstimable(term, "no record says when zones had healed", n=len(frame), unit="proportion")
        return replace(result, applies=len(frame), answer=answer)
    assessed = frame.loc[frame["healed_after_day"].notna()]
    day = result.criterion.by_day or 0
    answer = healed_share(assessed, day, term, protocol)
    gone = len(frame) - len(assessed)
    return replace(
        result,
        applies=len(frame),
        counted=len(assessed),
        fitting=int((assessed["healed_by_day"] <= day).fillna(False).sum()),
        left_out=((gone, "never assessed"),) if gone else (),
        answer=answer,
    )


def judge_all(cases: Cases, scope: Scope, protocol: Protocol) -> tuple[Judged, ...]:
    """Every criterion of the protocol: the newest quarter that has had its time, beside the quarter before it.

    The quarter before is judged on contacts made by the day on which its last zone was as old as the last zone of the
    newer quarter is now: later follow-up would flatter or burden the older one.
    """

    @cache
    def known(day: date) -> Cases:
        return as_known_on(cases, day)

    judged = []
    seen = frozenset(cases.visits["record_id"])
    for criterion in protocol.criteria:
        first, last, quarter = newest_quarter_aged(first_due(criterion, protocol), scope.end, scope.as_of)
        year, number = quarter_of(first)
        start, end = quarter_start(year, number - 1), first - timedelta(days=1)
        earlier = known(end + (scope.as_of - last))
        now = judge(criterion, known(scope.as_of), quarter, first, last, protocol)
        then = judge(criterion, earlier, _name(start), start, end, protocol)
        judged.append(Judged(now, then, _change(now, then), _not_taken_back(cases.zones, seen, start, end)))
    return tuple(judged)


def printable(judged: Sequence[Judged], protocol: Protocol) -> tuple[Judged, ...]:
    """The same criteria without the numbers that rest on a few patients' outcomes within a part of the clinic.

    An outcome criterion on some zones only is a breakdown: with 1 to 4 events its share is held back from a committee, its
    verdict is not. Process criteria count what the clinic did, and are printed.
    """
    shown = []
    for j in judged:
        criterion = j.now.criterion
        part = bool(criterion.where or criterion.where_any)
        if criterion.measure not in OUTCOME_MEASURES or not part:
            shown.append(j)
            continue
        reasons = [reason_to_hold(each.answer, protocol) for each in (j.now, j.before)]
        now, before = (
            replace(each, answer=held(each.answer, reason, n=each.counted)) if reason else each
            for each, reason in zip((j.now, j.before), reasons, strict=True)
        )
        hidden = next((reason for reason in reasons if reason), "")
        change = held(j.change, hidden, n=j.change.n) if hidden else j.change
        shown.append(replace(j, now=now, before=before, change=change))
    return tuple(shown)


def _not_taken_back(zones: pd.DataFrame, seen: Collection[str], start: date, end: date) -> int:
    """Zones of a quarter with follow-up on their own row and no dated contact behind it."""
    zones = treated_between(zones[["record_id", "treated_on", "last_seen_day"]], start, end)
    without = ~zones["record_id"].isin(seen).to_numpy(dtype=bool)
    return int((without & zones["last_seen_day"].notna().to_numpy(dtype=bool)).sum())


def _change(now: Judgement, before: Judgement) -> Answer:
    term = f"{now.criterion.title}: {now.quarter} minus {before.quarter}"
    if isinstance(now.answer, Estimate) and isinstance(before.answer, Estimate):
        return difference(now.answer, before.answer, term=term)
    which = now if isinstance(now.answer, NotEstimable) else before
    return NotEstimable(
        term, f"{which.quarter} cannot be said", n=now.counted + before.counted, unit="difference in proportion"
    )


def _name(start: date) -> str:
    year, number = quarter_of(start)
    return f"{year}Q{number}"


def _noun(criterion: Criterion) -> str:
    return "event" if criterion.measure == "severe_reviewed" else criterion.unit
