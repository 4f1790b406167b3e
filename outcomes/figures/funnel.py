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
_POINTS_PER_MM = 72 / 25.4


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


_OFFSETS: tuple[tuple[float, float, str], ...] = (
    # in mm from the mark, and the side of the text that stands there
    (1.6, 1.8, "left"), (1.6, -1.8, "left"), (-1.6, 1.8, "right"), (-1.6, -1.8, "right"),
    (0.0, 3.1, "center"), (0.0, -3.1, "center"), (1.6, 4.4, "left"), (1.6, -4.4, "left"), (-1.6, 4.4, "right"),
    (0.0, 5.8, "center"), (0.0, 8.4, "center"),
)  # fmt: skip
_LETTER_MM, _HALF_LINE_MM = 1.4, 1.3


@dataclass(frozen=True, slots=True)
class _Box:
    left: float
    right: float
    bottom: float
    top: float

    def meets(self, other: _Box) -> bool:
        return (
            self.left < other.right and other.left < self.right and self.bottom < other.top and other.bottom < self.top
        )


def _text_box(x: float, y: float, side: str, letters: int) -> _Box:
    width = letters * _LETTER_MM
    left = x - {"left": 0.0, "center": 0.5, "right": 1.0}[side] * width
    return _Box(left, left + width, y - _HALF_LINE_MM, y + _HALF_LINE_MM)


def _crossings(exhibit: Funnel, scale: float, across: float, up: float, width: float) -> list[_Box]:
    """Where lines run, as small boxes on the sheet: names keep off them if they can."""
    lines = [(exhibit.sizes, limit) for _, low, high in exhibit.limits for limit in (low, high)]
    lines.append((tuple(across * i / 40 for i in range(41)), (exhibit.centre,) * 41))
    return [
        _Box(x, x, y, y)
        for sizes, limit in lines
        for x, y in ((s / across * width, scale * v / up * _PLOT_MM) for s, v in zip(sizes, limit, strict=True))
    ]


def _labels(
    axes: Axes,
    named: list[_Place],
    places: list[_Place],
    lines: list[_Box],
    across: float,
    up: float,
    width: float,
) -> None:
    """Name marks where the name meets no other name, no mark and, if it can, no line."""
    at = {id(p): (p.x / across * width, p.y / up * _PLOT_MM) for p in places}
    taken = [_Box(x - 0.95, x + 0.95, y - 0.95, y + 0.95) for x, y in at.values()]
    for place in sorted(named, key=lambda p: (not p.point.verdict.startswith("outside"), -p.x)):
        x, y = at[id(place)]
        text = house.shortened(place.point.label, 14)
        tried: list[tuple[float, int, float, float, str, _Box]] = []
        for dx, dy, side in _OFFSETS:
            box = _text_box(x + dx, y + dy, side, len(text))
            outside = max(0.0, -box.left) + max(0.0, box.right - width - 1.0) + max(0.0, 0.4 - box.bottom)
            crossed = 0.5 * any(box.meets(line) for line in lines)
            tried.append((sum(box.meets(other) for other in taken) + outside + crossed, len(tried), dx, dy, side, box))
        _, _, dx, dy, side, box = min(tried, key=lambda t: t[:2])
        taken.append(box)
        flagged = place.point.verdict.startswith("outside")
        axes.annotate(
            text, (place.x, place.y), xytext=(dx * _POINTS_PER_MM, dy * _POINTS_PER_MM), textcoords="offset points",
            ha=side, va="center", fontsize=house.SMALL, fontweight=600 if flagged else 400,
            color=house.CLAY if flagged else house.INK, zorder=5, annotation_clip=False,
        )  # fmt: skip


def _top(exhibit: Funnel, places: list[_Place], scale: float) -> float:
    """How far up to draw: every mark, and the limits where most marks lie; not their open mouth at the left."""
    sizes = sorted(p.x for p in places)
    usual = 0.5 * sizes[len(sizes) // 2]
    limits = [
        scale * next((h for s, h in zip(exhibit.sizes, high, strict=True) if s >= usual), exhibit.centre)
        for _, _, high in exhibit.limits
    ]
    top = max([1.6 * scale * exhibit.centre, *(1.12 * p.y for p in places), *limits])
    return min(top, 100.0) if scale == 100.0 else top


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
        ticks = house.steps_to(_top(exhibit, places, scale))
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
        named = places if len(places) <= _MOST_LABELLED else flagged
        _labels(axes, named, places, _crossings(exhibit, scale, across, up, width), across, up, width)
        axes.set_xlim(0, across)
        axes.set_ylim(0, up)
        axes.set_xticks(list(sizes), [wording.quantity(size) for size in sizes])
        axes.set_yticks(list(ticks), [wording.quantity(tick) for tick in ticks])
        house.frame_range(axes, (0, across), (0, up))
        _limit_labels(axes, exhibit, scale, up)
        house.axis_title(axes, exhibit.y_label)
        house.across_title(axes, exhibit.x_label)
        return house.to_svg(figure)
