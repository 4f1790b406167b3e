"""Where a forest's marks lie: an axis that fits the rows, round ticks, arrow heads beyond its ends."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from outcomes import wording
from outcomes.estimates.estimate import Answer, Estimate

_MOST_TICKS = 6
_FARTHEST_RATIO = 64.0
_LONG_RATIO = 150.0
_RATIO_TICKS = tuple(
    digit * 10.0**power for power in range(-4, 5) for digit in (1.0, 2.0, 5.0)
)  # fmt: skip
_FINE_RATIO_TICKS = (0.25, 0.33, 0.5, 0.67, 0.8, 1.0, 1.25, 1.5, 2.0, 3.0, 4.0)


@dataclass(frozen=True, slots=True)
class Mark:
    """Where one interval lies on its axis, as shares of the axis length.

    Attributes
    ----------
    at : float or None
        The estimate; None when it lies beyond an end.
    low, high : float
        Ends of the drawn line.
    arrow_low, arrow_high : bool
        Whether the interval runs on beyond that end.
    """

    at: float | None
    low: float
    high: float
    arrow_low: bool
    arrow_high: bool


@dataclass(frozen=True, slots=True)
class Axis:
    """An axis in the unit of the estimates.

    Attributes
    ----------
    low, high : float
        Its ends.
    log : bool
        Whether distances are ratios.
    ticks : tuple of float
    texts : tuple of str
        What stands at the ticks.
    """

    low: float
    high: float
    log: bool
    ticks: tuple[float, ...]
    texts: tuple[str, ...]

    def share(self, value: float) -> float:
        """Where a value lies, 0 at the low end and 1 at the high end; beyond them outside of 0 to 1."""
        if self.log:
            if value <= 0:
                return -math.inf
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def mark(self, answer: Answer) -> Mark | None:
        """Where an answer lies; None for "cannot say"."""
        if not isinstance(answer, Estimate):
            return None
        at = self.share(answer.value)
        low = -math.inf if answer.low is None else self.share(answer.low)
        high = math.inf if answer.high is None else self.share(answer.high)
        slack = 1e-9
        return Mark(
            at=at if -slack <= at <= 1 + slack else None,
            low=min(1.0, max(0.0, low)),
            high=max(0.0, min(1.0, high)),
            arrow_low=low < -slack,
            arrow_high=high > 1 + slack,
        )


def _reach(estimates: Sequence[float], limits: Sequence[float], reference: float | None, slack: float = 0.0) -> float:
    """How far up an axis must go: every estimate, and the limits unless a few would squeeze the rest."""
    inner = max([*estimates, *([reference] if reference is not None else [])])
    if not limits:
        return inner
    outer = max(limits)
    few = max(1, len(limits) // 10) if len(limits) > 2 else 0
    usual = sorted(limits)[-1 - few]
    return max(inner, outer if outer <= max(1.6 * usual, 1.6 * inner, usual + slack) else usual)


def _round_ticks(low: float, high: float) -> tuple[float, ...]:
    """Round ticks that enclose low to high, the fewest that leave at most `_MOST_TICKS`."""
    span = high - low
    power = math.floor(math.log10(span)) - 2
    while True:
        for digit in (1.0, 2.0, 2.5, 5.0):
            step = digit * 10.0**power
            first = math.floor(low / step + 1e-9)
            last = math.ceil(high / step - 1e-9)
            if last - first + 1 <= _MOST_TICKS:
                return tuple(round(i * step, 12) for i in range(first, last + 1))
        power += 1


def _linear(answers: Sequence[Estimate], scale: str, reference: float | None) -> Axis:
    estimates = [a.value for a in answers]
    lows = [a.low for a in answers if a.low is not None]
    highs = [a.high for a in answers if a.high is not None]
    top = _reach(estimates, highs, reference)
    floor = reference if scale == "difference" else None
    bottom = -_reach([-v for v in estimates], [-v for v in lows], None if floor is None else -floor)
    if scale == "proportion":
        bottom = 0.0 if bottom < 0.5 * top or bottom < 0.3 else bottom
        if top > 0.8:
            top = max(top, 1.0)
    if scale == "days" and bottom < 0.6 * top:
        bottom = 0.0
    if not top > bottom:
        top = bottom + (abs(bottom) or 1.0)
    ticks = _round_ticks(bottom, top)
    if scale == "proportion":
        ticks = tuple(t for t in ticks if 0 <= t <= 1)
    return Axis(ticks[0], ticks[-1], False, ticks, _tick_texts(ticks, answers[0].unit))


def _tick_texts(ticks: Sequence[float], unit: str) -> tuple[str, ...]:
    """Ticks with as many decimals as tell them apart."""
    scale = 100 if unit in ("proportion", "difference in proportion") else 1
    step = scale * (ticks[1] - ticks[0])
    places = next((p for p in range(12) if abs(round(step, p) - step) < 1e-6 * step), 12)
    return tuple(wording.decimal(scale * tick, places) for tick in ticks)


def _ratio(answers: Sequence[Estimate], reference: float | None) -> Axis:
    logs = [math.log(a.value) for a in answers if a.value > 0] or [0.0]
    line = math.log(reference) if reference else 0.0
    highs = [math.log(a.high) for a in answers if a.high]
    lows = [-math.log(a.low) for a in answers if a.low]
    farthest = math.log(_FARTHEST_RATIO)
    top = math.exp(min(_reach([abs(v) for v in logs if v > 0] or [0.0], highs, line, math.log(2.5)), farthest))
    bottom = math.exp(-min(_reach([-v for v in logs if v < 0] or [0.0], lows, -line, math.log(2.5)), farthest))
    top, bottom = max(top, 1.25), min(bottom, 0.8)
    fine = bottom >= _FINE_RATIO_TICKS[0] and top <= _FINE_RATIO_TICKS[-1] and top / bottom < 7
    candidates = _FINE_RATIO_TICKS if fine else _RATIO_TICKS
    below = [t for t in candidates if t <= bottom * 1.0001]
    above = [t for t in candidates if t >= top * 0.9999]
    low, high = (below[-1] if below else candidates[0]), (above[0] if above else candidates[-1])
    inside = [t for t in candidates if low <= t <= high]
    ticks = _thinned(inside)
    return Axis(low, high, True, ticks, tuple(wording.quantity(t) for t in ticks))


def _thinned(ticks: Sequence[float]) -> tuple[float, ...]:
    """Ticks of a log axis few enough and far enough apart to be read: powers of ten alone on a long one."""
    width = math.log(ticks[-1] / ticks[0])
    if width > math.log(_LONG_RATIO):
        return tuple(t for t in ticks if math.isclose(math.log10(t), round(math.log10(t)), abs_tol=1e-9))
    kept: list[float] = []
    for tick in sorted(ticks, key=lambda t: (abs(math.log(t)), t)):
        if all(abs(math.log(tick / k)) > 0.12 * width for k in kept):
            kept.append(tick)
    return tuple(sorted(kept))


def axis_for(answers: Sequence[Answer], scale: str, reference: float | None = None) -> Axis | None:
    """Choose an axis for the rows of a forest.

    Parameters
    ----------
    answers : sequence of Estimate or NotEstimable
    scale : str
        ``proportion``, ``ratio`` (log axis), ``days`` or ``difference``.
    reference : float or None
        A value that must lie on the axis.

    Returns
    -------
    Axis or None
        None when no row has a number.

    Examples
    --------
    >>> answer = Estimate("a", value=1.4, low=1.1, high=1.8, method="m", n=9, unit="odds ratio")
    >>> axis_for([answer], "ratio", 1.0).texts
    ('0.8', '1', '1.25', '1.5', '2')
    """
    numbers = [a for a in answers if isinstance(a, Estimate)]
    if not numbers:
        return None
    if scale == "ratio":
        return _ratio(numbers, reference)
    return _linear(numbers, scale, reference)
