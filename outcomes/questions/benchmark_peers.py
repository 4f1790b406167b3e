"""Who the peers are, whether they may be shown, and how roughly: what the personal report never gives away.

The reader knows his own numbers. Exact numbers of "all others" would give him those of any group that his
knowledge completes, most of all if he holds the reports of the others as well. So peers are pooled under the rule of
`disclosure.peers_reason`, named and counted nowhere, and every number that rests on them is rounded before it is an
answer: the files of the report hold no more digits than its pages.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd

from outcomes.errors import ReportError
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.protocol import Protocol
from outcomes.questions.disclosure import peers_reason
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.wording import count, frequency_cell, in_so_many, percent

ROUNDED = "rounded, as it rests on peers"
FEW = "below"
_COUNTED_IN = 50
_SMALLEST_SHARE = 0.005


def own_scope(cases: Cases, scope: Scope, practitioner: str) -> Scope:
    """The same scope for one practitioner's report.

    Raises
    ------
    ReportError
        If no accepted record is theirs; who is on record is not said.
    """
    if not bool((cases.zones["practitioner_id"].astype("string") == practitioner).any()):
        raise ReportError(
            "No accepted record carries the practitioner asked for.",
            "Check the spelling against the export; capitals and spaces count.",
        )
    return replace(scope, practitioner=practitioner)


def is_own(frame: pd.DataFrame, scope: Scope) -> pd.Series:
    """Which zones are the reader's own.

    Raises
    ------
    ReportError
        If the scope names no practitioner.
    """
    if scope.practitioner is None:
        raise ReportError(
            "A personal report was asked for without a practitioner.", "Name one, as the export spells it."
        )
    return (frame["practitioner_id"].astype("string") == scope.practitioner).fillna(False).astype(bool)


def why_no_peers(frame: pd.DataFrame, scope: Scope, protocol: Protocol) -> str:
    """Why the peers of these zones cannot be shown, as a sentence; empty where they can."""
    others = frame.loc[~is_own(frame, scope), "practitioner_id"].value_counts()
    return peers_reason([int(n) for n in others], protocol)


def clause(sentence: str) -> str:
    """The sentence as the reason of an answer that cannot be given."""
    return sentence[:1].lower() + sentence[1:].removesuffix(".")


def roughly(n: int) -> int:
    """A number of peers' records, to the nearest fifty.

    Examples
    --------
    >>> roughly(2112), roughly(30)
    (2100, 50)
    """
    return max(_COUNTED_IN, _COUNTED_IN * round(n / _COUNTED_IN))


def roughly_text(n: int) -> str:
    """The same in words.

    Examples
    --------
    >>> roughly_text(2112)
    'about 2,100'
    """
    return f"about {count(roughly(n))}"


def rough(answer: Answer, *, n: int | None = None) -> Answer:
    """The same answer with no more digits than are printed, its limits rounded outward and its counts left out.

    Shares to whole per cents, below 2 % to half ones; ratios to two figures; days and settings to tenths.

    Parameters
    ----------
    answer : Estimate or NotEstimable
    n : int or None
        Own records to print beside it; the peers' number to the nearest fifty when None.

    Examples
    --------
    >>> share = Estimate("a", value=0.0712, low=0.0641, high=0.0789, method="m", n=2112, unit="proportion")
    >>> rounded = rough(share)
    >>> rounded.value, rounded.low, rounded.high, rounded.n
    (0.07, 0.06, 0.08, 2100)
    """
    size = n if n is not None else None if answer.n is None else roughly(answer.n)
    if isinstance(answer, NotEstimable):
        return replace(answer, n=size, patients=None, events=None)
    step = _step(answer)
    if answer.unit == "proportion" and round(answer.value / step) == 0:
        most = "" if answer.high is None else f"; up to {percent(_up(answer.high, step) or step)} compatible"
        reason = f"{FEW} {percent(step)}, given no closer as it rests on peers{most}"
        return NotEstimable(answer.term, reason, n=size, method=answer.method, unit=answer.unit)
    low, high = _down(answer.low, step), _up(answer.high, step)
    value = step * round(answer.value / step)
    value = _clean(value, step)
    return Estimate(
        answer.term,
        value,
        None if low is None else min(low, value),
        None if high is None else max(high, value),
        answer.method,
        size if size is not None else 0,
        level=answer.level,
        unit=answer.unit,
        note=ROUNDED,
    )


def rough_cell(answer: Answer) -> str:
    """A rounded share as a natural frequency for a cell; a dash where peers are not shown."""
    if isinstance(answer, Estimate):
        return frequency_cell(answer)
    return f"under {in_so_many(_SMALLEST_SHARE, 1000)}" if answer.reason.startswith(FEW) else "–"


def _step(answer: Estimate) -> float:
    """To what an answer is rounded."""
    if answer.unit == "proportion":
        return 0.01 if answer.value >= 0.02 else _SMALLEST_SHARE
    if answer.unit == "difference in proportion":
        return 0.01
    if answer.unit.endswith("ratio"):
        return float(10.0 ** (math.floor(math.log10(answer.value)) - 1))
    return 0.1


def _down(limit: float | None, step: float) -> float | None:
    return None if limit is None else _clean(math.floor(limit / step + 1e-9) * step, step)


def _up(limit: float | None, step: float) -> float | None:
    return None if limit is None else _clean(math.ceil(limit / step - 1e-9) * step, step)


def _clean(value: float, step: float) -> float:
    """Without the dust of floating-point steps."""
    return round(value, max(0, 2 - math.floor(math.log10(step)))) + 0.0
