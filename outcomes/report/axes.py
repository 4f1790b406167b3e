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
_NEAREST_RATIOS = (0.8, 1.25)
_WORTH_LENGTHENING = 0.25
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


def _usual(limits: Sequence[float], slack: float) -> float:
    """How far limits usually go: a tenth beyond the 90th percentile, or to the last one where that is near."""
    ordered = sorted(limits)
    if len(ordered) < 3:
        return ordered[-1]
    usual = ordered[math.floor(0.9 * (len(ordered) - 1))]
    return min(ordered[-1], max(usual + 0.1 * abs(usual), usual + slack))


def _ends(
    estimates: Sequence[float], lows: Sequence[float], highs: Sequence[float], slack: float = 0.0
) -> tuple[float, float]:
    """Ends that hold every estimate and the limits, except those that would squeeze the other rows."""
    top = max([*estimates, *([_usual(highs, slack)] if highs else [])])
    bottom = min([*estimates, *([-_usual([-v for v in lows], slack)] if lows else [])])
    return _widened(bottom, top, lows, highs)


def _widened(bottom: float, top: float, lows: Sequence[float], highs: Sequence[float]) -> tuple[float, float]:
    """Ends moved out to every limit that an axis a quarter longer would hold: only what is far off is cut."""
    while True:
        room = _WORTH_LENGTHENING * (top - bottom)
        slack = 1e-8 * (top - bottom)  # ticks are rounded: a limit on the last one lies on the axis
        higher = [v for v in highs if top + slack < v <= top + room]
        lower = [v for v in lows if bottom - room <= v < bottom - slack]
        if not higher and not lower:
            return bottom, top
        top, bottom = max([top, *higher]), min([bottom, *lower])


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
    held = [a.value for a in answers] + ([reference] if reference is not None else [])
    lows = [a.low for a in answers if a.low is not None]
    highs = [a.high for a in answers if a.high is not None]
    if scale == "proportion":
        lows, highs = [max(0.0, v) for v in lows], [min(1.0, v) for v in highs]
    bottom, top = _ends(held, lows, highs)
    while True:
        if scale == "proportion":
            bottom = 0.0 if bottom < 0.5 * top or bottom < 0.3 else bottom
            if top > 0.8:
                top = max(top, 1.0)
        if scale == "days" and 0 <= bottom < 0.6 * top:
            bottom = 0.0
        if not top > bottom:
            top = bottom + (abs(bottom) or 1.0)
        ticks = _round_ticks(bottom, top)
        if scale == "proportion":
            ticks = tuple(t for t in ticks if 0 <= t <= 1)
        wider = _widened(ticks[0], ticks[-1], lows, highs)
        if wider == (ticks[0], ticks[-1]):
            return Axis(ticks[0], ticks[-1], False, ticks, _tick_texts(ticks, answers[0].unit))
        bottom, top = wider


def _tick_texts(ticks: Sequence[float], unit: str) -> tuple[str, ...]:
    """Ticks with as many decimals as tell them apart."""
    scale = 100 if unit in ("proportion", "difference in proportion") else 1
    step = scale * (ticks[1] - ticks[0])
    places = next((p for p in range(12) if abs(round(step, p) - step) < 1e-6 * step), 12)
    return tuple(wording.decimal(scale * tick, places) for tick in ticks)


def _ratio(answers: Sequence[Estimate], reference: float | None) -> Axis:
    farthest = math.log(_FARTHEST_RATIO)
    held = [math.log(a.value) for a in answers if a.value > 0]
    held.append(math.log(reference) if reference else 0.0)
    highs = [math.log(a.high) for a in answers if a.high]
    lows = [math.log(a.low) for a in answers if a.low]
    bottom, top = _ends(held, lows, highs, math.log(2.5))
    while True:
        ends = (
            min(math.exp(max(bottom, -farthest)), _NEAREST_RATIOS[0]),
            max(math.exp(min(top, farthest)), _NEAREST_RATIOS[1]),
        )
        candidates = _ratio_ticks(*ends)
        low = max((t for t in candidates if t <= ends[0] * (1 + 1e-9)), default=candidates[0])
        high = min((t for t in candidates if t >= ends[1] * (1 - 1e-9)), default=candidates[-1])
        reach = (math.log(low), math.log(high))
        # what lies beyond the farthest ends is cut, however near it is to them
        wider = [v for v in lows if v >= -farthest], [v for v in highs if v <= farthest]
        bottom, top = _widened(*reach, *wider)
        if (bottom, top) == reach:
            ticks = _thinned([t for t in candidates if low <= t <= high])
            return Axis(low, high, True, ticks, tuple(wording.quantity(t) for t in ticks))


def _ratio_ticks(low: float, high: float) -> tuple[float, ...]:
    fine = low >= _FINE_RATIO_TICKS[0] and high <= _FINE_RATIO_TICKS[-1] and high / low < 7
    return _FINE_RATIO_TICKS if fine else _RATIO_TICKS


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
