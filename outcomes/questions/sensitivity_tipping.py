"""How much higher would the risk among those not seen have to be for a standard to be passed?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.protocol import Criterion, Protocol
from outcomes.questions.criteria_judge import first_due, verdict_by_interval
from outcomes.questions.criteria_shares import risk_of_any
from outcomes.questions.criteria_units import units
from outcomes.questions.disclosure import held, reason_to_hold
from outcomes.questions.follow_up import newest_quarter_aged
from outcomes.questions.outcome_risk import OutcomeRisk
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.wording import count, plural, ratio

METHOD = "tipping point: the risk of zones not known against that of zones known and like them"


@dataclass(frozen=True, slots=True)
class Tipping:
    """One outcome criterion, and what the zones not known would have to hold to turn it.

    Attributes
    ----------
    criterion : Criterion
    quarter : str
    treated, unknown : int
    risk : Estimate or NotEstimable
        Among all treated.
    verdict : str
        By that interval.
    times : Estimate or NotEstimable
        How many times as high as among zones known and like them the risk among zones not known would have to be for
        the target to be reached; its limits are where the interval's limits reach it.
    """

    criterion: Criterion
    quarter: str
    treated: int
    unknown: int
    risk: Answer
    verdict: str
    times: Answer

    @property
    def words(self) -> str:
        """What would turn the verdict, as a clause."""
        if isinstance(self.times, NotEstimable):
            return f"cannot say: {self.times.reason}"
        low, high = self.times.low, self.times.high
        if self.verdict == "met":
            return f"met while it is up to {ratio(low)} times as high" if low is not None else "met"
        if self.verdict == "not met":
            return f"not met unless it is under {ratio(high)} times as high" if high is not None else "not met"
        beyond = f"not met from {ratio(high)} times on" if high is not None else "never not met"
        return f"met under {ratio(low)} times, {beyond}" if low else beyond


def tipping_points(cases: Cases, scope: Scope, protocol: Protocol) -> tuple[Tipping, ...]:
    """The tipping point of each criterion on a complication, in the newest quarter that has had its time."""
    found = []
    for criterion in protocol.criteria:
        if criterion.measure != "outcome" or criterion.direction != "at most":
            continue
        first, last, quarter = newest_quarter_aged(first_due(criterion, protocol), scope.end, scope.as_of)
        frame = units(criterion, cases, first, last)
        risk = risk_of_any(frame, criterion.outcomes, quarter, protocol)
        answer = risk.weighted.risk.named(f"{criterion.title}, {quarter}: risk among all treated")
        times = times_as_high(risk, criterion.target, f"{criterion.title}, {quarter}: tipping point")
        verdict = verdict_by_interval(criterion, answer)
        reason = reason_to_hold(answer, protocol) if criterion.where or criterion.where_any else ""
        if reason:
            answer, times = held(answer, reason), held(times, reason)
        found.append(Tipping(criterion, quarter, risk.treated, risk.treated - risk.known, answer, verdict, times))
    return tuple(found)


def times_as_high(risk: OutcomeRisk, target: float, term: str) -> Answer:
    """How many times as high as taken the risk among the unknown would have to be for the target to be reached.

    With k events recorded among n treated and a weighted risk R, the zones not known are taken to hold
    ``u = n R − k`` events. At ρ times that, the risk is ``(k + ρ u) / n``; its limits move in proportion. It reaches the
    target t at ``ρ = (t n − k) / u``, and its limit L at ``ρ = (t n R / L − k) / u``.

    Returns
    -------
    Estimate or NotEstimable
        A limit is left open where fewer than none or more than all of the zones not known would have to have it.
        NotEstimable where all are known, where no event is taken to be among the unknown, and where the target is passed or out of
        reach whatever they hold.
    """
    n, events, unknown = risk.treated, risk.events, risk.treated - risk.known
    whole = risk.weighted.risk

    def cannot(reason: str) -> NotEstimable:
        return NotEstimable(term, reason, n=n, patients=risk.patients, events=events, method=METHOD, unit="risk ratio")

    if isinstance(whole, NotEstimable):
        return cannot(whole.reason)
    if unknown == 0:
        return cannot("the outcome of every zone is known")
    if events > target * n:
        return cannot("the events recorded pass the target, whatever the zones not known hold")
    if events + unknown < target * n:
        return cannot(f"the target would not be reached if all {plural(unknown, 'zone')} not known had it")
    taken = n * whole.value - events
    if taken <= 1e-9 * n:
        most = target * n - events
        return cannot(
            f"none is taken to be among them; the target is reached with {count(max(1, math.ceil(most - 1e-9)))} of them"
        )

    def at(limit: float | None) -> float | None:
        if limit is None or limit <= 0:
            return None
        times = (target * n * whole.value / limit - events) / taken
        return times if 0 < times * taken <= unknown else None

    value, low, high = (target * n - events) / taken, at(whole.high), at(whole.low)
    if low is None and high is None:
        return cannot("no share of the zones not known would bring a limit of the interval to the target")
    return Estimate(
        term, value, low, high, METHOD, n, level=whole.level, unit="risk ratio", patients=risk.patients, events=events
    )
