"""The look of every figure: fonts, colours, sizes in mm, and how a figure becomes SVG.

Lines differ by dash and direct label as well as by colour, points by shape. The colours stay apart in grey
and for readers who do not tell red from green. Text stays text: the report sets it in its own fonts.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import Any

import matplotlib
from matplotlib import font_manager
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from outcomes.figures.glyphs import clean, figure_cover, sans_files

INK = "#1c2126"
PINE = "#0e4d4f"
CLAY = "#b4491f"
PLUM = "#6d5a8c"
MID = "#59636b"
HAIR = "#c9cfd1"
WASH = "#edf2f0"
REED = "#83a8a3"
MOSS = "#65908a"

FAMILY = "Source Sans 3"
TEXT_MM = 116.0
"""Width of the report's text column, so that nothing is rescaled and figure text matches the text beside."""

HALF_MM = 84.0
"""Width of one of two figures that stand side by side over the report's full width."""

SMALL, NORMAL = 7.4, 8.2
"""Type sizes in points."""

_MM_PER_INCH = 25.4


@dataclass(frozen=True, slots=True)
class LineStyle:
    """How one line of several is told from the others: colour, dash and weight together."""

    colour: str
    dash: Any
    width: float


LINE_STYLES: tuple[LineStyle, ...] = (
    LineStyle(PINE, "-", 1.6),
    LineStyle(CLAY, (0, (4.6, 1.6)), 1.6),
    LineStyle(INK, (0, (1.1, 1.3)), 1.7),
    LineStyle(PLUM, (0, (7.0, 1.5, 1.2, 1.5)), 1.4),
    LineStyle(MID, (0, (9.0, 2.6)), 1.1),
    LineStyle(MOSS, (0, (3.0, 1.2, 1.0, 1.2, 1.0, 1.2)), 1.9),
)

STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "outcomes",
    "text.parse_math": False,
    "axes.unicode_minus": True,
    "font.family": [FAMILY],
    "font.size": NORMAL,
    "text.color": INK,
    "axes.labelsize": NORMAL,
    "axes.labelcolor": MID,
    "axes.edgecolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.labelsize": 7.8,
    "ytick.labelsize": 7.8,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 2.8,
    "ytick.major.size": 2.8,
    "xtick.major.pad": 2.6,
    "ytick.major.pad": 2.6,
    "lines.solid_capstyle": "butt",
    "hatch.linewidth": 0.4,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
}


@cache
def register_fonts() -> None:
    """Make the sans known to matplotlib in the weights and slants that figures use.

    matplotlib reads only the lightest instance of a variable font; it serves here for measuring, and the
    weight is set where the text is set (see `to_svg`).
    """
    upright, italic = sans_files()
    for path, slant in ((upright, "normal"), (italic, "italic")):
        for weight in (400, 600):
            entry = font_manager.FontEntry(fname=str(path), name=FAMILY, style=slant, weight=weight)
            font_manager.fontManager.ttflist.append(entry)


@contextmanager
def house_style() -> Iterator[None]:
    """Within it, matplotlib draws in the house style; outside nothing has changed."""
    register_fonts()
    with matplotlib.rc_context(STYLE):
        yield


def sheet(height_mm: float, width_mm: float = TEXT_MM) -> Figure:
    """Return an empty figure of a size in mm."""
    return Figure(figsize=(width_mm / _MM_PER_INCH, height_mm / _MM_PER_INCH))


def panel(figure: Figure, left: float, bottom: float, width: float, height: float, **options: Any) -> Axes:
    """Return axes at a place given in mm from the lower left corner of the sheet."""
    across, up = figure.get_size_inches() * _MM_PER_INCH
    return figure.add_axes((left / across, bottom / up, width / across, height / up), **options)


def say(text: str) -> str:
    """Return text as figures can set it, see `glyphs.clean`; line breaks stay."""
    return clean(text, figure_cover())


def shortened(text: str, longest: int) -> str:
    """Return text cut to a length, the cut marked with an ellipsis."""
    text = " ".join(say(text).split())
    return text if len(text) <= longest else text[: longest - 1].rstrip() + "…"


def axis_title(axes: Axes, text: str, left_points: float = -24.0) -> None:
    """Set the title of the vertical axis level, above it, where it is read first."""
    axes.annotate(
        say(text), xy=(0, 1), xycoords="axes fraction", xytext=(left_points, 7), textcoords="offset points",
        ha="left", va="bottom", fontstyle="italic", color=MID, annotation_clip=False,
    )  # fmt: skip


def across_title(axes: Axes, text: str, pad: float = 2.5) -> None:
    """Set the title of the horizontal axis."""
    axes.set_xlabel(say(text), fontstyle="italic", color=MID, labelpad=pad)


def frame_range(axes: Axes, across: tuple[float, float] | None, up: tuple[float, float] | None) -> None:
    """Let the axis lines run only from the first to the last tick."""
    if across is not None:
        axes.spines["bottom"].set_bounds(*across)
    if up is not None:
        axes.spines["left"].set_bounds(*up)


_TEXT_STYLE = re.compile(r'(<text\b[^>]*?style=")([^"]*)"')
_WEIGHT = re.compile(r"font(?:-weight)?: (?:italic )?(\d{3})\b")


def _with_weight(match: re.Match[str]) -> str:
    # A variable font that is not told its weight on this axis stays at its lightest.
    weight = _WEIGHT.search(match[2])
    return f"{match[1]}{match[2]}; font-variation-settings: 'wght' {weight[1] if weight else 400}\""


def to_svg(figure: Figure) -> str:
    """Return a figure as SVG: text as text, no date, the same bytes each time."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    svg = buffer.getvalue().decode("utf-8")
    return _TEXT_STYLE.sub(_with_weight, svg)


def steps_to(top: float, most: int = 6) -> tuple[float, ...]:
    """Round ticks from zero to at least `top`, at most `most` steps.

    Examples
    --------
    >>> steps_to(0.23)
    (0.0, 0.05, 0.1, 0.15, 0.2, 0.25)
    >>> steps_to(74)
    (0.0, 20.0, 40.0, 60.0, 80.0)
    """
    if not top > 0:
        return (0.0, 1.0)
    power = -12
    while True:
        for digit in (1.0, 2.0, 2.5, 5.0):
            step = digit * 10.0**power
            count = int(-(-top // step))  # ceiling
            if top - (count - 1) * step <= step * 1e-9:
                count -= 1
            if count <= most:
                return tuple(round(i * step, 12) for i in range(count + 1))
        power += 1
