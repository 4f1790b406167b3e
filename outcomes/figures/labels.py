"""Names beside marks: where each may stand without meeting another name, a mark or the frame."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from outcomes.figures import house

_HALF_LINE_MM = 1.35
_MM_PER_POINT = 25.4 / 72
_HEAVIER = 1.12  # what is measured is the lightest weight of the font; what is set is up to this much wider
_DISTANCES_MM = (2.3, 3.4, 5.0, 7.0, 9.5, 12.5, 16.0, 20.0, 25.0, 31.0)
_DIRECTIONS = 16
_JOINED_FROM_MM = 3.6
_ALONG = tuple(0.1 + 0.05 * i for i in range(18))


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on the plot, in mm from its lower left corner."""

    left: float
    right: float
    bottom: float
    top: float

    def meets(self, other: Box) -> bool:
        """Whether two rectangles overlap."""
        return (
            self.left < other.right and other.left < self.right and self.bottom < other.top and other.bottom < self.top
        )

    def within(self, other: Box) -> bool:
        """Whether it lies wholly inside another."""
        return (
            self.left >= other.left
            and self.right <= other.right
            and self.bottom >= other.bottom
            and self.top <= other.top
        )


@dataclass(frozen=True, slots=True)
class Anchor:
    """A mark to be named, in mm."""

    x: float
    y: float
    text: str


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a name stands, in mm; `joined` when it is so far off that a line leads to it."""

    x: float
    y: float
    side: str
    box: Box
    joined: bool


@cache
def text_width_mm(text: str, size: float = house.SMALL) -> float:
    """Width of a text at a type size in points, never less than what is set."""
    house.register_fonts()
    if not text.strip():
        return 0.0
    path = TextPath((0, 0), text, size=size, prop=FontProperties(family=[house.FAMILY]))
    return float(path.get_extents().width) * _HEAVIER * _MM_PER_POINT


def text_box(x: float, y: float, side: str, text: str) -> Box:
    """Rectangle of a line of text that stands ``left``, ``center`` or ``right`` aligned at a place."""
    width = text_width_mm(text)
    left = x - {"left": 0.0, "center": 0.5, "right": 1.0}[side] * width
    return Box(left, left + width, y - _HALF_LINE_MM, y + _HALF_LINE_MM)


def _spots(anchor: Anchor) -> list[tuple[float, Spot, list[Box]]]:
    """Places around a mark with their distance, nearest first, and what the line that leads there covers."""
    found = []
    for distance in _DISTANCES_MM:
        for step in range(_DIRECTIONS):
            angle = 2 * math.pi * step / _DIRECTIONS + 0.35
            dx, dy = distance * math.cos(angle), distance * math.sin(angle)
            side = "left" if dx > 0.45 * distance else "right" if dx < -0.45 * distance else "center"
            if side != "center":
                dx *= 0.75
            x, y = anchor.x + dx, anchor.y + dy
            joined = distance >= _JOINED_FROM_MM
            line = [
                Box(anchor.x + t * dx - 0.1, anchor.x + t * dx + 0.1, anchor.y + t * dy - 0.1, anchor.y + t * dy + 0.1)
                for t in _ALONG
            ]
            found.append(
                (distance, Spot(x, y, side, text_box(x, y, side, anchor.text), joined), line if joined else [])
            )
    return found


def place_names(
    anchors: Sequence[Anchor], marks: Sequence[Box], lines: Sequence[Box], frame: Box
) -> tuple[Spot | None, ...]:
    """Find a place for each name, the first served first.

    Parameters
    ----------
    anchors : sequence of Anchor
        Marks to be named, the most important first.
    marks : sequence of Box
        Every mark, named or not; no name may cover one.
    lines : sequence of Box
        Where lines run; names keep off them if they can.
    frame : Box
        What no name may leave.

    Returns
    -------
    tuple of Spot or None
        None where no place is free: the name then stays in the table and the alternative text only.
    """
    taken = list(marks)
    names: list[Box] = []
    leads: list[Box] = []
    spots: list[Spot | None] = []
    for anchor in anchors:
        best: tuple[float, Spot, list[Box]] | None = None
        for distance, spot, line in _spots(anchor):
            if not spot.box.within(frame) or any(spot.box.meets(box) for box in taken):
                continue
            crossed = any(spot.box.meets(box) for box in lines)
            covered = max(0, sum(any(box.meets(mark) for box in line) for mark in marks) - 1)
            struck = any(spot.box.meets(box) for box in leads) or any(box.meets(n) for box in line for n in names)
            cost = distance + 4.0 * crossed + 20.0 * covered + 50.0 * struck
            if best is None or cost < best[0]:
                best = cost, spot, line
        spots.append(best[1] if best else None)
        if best:
            taken.append(best[1].box)
            names.append(best[1].box)
            leads += best[2]
    return tuple(spots)


def spread(heights: Sequence[float], gap: float, top: float) -> tuple[float, ...]:
    """Heights in ascending order moved apart by at least a gap, none above the top, moved as little as needed.

    Examples
    --------
    >>> spread([1.0, 2.0, 9.0], 3.0, 10.0)
    (0.0, 3.0, 9.0)
    """
    moved = list(heights)
    for _ in range(200):
        still = True
        for i in range(len(moved) - 1):
            short = gap - (moved[i + 1] - moved[i])
            if short > 1e-9:
                moved[i] -= short / 2
                moved[i + 1] += short / 2
                still = False
        if still:
            break
    return tuple(round(min(value, top - gap * (len(moved) - 1 - i)), 9) for i, value in enumerate(moved))
