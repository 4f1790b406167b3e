"""Practitioners against limits that narrow with size; a verdict is a shape, its colour only repeats it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes

from outcomes import wording
from outcomes.estimates.estimate import Estimate
from outcomes.figures import house
from outcomes.figures.alt import funnel_value
from outcomes.findings import Funnel, FunnelPoint

_PLOT_MM = 62.0
_LEFT_MM, _RIGHT_MM, _BELOW_MM = 13.0, 21.0, 11.0
_MOST_LABELLED = 16


@dataclass(frozen=True, slots=True)
class _Place:
    point: FunnelPoint
    x: float
    y: float


def _scale(exhibit: Funnel) -> float:
    """100 where values are proportions, drawn in %; 1 where they are ratios."""
    units = {point.answer.unit for point in exhibit.points}
    return 100.0 if units <= {"proportion", ""} else 1.0


def _places(exhibit: Funnel, scale: float) -> list[_Place]:
    return [
        _Place(point, point.size, scale * point.answer.value)
        for point in exhibit.points
        if isinstance(point.answer, Estimate)
    ]


def _mark(place: _Place, centre: float) -> dict[str, Any]:
    """Marker of a verdict: open circle, open or filled triangle pointing away from the centre, bar."""
    pointing = "^" if place.y >= centre else "v"
    looks: dict[str, dict[str, Any]] = {
        "within limits": {"marker": "o", "s": 19, "facecolor": "white", "edgecolor": house.PINE, "linewidth": 1.0},
        "outside 95 %": {
            "marker": pointing, "s": 32, "facecolor": "white", "edgecolor": house.CLAY, "linewidth": 1.1,
        },
        "outside 99.8 %": {
            "marker": pointing, "s": 36, "facecolor": house.CLAY, "edgecolor": house.CLAY, "linewidth": 0.8,
        },
    }  # fmt: skip
    return looks.get(place.point.verdict, {"marker": "_", "s": 34, "facecolor": house.MID, "linewidth": 1.6})


def _label(axes: Axes, place: _Place, others: list[_Place], across: float, up: float) -> None:
    near_right = any(
        other is not place and 0 <= (other.x - place.x) / across < 0.10 and abs(other.y - place.y) / up < 0.045
        for other in others
    )
    left = near_right or place.x > 0.97 * across
    axes.annotate(
        house.shortened(place.point.label, 14), (place.x, place.y), xytext=(-4.5 if left else 4.5, 1.5),
        textcoords="offset points", ha="right" if left else "left", va="bottom", fontsize=house.SMALL,
        fontweight=600 if place.point.verdict.startswith("outside") else 400,
        color=house.CLAY if place.point.verdict.startswith("outside") else house.INK, zorder=5,
    )  # fmt: skip


def _limit_labels(axes: Axes, exhibit: Funnel, scale: float, up: float) -> None:
    """Name each limit at its right end, names kept apart."""
    named = [(scale * exhibit.centre, f"all: {funnel_value(exhibit.points[0], exhibit.centre)}", house.INK)]
    for name, low, high in exhibit.limits:
        named.append((scale * high[-1], f"{name} limit", house.MID))
        if low[-1] > 0.02 * up / scale:
            named.append((scale * low[-1], f"{name} limit", house.MID))
    last = -1e9
    for y, text, colour in sorted(named):
        y_text = max(min(y, up), last + 0.052 * up)
        last = y_text
        axes.annotate(
            text, xy=(1, y_text), xycoords=("axes fraction", "data"), xytext=(4, 0),
            textcoords="offset points", ha="left", va="center", fontsize=house.SMALL, color=colour,
            annotation_clip=False,
        )  # fmt: skip


def draw(exhibit: Funnel) -> str:
    """Return the SVG of a funnel."""
    with house.house_style():
        scale = _scale(exhibit)
        places = _places(exhibit, scale)
        height = 8.0 + _PLOT_MM + _BELOW_MM
        figure = house.sheet(height)
        width = house.TEXT_MM - _LEFT_MM - _RIGHT_MM
        axes = house.panel(figure, _LEFT_MM, _BELOW_MM, width, _PLOT_MM)
        ends = [scale * high[len(high) // 4] for _, _, high in exhibit.limits if high]
        tallest = max([scale * exhibit.centre * 1.2, *(1.08 * p.y for p in places), *(1.02 * e for e in ends)])
        ticks = house.steps_to(min(tallest, 100.0) if scale == 100.0 else tallest)
        across = max([*exhibit.sizes, *(p.x for p in places)])
        sizes = tuple(size for size in house.steps_to(across) if size <= across)
        up = ticks[-1]
        for (_, low, high), dash, shade in zip(
            exhibit.limits, ((0, (5, 1.8)), (0, (1.2, 1.5))), (True, False), strict=False
        ):
            below, above = [scale * v for v in low], [min(scale * v, up) for v in high]
            if shade:
                axes.fill_between(exhibit.sizes, below, above, color=house.REED, alpha=0.16, linewidth=0)
            for line in ([scale * v for v in low], [scale * v for v in high]):
                axes.plot(exhibit.sizes, line, color=house.MID, linewidth=0.8, linestyle=dash)
        axes.axhline(scale * exhibit.centre, color=house.INK, linewidth=0.9)
        for place in places:
            axes.scatter([place.x], [place.y], zorder=4, clip_on=False, **_mark(place, scale * exhibit.centre))
        flagged = [p for p in places if p.point.verdict.startswith("outside")]
        for place in places if len(places) <= _MOST_LABELLED else flagged:
            _label(axes, place, places, across, up)
        axes.set_xlim(0, across)
        axes.set_ylim(0, up)
        axes.set_xticks(list(sizes), [wording.quantity(size) for size in sizes])
        axes.set_yticks(list(ticks), [wording.quantity(tick) for tick in ticks])
        house.frame_range(axes, (0, across), (0, up))
        _limit_labels(axes, exhibit, scale, up)
        house.axis_title(axes, exhibit.y_label)
        house.across_title(axes, exhibit.x_label)
        return house.to_svg(figure)
