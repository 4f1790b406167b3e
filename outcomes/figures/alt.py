"""What a figure shows, in words made from its numbers, for readers who do not see it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from outcomes import wording
from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.findings import Bars, Curve, Curves, Cusum, Exhibit, Forest, Funnel, FunnelPoint, Grid, Response, Timeline


def value_at(days: Sequence[float], values: Sequence[float | None], day: float) -> float | None:
    """Value of a curve on a day, on the straight line between the given days; None outside them.

    Examples
    --------
    >>> value_at((0.0, 5.0, 9.0), (1.0, 0.6, 0.2), 7.0)
    0.4
    """
    for when, value in zip(days, values, strict=True):
        if when == day:
            return value
    for (before, low), (after, high) in pairwise(zip(days, values, strict=True)):
        if before < day < after:
            if low is None or high is None:
                return None
            return low + (high - low) * (day - before) / (after - before)
    return None


def _sentence(text: str) -> str:
    text = text.strip()
    return text if not text or text[-1] in ".!?" else text + "."


def _share(value: float, low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return f"{wording.percent(value)} (no limits)"
    limits = f"{wording.percent(low, sign=False)} to {wording.percent(high, sign=False)}"
    return f"{wording.percent(value)} ({limits})"


def _curve_line(curve: Curve, ticks: Sequence[float]) -> str:
    parts: list[str] = []
    for tick in ticks:
        value = value_at(curve.days, curve.value, tick)
        if value is not None:
            limits = value_at(curve.days, curve.low, tick), value_at(curve.days, curve.high, tick)
            parts.append(f"day {wording.quantity(tick)} {_share(value, *limits)}")
    size = f"{wording.plural(curve.n, 'zone')} of {wording.plural(curve.patients, 'patient')}"
    risk = ", ".join(wording.count_or_dash(n) for n in curve.at_risk)
    return f"{curve.label}, {size}: {'; '.join(parts)}; still observed {risk}."


def curves_text(exhibit: Curves) -> str:
    """Words for curves: each line at each tick, with its limits and how many were still observed."""
    if not exhibit.curves:
        return _sentence(f"{exhibit.title}: no curve can be drawn. {exhibit.note}")
    lines = " ".join(_curve_line(curve, exhibit.ticks) for curve in exhibit.curves)
    number = wording.plural(len(exhibit.curves), "line")
    return f"Curves, {number}: {exhibit.y_label} by {wording.decapital(exhibit.x_label)}. {lines}"


def funnel_value(point: FunnelPoint, value: float) -> str:
    """A value of a funnel in the words of its unit."""
    unit = point.answer.unit
    if unit == "proportion":
        return wording.percent(value)
    return wording.value_text(value, unit)


def _funnel_point(point: FunnelPoint) -> str:
    if isinstance(point.answer, NotEstimable):
        return f"{point.label}: {wording.estimate_text(point.answer)}, not drawn."
    size = wording.quantity(point.size)
    return f"{point.label}: {wording.estimate_text(point.answer)} on {size}, {point.verdict}."


def funnel_text(exhibit: Funnel) -> str:
    """Words for a funnel: the centre, then each point with its interval, size and verdict."""
    if not exhibit.points:
        return _sentence(f"{exhibit.title}: there is no point to draw. {exhibit.note}")
    centre = funnel_value(exhibit.points[0], exhibit.centre)
    limits = wording.listing([name for name, _, _ in exhibit.limits])
    points = " ".join(_funnel_point(point) for point in exhibit.points)
    return (
        f"Funnel plot: {exhibit.y_label} against {wording.decapital(exhibit.x_label)}, "
        f"{wording.plural(len(exhibit.points), 'point')}, limits of {limits} around {centre}. {points}"
    )


def response_text(exhibit: Response) -> str:
    """Words for a response curve: its ends and middle with limits, and where the records lie."""
    if not exhibit.x:
        return _sentence(f"{exhibit.title}: no curve can be drawn. {exhibit.note}")
    places = sorted({0, len(exhibit.x) // 2, len(exhibit.x) - 1})
    parts = [
        f"at {wording.quantity(exhibit.x[i])} {_share(exhibit.value[i], exhibit.low[i], exhibit.high[i])}"
        for i in places
    ]
    bins = [
        f"{wording.quantity(start)} to {wording.quantity(stop)}: {wording.plural(zones, 'zone')} of "
        f"{wording.plural(patients, 'patient')}"
        for start, stop, zones, patients in zip(
            exhibit.histogram_edges[:-1],
            exhibit.histogram_edges[1:],
            exhibit.histogram_zones,
            exhibit.histogram_patients,
            strict=True,
        )
    ]
    return (
        f"Curve with ribbon: {exhibit.y_label} by {wording.decapital(exhibit.x_label)}: {'; '.join(parts)}. "
        f"{wording.plural(exhibit.n, 'zone')} of {wording.plural(exhibit.patients, 'patient')}, "
        f"{wording.plural(exhibit.events, 'event')}. Support below: {'; '.join(bins)}."
    )


def bars_text(exhibit: Bars) -> str:
    """Words for bars: each label with its number."""
    if not exhibit.labels:
        return _sentence(f"{exhibit.title}: there is no bar to draw. {exhibit.note}")
    pairs = zip(exhibit.labels, exhibit.texts, strict=True)
    return "Horizontal bars: " + "; ".join(f"{label}, {text}" for label, text in pairs) + "."


def timeline_text(exhibit: Timeline) -> str:
    """Words for a timeline: each span with its value, limits and counts, and what it stands beside."""
    parts = []
    for label, answer, counts, young in zip(
        exhibit.labels, exhibit.answers, exhibit.counts, exhibit.immature, strict=True
    ):
        said = "not yet mature" if young else wording.estimate_text(answer)
        parts.append(f"{label}: {said}" + (f", {counts}" if counts else ""))
    beside = f" Across: {exhibit.band.term} {wording.estimate_text(exhibit.band)}." if exhibit.band else ""
    marks = "".join(f" Before {exhibit.labels[place]}: {words}." for place, words in exhibit.marks)
    return f"Timeline, {exhibit.y_label}: {'; '.join(parts)}.{beside}{marks}"


def cusum_text(exhibit: Cusum) -> str:
    """Words for a cumulative-sum chart: how many cases, where it signalled, where both paths end."""
    said = []
    for direction, marks in (("higher", exhibit.signals_up), ("lower", exhibit.signals_down)):
        where = wording.listing([wording.count(i + 1) for i in marks])
        number = wording.plural(len(marks), f"signal of {direction} odds", f"signals of {direction} odds")
        said.append(f"{number}, at case {where}" if marks else f"no signal of {direction} odds")
    ends = f"{wording.decimal(exhibit.up[-1], 1)} and {wording.decimal(exhibit.down[-1], 1)}"
    limits = f"{wording.decimal(exhibit.limit_up, 1)} and {wording.decimal(exhibit.limit_down, 1)}"
    return (
        f"Cumulative-sum chart over {wording.plural(len(exhibit.up), 'case')} in order of treatment, limits {limits}: "
        f"{'; '.join(said)}; the paths end at {ends}."
    )


def alt_text(exhibit: Exhibit) -> str:
    """What a drawn exhibit shows, in words.

    Raises
    ------
    TypeError
        For a table: its text is its cells.
    """
    if isinstance(exhibit, Curves):
        return curves_text(exhibit)
    if isinstance(exhibit, Funnel):
        return funnel_text(exhibit)
    if isinstance(exhibit, Response):
        return response_text(exhibit)
    if isinstance(exhibit, Bars):
        return bars_text(exhibit)
    if isinstance(exhibit, Timeline):
        return timeline_text(exhibit)
    if isinstance(exhibit, Cusum):
        return cusum_text(exhibit)
    raise TypeError(f"{type(exhibit).__name__} is a table and speaks by its cells")


def is_empty(exhibit: Exhibit) -> bool:
    """Whether there is nothing to draw, so that the reason stands in its place."""
    if isinstance(exhibit, Forest | Grid):
        return not exhibit.rows
    if isinstance(exhibit, Curves):
        return not any(curve.days for curve in exhibit.curves)
    if isinstance(exhibit, Funnel):
        return not any(isinstance(point.answer, Estimate) for point in exhibit.points)
    if isinstance(exhibit, Response):
        return len(exhibit.x) < 2
    if isinstance(exhibit, Timeline):
        answered = zip(exhibit.answers, exhibit.immature, strict=True)
        return not any(isinstance(answer, Estimate) and not young for answer, young in answered)
    if isinstance(exhibit, Cusum):
        return not exhibit.up
    return not exhibit.labels
