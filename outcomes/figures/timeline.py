"""A rate over successive quarters, each with its interval, beside the pooled earlier ones."""

from __future__ import annotations

import re
from collections.abc import Sequence

from matplotlib.axes import Axes

from outcomes import wording
from outcomes.estimates.estimate import Estimate
from outcomes.figures import house
from outcomes.findings import Timeline

_PLOT_MM = 29.0
_LEFT_MM, _RIGHT_MM, _BELOW_MM = 13.0, 3.0, 14.0
_LONGEST_MARK = 34
_HEADROOM = 1.14
"""Room above the last tick for the name of the band."""
_LABEL_MM, _COUNT_MM = 9.2, 8.0
"""Room that the name of a quarter, and the counts below it, ask for at the usual type size."""
_QUARTER = re.compile(r"\d{4}Q[1-4]")


def _scaled(exhibit: Timeline) -> float:
    """100 where values are proportions, drawn in %."""
    return 100.0 if any(a.unit == "proportion" for a in exhibit.answers) else 1.0


def _top(exhibit: Timeline, scale: float) -> float:
    """How far up to draw: every value and the usual upper limits; a far limit is cut, not the others squeezed."""
    shown = [a for a in exhibit.answers if isinstance(a, Estimate)]
    highs = sorted(scale * a.high for a in shown if a.high is not None)
    usual = highs[int(0.8 * (len(highs) - 1))] if highs else 0.0
    return max([1.15 * scale * a.value for a in shown] + [1.05 * usual])


def draw(exhibit: Timeline, width_mm: float = house.TEXT_MM) -> str:
    """Return the SVG of a timeline: marks with intervals, a band across, counts and labels below."""
    with house.house_style():
        scale = _scaled(exhibit)
        ticks = house.steps_to(_top(exhibit, scale), 5)
        up = ticks[-1]
        figure = house.sheet(9.0 + _PLOT_MM + _BELOW_MM, width_mm)
        axes = house.panel(figure, _LEFT_MM, _BELOW_MM, width_mm - _LEFT_MM - _RIGHT_MM, _PLOT_MM)
        for level in ticks[1:]:
            axes.axhline(level, color=house.HAIR, linewidth=0.4, zorder=0)
        _band(axes, exhibit, scale, up)
        for place, (answer, young) in enumerate(zip(exhibit.answers, exhibit.immature, strict=True)):
            if young or not isinstance(answer, Estimate):
                word = "not yet" if young else "cannot say"
                axes.annotate(
                    word, (place, 0), xytext=(0, 4), textcoords="offset points", ha="center", va="bottom", rotation=90,
                    fontsize=house.SMALL, color=house.MID,
                )  # fmt: skip
                continue
            _interval(axes, place, answer, scale, up)
        for place, words in exhibit.marks:
            axes.axvline(place - 0.5, color=house.PLUM, linewidth=0.8, linestyle=(0, (1.2, 1.5)))
            axes.annotate(
                house.shortened(words, _LONGEST_MARK), (place - 0.5, up), xytext=(2, 1), textcoords="offset points",
                ha="left", va="bottom", fontsize=house.SMALL, color=house.PLUM, annotation_clip=False,
            )  # fmt: skip
        axes.set_xlim(-0.6, len(exhibit.labels) - 0.4)
        axes.set_ylim(0, up * _HEADROOM if exhibit.band is not None else up)
        axes.set_yticks(list(ticks), [wording.quantity(tick) for tick in ticks])
        room = (width_mm - _LEFT_MM - _RIGHT_MM) / len(exhibit.labels)
        shown = _spans(exhibit.labels, narrow=room < _LABEL_MM)
        counts = [house.say(text).replace(" / ", "\nof ") for text in exhibit.counts]
        axes.set_xticks(range(len(shown)), [f"{a}\n{b}" for a, b in zip(shown, counts, strict=True)])
        axes.tick_params(axis="x", length=0, labelsize=max(5.8, min(house.SMALL, house.SMALL * room / _COUNT_MM)))
        axes.spines["left"].set_position(("outward", 3))
        house.frame_range(axes, None, (0, up))
        house.axis_title(axes, exhibit.y_label)
        return house.to_svg(figure)


def _spans(labels: Sequence[str], *, narrow: bool) -> list[str]:
    """Names of the spans; where they stand close, quarters give their year in a line of its own, once a year."""
    if not narrow or not all(_QUARTER.fullmatch(label) for label in labels):
        return [house.shortened(label, 14) for label in labels]
    years = [label[:4] for label in labels]
    told = [year if i == 0 or years[i - 1] != year else " " for i, year in enumerate(years)]
    return [f"{label[4:]}\n{year}" for label, year in zip(labels, told, strict=True)]


def _interval(axes: Axes, place: int, answer: Estimate, scale: float, up: float) -> None:
    low = 0.0 if answer.low is None else scale * answer.low
    high = up if answer.high is None else scale * answer.high
    axes.plot([place, place], [low, min(high, up)], color=house.PINE, linewidth=1.2, zorder=3)
    if high > up:
        axes.scatter([place], [up], marker="^", s=16, color=house.PINE, zorder=4, clip_on=False)
    axes.scatter([place], [scale * answer.value], marker="o", s=20, color=house.PINE, zorder=5, clip_on=False)


def _band(axes: Axes, exhibit: Timeline, scale: float, up: float) -> None:
    if exhibit.band is None or exhibit.band.low is None or exhibit.band.high is None:
        return
    band = exhibit.band
    low, value, high = (scale * v for v in (band.low or 0.0, band.value, band.high or 0.0))
    axes.axhspan(low, min(high, up), color=house.REED, alpha=0.18, linewidth=0)
    axes.axhline(value, color=house.INK, linewidth=0.8, linestyle=(0, (5, 1.8)))
    axes.annotate(
        f"broken line: {house.shortened(band.term, 18)}", xy=(1, 1), xycoords="axes fraction", xytext=(0, -1),
        textcoords="offset points", ha="right", va="top", fontsize=house.SMALL, color=house.INK, annotation_clip=False,
    )  # fmt: skip
