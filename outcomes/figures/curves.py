"""Curves with bands: the share not yet healed by day, how many were still observed aligned below."""

from __future__ import annotations

import math
from itertools import pairwise

from matplotlib.axes import Axes

from outcomes import wording
from outcomes.figures import house
from outcomes.findings import Curve, Curves

_PLOT_MM = 36.0
_ROW_MM = 4.3
_LONGEST_LABEL = 20


def _left_mm(exhibit: Curves) -> float:
    """Room left of the plot for the longest label of the numbers below."""
    longest = max(len(house.shortened(curve.label, _LONGEST_LABEL)) for curve in exhibit.curves)
    return min(36.0, max(18.0, 12.5 + 1.3 * longest))


def _draw_line(axes: Axes, curve: Curve, style: house.LineStyle) -> None:
    low = [math.nan if limit is None else 100 * limit for limit in curve.low]
    high = [math.nan if limit is None else 100 * limit for limit in curve.high]
    axes.fill_between(curve.days, low, high, color=style.colour, alpha=0.13, linewidth=0)
    axes.plot(
        curve.days, [100 * v for v in curve.value],
        color=style.colour, linestyle=style.dash, linewidth=style.width, clip_on=False,
    )  # fmt: skip


def _by_speed(lines: dict[int, Curve]) -> list[int]:
    """Lines from the slowest to the fastest to fall to a half."""
    speeds = []
    for i, curve in lines.items():
        half = _day_at(curve, 50.0) if curve.value[-1] <= 0.5 else math.inf
        speeds.append((-half, -curve.value[-1], i))
    return [i for _, _, i in sorted(speeds)]


def _day_at(curve: Curve, height: float) -> float:
    """Day on which a line falls to a height in %; its last day if it never does."""
    points = [(day, 100 * value) for day, value in zip(curve.days, curve.value, strict=True)]
    if points[0][1] <= height:
        return points[0][0]
    for (before, high), (after, low) in pairwise(points):
        if low <= height < high:
            return before + (after - before) * (high - height) / (high - low)
    return curve.days[-1]


def _width_in_days(text: str, last_day: float, plot_width: float) -> float:
    return 1.4 * len(text) * last_day / plot_width


def _direct_labels(axes: Axes, lines: dict[int, Curve], last_day: float, plot_width: float) -> None:
    """Name each line beside itself.

    Lines that end well apart are named at their ends. Lines that all fall to nothing leave the upper right
    and the lower left free: the slowest is named right of itself, the fastest left of itself, and any
    between in the upper right, each joined to its own line.
    """
    ends = sorted(100 * curve.value[-1] for curve in lines.values())
    if ends[0] > 8 and all(b - a >= 7 for a, b in pairwise(ends)):
        for i, curve in lines.items():
            _name(axes, curve, i, curve.days[-1], 100 * curve.value[-1] + 3, "right")
        return
    order = _by_speed(lines)
    gap = 0.012 * last_day
    height, step = 88.0, min(10.0, 70.0 / len(order))
    right_of_all = max(_day_at(curve, height - step * len(order)) for curve in lines.values())
    for rank, i in enumerate(order):
        curve = lines[i]
        name = house.shortened(curve.label, _LONGEST_LABEL)
        low = 30.0
        if rank == len(order) - 1 and rank > 0:
            day = _day_at(curve, low + 8)
            if day - gap - _width_in_days(name, last_day, plot_width) > 0:
                _name(axes, curve, i, day - gap, low, "right")
                continue
        level = height - rank * step
        if rank == 0:
            _name(axes, curve, i, _day_at(curve, level - 8) + gap, level, "left")
            continue
        start = min(right_of_all, last_day - _width_in_days(name, last_day, plot_width) - gap)
        _name(axes, curve, i, start + gap, level, "left", joined_at=_day_at(curve, level))


def _name(
    axes: Axes, curve: Curve, i: int, day: float, height: float, side: str, joined_at: float | None = None
) -> None:
    style = house.LINE_STYLES[i % len(house.LINE_STYLES)]
    axes.annotate(
        house.shortened(curve.label, _LONGEST_LABEL), xy=(day, height), ha=side, va="center",
        color=style.colour, fontweight=600, annotation_clip=False, zorder=7,
    )  # fmt: skip
    if joined_at is not None:
        axes.plot([joined_at, day - 0.3], [height, height], color=style.colour, linewidth=0.5, zorder=6)
        axes.plot([joined_at], [height], marker="o", markersize=2.6, color=style.colour, zorder=6)


def _still_observed(axes: Axes, exhibit: Curves, left_mm: float, plot_width: float, below_mm: float) -> None:
    """Set how many were still observed under the ticks, each row opened by its line and label."""

    def up(mm: float) -> float:
        return -mm / _PLOT_MM

    axes.text(
        -left_mm / plot_width, up(below_mm), "Still observed", transform=axes.transAxes, ha="left", va="center",
        fontsize=house.SMALL, fontstyle="italic", color=house.MID,
    )  # fmt: skip
    for row, curve in enumerate(exhibit.curves):
        style = house.LINE_STYLES[row % len(house.LINE_STYLES)]
        y = up(below_mm + (row + 1) * _ROW_MM)
        start = -left_mm / plot_width
        axes.plot(
            [start, start + 6.0 / plot_width], [y, y], transform=axes.transAxes, clip_on=False,
            color=style.colour, linestyle=style.dash, linewidth=style.width,
        )  # fmt: skip
        axes.text(
            start + 7.2 / plot_width, y, house.shortened(curve.label, _LONGEST_LABEL),
            transform=axes.transAxes, ha="left", va="center", fontsize=house.SMALL, color=style.colour,
        )  # fmt: skip
        for tick, number in zip(exhibit.ticks, curve.at_risk, strict=True):
            axes.text(
                tick, y, wording.count_or_dash(number), transform=axes.get_xaxis_transform(), ha="center", va="center",
                fontsize=house.SMALL, color=house.INK, clip_on=False,
            )  # fmt: skip


def draw(exhibit: Curves, width_mm: float = house.TEXT_MM) -> str:
    """Return the SVG of curves with their bands, direct labels and numbers still observed."""
    with house.house_style():
        left = _left_mm(exhibit)
        width = width_mm - left - 4.0
        below = 13.0
        height = 8.0 + _PLOT_MM + below + (len(exhibit.curves) + 0.6) * _ROW_MM
        figure = house.sheet(height, width_mm)
        axes = house.panel(figure, left, height - 8.0 - _PLOT_MM, width, _PLOT_MM)
        for level in (25, 50, 75, 100):
            axes.axhline(level, color=house.HAIR, linewidth=0.4, zorder=0)
        for i, curve in enumerate(exhibit.curves):
            if curve.days:
                _draw_line(axes, curve, house.LINE_STYLES[i % len(house.LINE_STYLES)])
        last = max([*exhibit.ticks, *(curve.days[-1] for curve in exhibit.curves if curve.days)])
        axes.set_xlim(0, last)
        axes.set_ylim(0, 100)
        axes.set_yticks([0, 25, 50, 75, 100])
        axes.set_xticks(list(exhibit.ticks), [wording.quantity(tick) for tick in exhibit.ticks])
        axes.spines["left"].set_position(("outward", 3))
        axes.spines["bottom"].set_position(("outward", 3))
        house.frame_range(axes, (0, last), (0, 100))
        house.axis_title(axes, exhibit.y_label)
        house.across_title(axes, exhibit.x_label)
        _direct_labels(axes, {i: c for i, c in enumerate(exhibit.curves) if c.days}, last, width)
        _still_observed(axes, exhibit, left, width, below)
        return house.to_svg(figure)
