"""The numbers behind a figure as a small worded table, for readers who want them or cannot see the figure."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes import wording
from outcomes.estimates.estimate import Answer, NotEstimable
from outcomes.figures.alt import value_at
from outcomes.findings import Bars, Curves, Cusum, Exhibit, Funnel, Response, Timeline

Table = tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]

_MOST_POINTS = 25


def _share(value: float | None) -> str:
    return "–" if value is None else wording.percent(value, sign=False)


def _answer(answer: Answer) -> tuple[str, str]:
    """An answer as two cells: the value, and its limits or the reason there is none."""
    if isinstance(answer, NotEstimable):
        return "cannot say", answer.reason
    return wording.value_text(answer.value, answer.unit), wording.interval(answer)


def _curves(exhibit: Curves) -> Table:
    rows = []
    for curve in exhibit.curves:
        for tick, observed in zip(exhibit.ticks, curve.at_risk, strict=True):
            limits = value_at(curve.days, curve.low, tick), value_at(curve.days, curve.high, tick)
            value = value_at(curve.days, curve.value, tick)
            cells = (_share(value), *(_share(limit) for limit in limits))
            rows.append((curve.label, wording.quantity(tick), *cells, wording.count_or_dash(observed)))
    return ("Line", exhibit.x_label, exhibit.y_label, "Lower limit", "Upper limit", "Still observed"), tuple(rows)


def _funnel(exhibit: Funnel) -> Table:
    rows = [(p.label, wording.quantity(p.size), *_answer(p.answer), p.verdict) for p in exhibit.points]
    return ("", exhibit.x_label, exhibit.y_label, "Interval", "Verdict"), tuple(rows)


def _response(exhibit: Response) -> Table:
    rows = []
    for i in _spaced(len(exhibit.x)):
        shares = (_share(v[i]) for v in (exhibit.value, exhibit.low, exhibit.high))
        rows.append((wording.quantity(exhibit.x[i]), *shares))
    return (exhibit.x_label, exhibit.y_label, "Lower limit", "Upper limit"), tuple(rows)


def _timeline(exhibit: Timeline) -> Table:
    rows = []
    for label, answer, counts, young in zip(
        exhibit.labels, exhibit.answers, exhibit.counts, exhibit.immature, strict=True
    ):
        value, limits = ("not yet mature", "") if young else _answer(answer)
        rows.append((label, value, limits, counts))
    return ("Span", exhibit.y_label, "Interval", "Counts"), tuple(rows)


def _cusum(exhibit: Cusum) -> Table:
    """Both paths at the last case of each quarter, and at every signal."""
    ends = {start - 1 for start, _ in exhibit.ticks if start > 0} | {len(exhibit.up) - 1}
    signals = {*exhibit.signals_up, *exhibit.signals_down}
    rows = []
    for i in sorted(ends | signals):
        said = "signal: higher" if i in exhibit.signals_up else "signal: lower" if i in exhibit.signals_down else ""
        rows.append(
            (wording.count(i + 1), wording.decimal(exhibit.up[i], 2), wording.decimal(exhibit.down[i], 2), said)
        )
    return ("Case", "Path for higher odds", "Path for lower odds", ""), tuple(rows)


def _spaced(n: int) -> Sequence[int]:
    """Positions spread evenly over n points, both ends among them."""
    if n <= _MOST_POINTS:
        return range(n)
    return sorted({round(i * (n - 1) / (_MOST_POINTS - 1)) for i in range(_MOST_POINTS)})


def figure_numbers(exhibit: Exhibit) -> Table:
    """Heads and rows of the table behind a drawn exhibit.

    Raises
    ------
    TypeError
        For a shape that is a table itself.
    """
    if isinstance(exhibit, Curves):
        return _curves(exhibit)
    if isinstance(exhibit, Funnel):
        return _funnel(exhibit)
    if isinstance(exhibit, Response):
        return _response(exhibit)
    if isinstance(exhibit, Timeline):
        return _timeline(exhibit)
    if isinstance(exhibit, Cusum):
        return _cusum(exhibit)
    if isinstance(exhibit, Bars):
        return ("", ""), tuple(zip(exhibit.labels, exhibit.texts, strict=True))
    raise TypeError(f"{type(exhibit).__name__} is a table itself")
