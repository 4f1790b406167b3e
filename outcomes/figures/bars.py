"""Counts or shares by quarter or by stage, as horizontal bars with their numbers beside them."""

from __future__ import annotations

from outcomes.figures import house
from outcomes.findings import Bars

_ROW_MM = 5.4
_LONGEST_LABEL = 44


def draw(exhibit: Bars, width_mm: float = house.TEXT_MM) -> str:
    """Return the SVG of horizontal bars, first label on top."""
    with house.house_style():
        labels = [house.shortened(label, _LONGEST_LABEL) for label in exhibit.labels]
        texts = [house.say(text) for text in exhibit.texts]
        left = min(60.0, max(18.0, 2.0 + 1.42 * max(map(len, labels))))
        right = min(44.0, max(14.0, 3.0 + 1.42 * max(map(len, texts))))
        height = _ROW_MM * len(labels) + 2.0
        figure = house.sheet(height, width_mm)
        axes = house.panel(figure, left, 1.0, width_mm - left - right, height - 2.0)
        places = list(range(len(labels)))
        most = exhibit.maximum if exhibit.maximum > 0 else 1.0
        axes.barh(places, [most] * len(labels), height=0.56, color=house.WASH, linewidth=0)
        axes.barh(places, list(exhibit.values), height=0.56, color=house.PINE, linewidth=0)
        for place, text in zip(places, texts, strict=True):
            axes.annotate(
                text, xy=(1, place), xycoords=("axes fraction", "data"), xytext=(5, 0),
                textcoords="offset points", ha="left", va="center", annotation_clip=False,
            )  # fmt: skip
        axes.set_xlim(0, most)
        axes.set_ylim(len(labels) - 0.5, -0.5)
        axes.set_yticks(places, labels)
        axes.tick_params(axis="y", length=0, pad=4)
        axes.set_xticks([])
        for side in ("left", "bottom"):
            axes.spines[side].set_visible(False)
        return house.to_svg(figure)
