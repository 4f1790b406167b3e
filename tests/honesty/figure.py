"""One figure of the published page: each simulated cell as a mark, by how often its interval held the truth."""

from __future__ import annotations

import html
import io
from collections.abc import Sequence

import matplotlib as mpl
from counting import CEILING, FLOOR, Counted, percent, verdict
from matplotlib.figure import Figure
from matplotlib.transforms import blended_transform_factory

from outcomes.figures.house import CLAY, HAIR, INK, MID, PINE, STYLE, WASH

LEFT, RIGHT = 0.90, 1.0
MARKS = {"meets": ("o", PINE), "a little wide": ("^", MID), "wider than needed": ("^", MID), "fails": ("X", CLAY)}
TITLE = "How often the intervals held the truth, cell by cell"


def rows_drawn(rows: Sequence[tuple[str, list[Counted]]]) -> list[tuple[str, list[Counted]]]:
    """Kinds of interval with their cells, those left out that are mostly answered by "cannot say"."""
    kept = [(words, [c for c in members if verdict(c) != "mostly cannot say"]) for words, members in rows]
    return [(words, members) for words, members in kept if members]


def description(rows: Sequence[tuple[str, list[Counted]]]) -> str:
    """The figure in words, from its numbers."""
    said = []
    for words, members in rows_drawn(rows):
        held = sorted(c.coverage for c in members)
        failing = sum(verdict(c) == "fails" for c in members)
        said.append(
            f"{words}: {len(members)} cells, held in {percent(held[0])} to {percent(held[-1])} %, "
            f"{failing or 'none'} below {100 * FLOOR:g} % beyond Monte Carlo error"
        )
    return "; ".join(said) + "."


def draw_figure(rows: Sequence[tuple[str, list[Counted]]]) -> str:
    """SVG with title and description; the same bytes for the same rows."""
    drawn = rows_drawn(rows)
    with mpl.rc_context({**STYLE, "svg.fonttype": "path", "font.family": ["DejaVu Sans"]}):
        figure = Figure(figsize=(8.6, 0.62 + 0.34 * len(drawn)))
        axes = figure.add_axes((0.36, 0.5 / (0.62 + 0.34 * len(drawn)), 0.61, 1 - 0.62 / (0.62 + 0.34 * len(drawn))))
        axes.axvspan(FLOOR, CEILING, color=WASH, linewidth=0)
        axes.axvline(0.95, color=HAIR, linewidth=0.8)
        words_at = blended_transform_factory(axes.transAxes, axes.transData)
        for place, (words, members) in enumerate(drawn):
            axes.text(-0.02, place, f"{words} ({len(members)})", ha="right", va="center", color=INK, transform=words_at)
            for kind, (shape, colour) in MARKS.items():
                chosen = sorted(max(LEFT, c.coverage) for c in members if verdict(c) == kind)
                # marks of one row are spread up and down in the order of their place, so that none hides another
                heights = [place + 0.11 * ((i % 5) - 2) for i in range(len(chosen))]
                axes.scatter(
                    chosen,
                    heights,
                    marker=shape,
                    s=17 if kind == "fails" else 11,
                    color=colour,
                    alpha=0.8,
                    linewidths=0,
                )
        axes.set_xlim(LEFT - 0.003, RIGHT + 0.003)
        axes.set_ylim(len(drawn) - 0.4, -0.6)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        ticks = [LEFT, 0.92, 0.94, 0.95, 0.96, 0.98, RIGHT]
        axes.set_xticks(ticks, [f"{100 * t:.0f}" + (" or less" if t == LEFT else "") for t in ticks])
        axes.set_xlabel("interval held the truth in … % of replicates")
        text = io.StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    head, opened, rest = text.getvalue().partition("<svg ")
    attributes, closed, body = rest.partition(">")
    named = (
        f'{head}{opened}role="img" aria-labelledby="title description" {attributes}{closed}\n'
        f' <title id="title">{html.escape(TITLE)}</title>\n <desc id="description">{html.escape(description(rows))}</desc>'
    )
    return "\n".join(line.rstrip() for line in (named + body).splitlines()) + "\n"
