"""A two-sided cumulative-sum chart: evidence for higher odds upwards, for lower odds downwards, limits and signals."""

from __future__ import annotations

import math

from matplotlib.axes import Axes

from outcomes.figures import house
from outcomes.findings import Cusum

_PLOT_MM = 28.0
_LEFT_MM, _RIGHT_MM, _BELOW_MM = 13.0, 20.0, 9.0
_TICK_MM = 11.0
"""Room that a quarter's label asks for."""


def draw(exhibit: Cusum, width_mm: float = house.TEXT_MM) -> str:
    """Return the SVG of a cumulative-sum chart over cases in order."""
    with house.house_style():
        figure = house.sheet(9.0 + _PLOT_MM + _BELOW_MM, width_mm)
        axes = house.panel(figure, _LEFT_MM, _BELOW_MM, width_mm - _LEFT_MM - _RIGHT_MM, _PLOT_MM)
        cases = range(1, len(exhibit.up) + 1)
        axes.axhline(0, color=house.INK, linewidth=0.6)
        for limit in (exhibit.limit_up, exhibit.limit_down):
            axes.axhline(limit, color=house.CLAY, linewidth=0.9, linestyle=(0, (5, 1.8)))
        axes.plot(cases, exhibit.up, color=house.PINE, linewidth=1.1, drawstyle="steps-post")
        axes.plot(cases, exhibit.down, color=house.PLUM, linewidth=1.1, drawstyle="steps-post")
        for marks, path, shape in ((exhibit.signals_up, exhibit.up, "^"), (exhibit.signals_down, exhibit.down, "v")):
            heights = [path[i] for i in marks]
            axes.scatter([i + 1 for i in marks], heights, marker=shape, s=30, color=house.CLAY, zorder=5, clip_on=False)
        top = 1.12 * max(exhibit.limit_up, *exhibit.up)
        bottom = 1.12 * min(exhibit.limit_down, *exhibit.down)
        axes.set_ylim(bottom, top)
        axes.set_xlim(0, len(exhibit.up) + 1)
        _labels(axes, exhibit)
        every = max(1, math.ceil(len(exhibit.ticks) * _TICK_MM / (width_mm - _LEFT_MM - _RIGHT_MM)))
        kept = exhibit.ticks[::every]
        axes.set_xticks([position + 1 for position, _ in kept], [name for _, name in kept])
        axes.tick_params(axis="x", labelsize=house.SMALL)
        axes.spines["left"].set_position(("outward", 3))
        axes.set_yticks([exhibit.limit_down, 0, exhibit.limit_up], ["limit", "0", "limit"])
        house.frame_range(axes, None, (exhibit.limit_down, exhibit.limit_up))
        house.axis_title(axes, exhibit.y_label)
        return house.to_svg(figure)


def _labels(axes: Axes, exhibit: Cusum) -> None:
    for height, text, colour in (
        (exhibit.limit_up * 0.55, "for higher odds", house.PINE),
        (exhibit.limit_down * 0.55, "for lower odds", house.PLUM),
    ):
        axes.annotate(
            text, xy=(1, height), xycoords=("axes fraction", "data"), xytext=(4, 0), textcoords="offset points",
            ha="left", va="center", fontsize=house.SMALL, color=colour, annotation_clip=False,
        )  # fmt: skip
