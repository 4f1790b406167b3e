"""Practitioners against limits that narrow with size; a verdict is a shape, its colour only repeats it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes

from outcomes import wording
from outcomes.estimates.estimate import Estimate
from outcomes.figures import house
from outcomes.figures.alt import funnel_value
from outcomes.figures.labels import Anchor, Box, place_names, spread
from outcomes.findings import Funnel, FunnelPoint

_PLOT_MM = 37.0
_FLOOR_MM = 2.0
_LEFT_MM, _RIGHT_MM, _BELOW_MM = 13.0, 22.0, 13.0
_MARK_MM, _LINE_MM = 1.0, 3.0
_MOST_LABELLED = 16
_POINTS_PER_MM = 72 / 25.4


@dataclass(frozen=True, slots=True)
class _Place:
    point: FunnelPoint
    x: float
    y: float
    drawn: float
    """Height at which it is drawn: its own, or the upper edge when it lies beyond."""
    answered: float
    """The same in the unit of its answer."""


@dataclass(frozen=True, slots=True)
class _Plot:
    """The plot in its own units and in mm."""

    scale: float
    across: float
    up: float
    width: float

    def mm_across(self, x: float) -> float:
        return x / self.across * self.width

    def mm_up(self, y: float) -> float:
        return y / self.up * _PLOT_MM


def _scale(exhibit: Funnel) -> float:
    """100 where values are proportions, drawn in %; 1 where they are ratios, that stand around 1."""
    units = {point.answer.unit for point in exhibit.points}
    return 100.0 if units <= {"proportion", ""} and exhibit.centre < 1 else 1.0


def _places(exhibit: Funnel, scale: float, up: float) -> list[_Place]:
    return [
        _Place(point, point.size, scale * point.answer.value, min(up, scale * point.answer.value), point.answer.value)
        for point in exhibit.points
        if isinstance(point.answer, Estimate)
    ]


def _mark(place: _Place, centre: float) -> dict[str, Any]:
    """Marker of a verdict: open circle, open diamond, open or filled triangle pointing away from the centre, bar."""
    pointing = "^" if place.y >= centre else "v"
    looks: dict[str, dict[str, Any]] = {
        "within limits": {"marker": "o", "s": 19, "facecolor": "white", "edgecolor": house.PINE, "linewidth": 1.0},
        "worth a look": {"marker": "D", "s": 19, "facecolor": "white", "edgecolor": house.PLUM, "linewidth": 1.1},
        "outside 95 %": {
            "marker": pointing, "s": 32, "facecolor": "white", "edgecolor": house.CLAY, "linewidth": 1.1,
        },
        "outside 99.8 %": {
            "marker": pointing, "s": 36, "facecolor": house.CLAY, "edgecolor": house.CLAY, "linewidth": 0.8,
        },
    }  # fmt: skip
    return looks.get(place.point.verdict, {"marker": "_", "s": 30, "facecolor": house.MID, "linewidth": 2.6})


def _crossings(exhibit: Funnel, plot: _Plot) -> list[Box]:
    """Where lines run, as small boxes on the plot: names keep off them if they can."""
    lines = [(exhibit.sizes, limit) for _, low, high in exhibit.limits for limit in (low, high)]
    lines.append((tuple(plot.across * i / 60 for i in range(61)), (exhibit.centre,) * 61))
    boxes = []
    for sizes, limit in lines:
        for x, y in ((plot.mm_across(s), plot.mm_up(plot.scale * v)) for s, v in zip(sizes, limit, strict=True)):
            boxes.append(Box(x - 0.2, x + 0.2, y - 0.2, y + 0.2))
    return boxes


def _names(axes: Axes, exhibit: Funnel, places: list[_Place], plot: _Plot) -> None:
    """Name marks where the name meets no other name, no mark and not the frame; a line leads to names far off."""
    marks = [
        Box(x - _MARK_MM, x + _MARK_MM, y - _MARK_MM, y + _MARK_MM)
        for x, y in ((plot.mm_across(p.x), plot.mm_up(p.drawn)) for p in places)
    ]
    flagged = [p for p in places if _is_flagged(p)]
    others = sorted((p for p in places if not _is_flagged(p)), key=lambda p: (-p.x, -p.y))
    named = [*sorted(flagged, key=lambda p: -p.x), *(others if len(places) <= _MOST_LABELLED else ())]
    anchors = [Anchor(plot.mm_across(p.x), plot.mm_up(p.drawn), _name(p)) for p in named]
    frame = Box(0.4, plot.width - 0.6, -0.4 * _FLOOR_MM, _PLOT_MM + 1.2)
    for place, anchor, spot in zip(
        named, anchors, place_names(anchors, marks, _crossings(exhibit, plot), frame), strict=True
    ):
        if spot is None:
            continue
        colour = house.CLAY if _is_flagged(place) else house.INK
        dx, dy = spot.x - anchor.x, spot.y - anchor.y
        axes.annotate(
            anchor.text, (place.x, place.drawn), xytext=(dx * _POINTS_PER_MM, dy * _POINTS_PER_MM),
            textcoords="offset points", ha=spot.side, va="center", fontsize=house.SMALL,
            fontweight=600 if _is_flagged(place) else 400, color=colour, zorder=5, annotation_clip=False,
            arrowprops={
                "arrowstyle": "-", "linewidth": 0.4, "color": house.MID, "shrinkA": 0.5, "shrinkB": 2.6,
                "relpos": ({"left": 0.0, "center": 0.5, "right": 1.0}[spot.side], 0.5),
            } if spot.joined else None,
        )  # fmt: skip


def _is_flagged(place: _Place) -> bool:
    return place.point.verdict.startswith("outside")


def _name(place: _Place) -> str:
    """Name of a mark, with its number where it lies beyond the axis."""
    name = house.shortened(place.point.label, 14)
    return name if place.drawn == place.y else f"{name}: {funnel_value(place.point, place.answered)}"


def _top(exhibit: Funnel, scale: float) -> float:
    """How far up to draw: every judged mark, and the limits where most marks lie, not their open mouth at the left.

    A mark that is too small to be judged does not squeeze the others: it is drawn at the edge, with its number.
    """
    shown = [p for p in exhibit.points if isinstance(p.answer, Estimate)]
    sizes = sorted(p.size for p in shown)
    usual = 0.5 * sizes[len(sizes) // 2]
    limits = [
        scale * next((h for s, h in zip(exhibit.sizes, high, strict=True) if s >= usual), exhibit.centre)
        for _, _, high in exhibit.limits
    ]
    judged = [p for p in shown if p.verdict != "too few to judge"] or shown
    heights = [1.12 * scale * p.answer.value for p in judged if isinstance(p.answer, Estimate)]
    top = max([1.6 * scale * exhibit.centre, *heights, *limits])
    return min(top, 100.0) if scale == 100.0 else top


def _limit_labels(axes: Axes, exhibit: Funnel, plot: _Plot) -> None:
    """Name each limit at its right end, names kept apart; a short line leads to a name that had to move."""
    centre = "as expected" if plot.scale == 1.0 else f"all: {funnel_value(exhibit.points[0], exhibit.centre)}"
    named = [(plot.scale * exhibit.centre, centre, house.INK)]
    for name, low, high in exhibit.limits:
        named.append((plot.scale * high[-1], f"{name} limit", house.MID))
        if plot.mm_up(plot.scale * low[-1]) > 1.2:
            named.append((plot.scale * low[-1], f"{name} limit", house.MID))
    named.sort()
    heights = spread([min(plot.mm_up(y), _PLOT_MM) for y, _, _ in named], _LINE_MM, _PLOT_MM + 1.0)
    for (y, text, colour), height in zip(named, heights, strict=True):
        at, to = min(plot.mm_up(y), _PLOT_MM) / _PLOT_MM, height / _PLOT_MM
        axes.annotate(
            text, xy=(1, at), xycoords="axes fraction", xytext=(1 + 2.6 / plot.width, to), textcoords="axes fraction",
            ha="left", va="center", fontsize=house.SMALL, color=colour, annotation_clip=False,
            arrowprops={
                "arrowstyle": "-", "linewidth": 0.4, "color": house.MID, "shrinkA": 0.5, "shrinkB": 0.0,
                "relpos": (0.0, 0.5),
            },
        )  # fmt: skip


def draw(exhibit: Funnel, width_mm: float = house.TEXT_MM) -> str:
    """Return the SVG of a funnel."""
    with house.house_style():
        scale = _scale(exhibit)
        ticks = house.steps_to(_top(exhibit, scale))
        up = ticks[-1]
        places = _places(exhibit, scale, up)
        across = max([*exhibit.sizes, *(p.x for p in places)])
        figure = house.sheet(8.0 + _PLOT_MM + _BELOW_MM, width_mm)
        plot = _Plot(scale, across, up, width_mm - _LEFT_MM - _RIGHT_MM)
        axes = house.panel(figure, _LEFT_MM, _BELOW_MM, plot.width, _PLOT_MM)
        for (_, low, high), dash, shade in zip(
            exhibit.limits, ((0, (5, 1.8)), (0, (1.2, 1.5))), (True, False), strict=False
        ):
            below, above = [min(scale * v, up) for v in low], [min(scale * v, up) for v in high]
            if shade:
                axes.fill_between(exhibit.sizes, below, above, color=house.REED, alpha=0.16, linewidth=0)
            for line in ([scale * v for v in low], [scale * v for v in high]):
                axes.plot(exhibit.sizes, line, color=house.MID, linewidth=0.8, linestyle=dash)
        axes.axhline(scale * exhibit.centre, color=house.INK, linewidth=0.9)
        for place in places:
            axes.scatter([place.x], [place.drawn], zorder=4, clip_on=False, **_mark(place, scale * exhibit.centre))
        axes.set_xlim(0, across)
        axes.set_ylim(0, up)
        sizes = tuple(size for size in house.steps_to(across) if size <= across)
        axes.set_xticks(list(sizes), [wording.quantity(size) for size in sizes])
        axes.set_yticks(list(ticks), [wording.quantity(tick) for tick in ticks])
        # The axis lines stand off, so that a mark at nothing lies above its line.
        axes.spines["bottom"].set_position(("outward", _FLOOR_MM * _POINTS_PER_MM))
        axes.spines["left"].set_position(("outward", 3))
        house.frame_range(axes, (0, across), (0, up))
        _names(axes, exhibit, places, plot)
        _limit_labels(axes, exhibit, plot)
        house.axis_title(axes, exhibit.y_label)
        house.across_title(axes, exhibit.x_label)
        return house.to_svg(figure)
