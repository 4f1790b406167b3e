"""How wide is an interval about something that differs only between a few groups?"""

from __future__ import annotations

import math
from dataclasses import replace

from scipy import stats

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable


def on_few_groups(answer: Answer, groups: int, parameters: int) -> Answer:
    """Widen the interval of a ratio whose variable has one value in each group.

    The information about such a variable is that of the groups, however many records each holds: with G groups
    and k such variables the reference is t on G − 1 − k degrees of freedom in place of the normal. Each limit moves
    away from the estimate, on the log scale, by the ratio of the two quantiles. That allows for the number of groups; how
    much groups differ for reasons of their own is not in it, so that the interval is still the least that is honest.

    Parameters
    ----------
    answer : Estimate or NotEstimable
        A ratio with limits on a normal (or profile) reference.
    groups : int
        G.
    parameters : int
        k, variables of the model that have one value in each group; at least one.

    Returns
    -------
    Estimate or NotEstimable
        Without p value. NotEstimable with no degree of freedom left, or where a limit passes what can be printed.

    Raises
    ------
    ValueError
        If the answer is not a ratio, or there is no such variable.

    References
    ----------
    Donald SG, Lang K (2007) Inference with difference-in-differences and other panel data, Rev Econ Stat
    89:221-233, doi:10.1162/rest.89.2.221.

    Examples
    --------
    >>> seven = on_few_groups(Estimate("between", 2.0, 1.0, 4.0, "m", 900, unit="odds ratio"), groups=7, parameters=1)
    >>> round(seven.low, 2), round(seven.high, 2)
    (0.81, 4.96)
    """
    if not answer.unit.endswith("ratio"):
        raise ValueError("only the limits of a ratio are moved on the log scale")
    if parameters < 1:
        raise ValueError("at least one variable has one value in each group")
    if isinstance(answer, NotEstimable):
        return answer
    degrees = groups - 1 - parameters
    if degrees < 1:
        return _refused(answer, f"{groups} groups leave nothing to tell how sure it is from")
    tail = (1 - answer.level) / 2
    factor = float(stats.t.isf(tail, degrees) / stats.norm.isf(tail))
    log_limits = [
        None if limit is None or limit <= 0 else math.log(answer.value) + factor * math.log(limit / answer.value)
        for limit in (answer.low, answer.high)
    ]
    if all(limit is None for limit in log_limits) or any(
        limit is not None and abs(limit) > 700 for limit in log_limits
    ):
        return _refused(answer, "the groups are too few to bound it")
    low, high = (None if limit is None else math.exp(limit) for limit in log_limits)
    return replace(
        answer, low=low, high=high, p_value=None, p_adjusted=None, method=f"{answer.method}, t on {degrees} df"
    )


def _refused(answer: Estimate, reason: str) -> NotEstimable:
    return NotEstimable(
        answer.term,
        reason,
        n=answer.n,
        patients=answer.patients,
        events=answer.events,
        method=answer.method,
        unit=answer.unit,
    )
