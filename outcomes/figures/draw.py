"""From an exhibit to its picture: one drawer for each shape that is drawn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from outcomes.figures import bars, curves, cusum, funnel, response, timeline
from outcomes.figures.alt import alt_text, is_empty
from outcomes.figures.house import TEXT_MM
from outcomes.findings import Bars, Curves, Cusum, Exhibit, Forest, Funnel, Grid, Response, Timeline

DRAWERS: dict[type, Callable[[Any, float], str]] = {
    Curves: curves.draw,
    Funnel: funnel.draw,
    Response: response.draw,
    Bars: bars.draw,
    Timeline: timeline.draw,
    Cusum: cusum.draw,
}
"""Shapes that become a picture."""

TYPESET_AS_TABLES: tuple[type, ...] = (Forest, Grid)
"""Shapes that the page sets as tables, marks and all, so that their numbers stay text."""


@dataclass(frozen=True, slots=True)
class Drawing:
    """A picture and what it shows.

    Attributes
    ----------
    svg : str
        The picture, at its final size.
    alt : str
        The same in words, made from the numbers.
    """

    svg: str
    alt: str


def is_drawn(exhibit: Exhibit) -> bool:
    """Whether an exhibit becomes a picture: a drawn shape with something to draw."""
    return type(exhibit) in DRAWERS and not is_empty(exhibit)


def draw(exhibit: Exhibit, width_mm: float = TEXT_MM) -> Drawing:
    """Draw an exhibit as it stands, at its final width; nothing is recomputed.

    Raises
    ------
    TypeError
        If the shape is set as a table.
    ValueError
        If there is nothing to draw; the page then says why in words.
    """
    drawer = DRAWERS.get(type(exhibit))
    if drawer is None:
        raise TypeError(f"{type(exhibit).__name__} is set as a table, not drawn")
    if is_empty(exhibit):
        raise ValueError(f"there is nothing to draw: {exhibit.title}")
    return Drawing(svg=drawer(exhibit, width_mm), alt=alt_text(exhibit))
