"""Adjusted risk along a setting: curve with ribbon, and where the records lie below it."""

from __future__ import annotations

from itertools import pairwise

from matplotlib.axes import Axes

from outcomes import wording
from outcomes.figures import house
from outcomes.findings import Response

_PLOT_MM, _SUPPORT_MM = 32.0, 8.0
_LEFT_MM, _RIGHT_MM = 13.0, 3.0


def _across(exhibit: Response) -> tuple[float, float]:
    """Ends of the axis: those of the support, unless a thin tail would squeeze the curve."""
    edges = exhibit.histogram_edges
    room = 0.25 * (exhibit.x[-1] - exhibit.x[0])
    low = max([e for e in edges if e <= exhibit.x[0] - room] or [min([exhibit.x[0], *edges])])
    high = min([e for e in edges if e >= exhibit.x[-1] + room] or [max([exhibit.x[-1], *edges])])
    return low, high


def _beyond(exhibit: Response, start: float, stop: float) -> int:
    """Zones in bins that the axis leaves out."""
    bins = zip(pairwise(exhibit.histogram_edges), exhibit.histogram_zones, strict=True)
    return sum(zones for (low, high), zones in bins if high <= start or low >= stop)


def draw(exhibit: Response, width_mm: float = house.TEXT_MM) -> str:
    """Return the SVG of a response curve, drawn only where it was given, with its support below."""
    with house.house_style():
        height = 8.0 + _PLOT_MM + 5.0 + _SUPPORT_MM + 11.0
        width = width_mm - _LEFT_MM - _RIGHT_MM
        figure = house.sheet(height, width_mm)
        axes = house.panel(figure, _LEFT_MM, 11.0 + _SUPPORT_MM + 5.0, width, _PLOT_MM)
        support = house.panel(figure, _LEFT_MM, 11.0, width, _SUPPORT_MM, sharex=axes)
        low, high = [100 * v for v in exhibit.low], [100 * v for v in exhibit.high]
        ticks = house.steps_to(max(high))
        for level in ticks[1:]:
            axes.axhline(level, color=house.HAIR, linewidth=0.4, zorder=0)
        axes.fill_between(exhibit.x, low, high, color=house.PINE, alpha=0.15, linewidth=0)
        for limit in (low, high):
            axes.plot(exhibit.x, limit, color=house.PINE, linewidth=0.5, linestyle=(0, (2.2, 1.4)))
        axes.plot(exhibit.x, [100 * v for v in exhibit.value], color=house.PINE, linewidth=1.8)
        axes.set_ylim(0, ticks[-1])
        axes.set_yticks(list(ticks), [wording.quantity(tick) for tick in ticks])
        start, stop = _across(exhibit)
        margin = 0.02 * (stop - start)
        axes.set_xlim(start - margin, stop + margin)
        axes.tick_params(axis="x", length=0, labelbottom=False)
        axes.spines["bottom"].set_visible(False)
        axes.spines["left"].set_position(("outward", 3))
        house.frame_range(axes, None, (0, ticks[-1]))
        house.axis_title(axes, exhibit.y_label)
        _support(exhibit, support, _beyond(exhibit, start, stop))
        house.across_title(support, exhibit.x_label)
        return house.to_svg(figure)


def _support(exhibit: Response, axes: Axes, beyond: int) -> None:
    """Draw zones as wide pale bars and patients as narrow dark ones within them."""
    edges = exhibit.histogram_edges
    middles = [(a + b) / 2 for a, b in pairwise(edges)]
    widths = [b - a for a, b in pairwise(edges)]
    axes.bar(middles, exhibit.histogram_zones, width=[0.92 * w for w in widths], color=house.MOSS, linewidth=0)
    axes.bar(middles, exhibit.histogram_patients, width=[0.5 * w for w in widths], color=house.PINE, linewidth=0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    most = max(exhibit.histogram_zones, default=0)
    axes.set_ylim(0, max(1, most) * 1.04)
    axes.annotate(
        f"zones (wide bars, most {wording.count(most)}) and patients (narrow)"
        + (f"; {wording.plural(beyond, 'zone')} beyond the axis" if beyond else ""),
        xy=(1, 1), xycoords="axes fraction", xytext=(0, 4), textcoords="offset points",
        ha="right", va="bottom", fontsize=house.SMALL, color=house.MID, annotation_clip=False,
    )  # fmt: skip
