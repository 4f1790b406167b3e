"""The report as one self-contained web page, from the same data and pictures as the PDF."""

from __future__ import annotations

import base64
import hashlib
import io
import re
from functools import cache
from importlib.resources import files
from typing import Any

from fontTools import subset
from fontTools.ttLib import TTFont
from jinja2 import BaseLoader, Environment, StrictUndefined
from markupsafe import Markup

from outcomes import wording
from outcomes.figures.glyphs import sans_files

_SIZE = re.compile(r'<svg\b[^>]*?\bwidth="([\d.]+)pt"[^>]*?\bheight="([\d.]+)pt"', re.DOTALL)
_PROLOGUE = re.compile(r"^.*?(?=<svg\b)", re.DOTALL)
_METADATA = re.compile(r"<metadata>.*?</metadata>", re.DOTALL)
_MARK = {
    # verdict: (shape drawn, tone); a shape and a word, colour only repeats them
    "met": ('<circle cx="6" cy="6" r="5.2" fill="currentColor"/>', "good"),
    "not met": ('<polygon points="6,0 12,6 6,12 0,6" fill="currentColor"/>', "bad"),
    "associated": ('<rect x="1" y="1" width="10" height="10" fill="currentColor"/>', "bad"),
    "not shown": ('<rect x="1.6" y="1.6" width="8.8" height="8.8" fill="none" stroke="currentColor" stroke-width="1.8"/>', ""),
    "within limits": ('<circle cx="6" cy="6" r="4.4" fill="none" stroke="currentColor" stroke-width="1.8"/>', "good"),
    "worth a look": (
        '<circle cx="6" cy="6" r="4.6" fill="none" stroke="currentColor" stroke-width="1.6"/>'
        '<circle cx="6" cy="6" r="1.8" fill="currentColor"/>',
        "",
    ),
    "outside 95 %": ('<polygon points="1,11 11,11 6,1" fill="none" stroke="currentColor" stroke-width="1.6"/>', "bad"),
    "outside 99.8 %": ('<polygon points="0,11.4 12,11.4 6,0.6" fill="currentColor"/>', "bad"),
    "described": ('<path d="M0 6H12" stroke="currentColor"/><circle cx="6" cy="6" r="3.2" fill="currentColor"/>', ""),
    "": ('<circle cx="6" cy="6" r="4" fill="currentColor"/>', "good"),
}  # fmt: skip
_LETTER = 5.6  # width of a figure in the names of ticks, in units of their drawing
_DASH = ('<rect x="0.5" y="4" width="11" height="4" fill="currentColor"/>', "dim")


def _verdict_svg(verdict: str) -> Markup:
    shape, _ = _MARK.get(verdict, _DASH)
    return Markup(f'<svg class="mark" viewBox="0 0 12 12" aria-hidden="true">{shape}</svg>')


def _tone(verdict: str) -> str:
    return _MARK.get(verdict, _DASH)[1]


def _interval_svg(row: dict[str, Any], axis: dict[str, Any]) -> Markup:
    """One interval drawn in its row; its numbers stand in the cells before it."""
    width, height, middle = 200.0, 20.0, 10.0
    mark = row["mark"]

    def at(share: float) -> float:
        return round(6 + share * (width - 12), 2)

    parts = [f'<path class="tick" d="M{at(t["at"])} 0V{height}"/>' for t in axis["ticks"]]
    if axis["reference"] is not None:
        parts.append(f'<path class="reference" d="M{at(axis["reference"])} 0V{height}"/>')
    if mark is not None:
        low, high = at(mark["low"]), at(mark["high"])
        parts.append(f'<path class="span" d="M{low} {middle}H{high}"/>')
        if mark["arrow_low"]:
            parts.append(f'<polygon class="shape" points="{low - 6},{middle} {low},{middle - 4} {low},{middle + 4}"/>')
        if mark["arrow_high"]:
            parts.append(
                f'<polygon class="shape" points="{high + 6},{middle} {high},{middle - 4} {high},{middle + 4}"/>'
            )
        if mark["at"] is not None:
            shape, _ = _MARK.get(row["verdict"], _DASH)
            parts.append(
                f'<g transform="translate({at(mark["at"]) - 5} {middle - 5}) scale(0.84)" class="ground">{shape}</g>'
            )
    tone = _tone(row["verdict"])
    return Markup(
        f'<svg class="interval {tone}" viewBox="0 0 {round(width)} {round(height)}" aria-hidden="true">{"".join(parts)}</svg>'
    )


def _named_ticks(axis: dict[str, Any]) -> list[dict[str, Any]]:
    """Ticks that are named: where names would touch, that of the reference stays, then the outer ones, then the others."""
    ticks = axis["ticks"]

    def rank(i: int) -> int:
        return 0 if ticks[i]["at"] == axis["reference"] else 1 if i in (0, len(ticks) - 1) else 2 + i

    kept: list[int] = []
    for i in sorted(range(len(ticks)), key=rank):
        half = len(ticks[i]["text"]) * _LETTER / 2
        apart = [abs(ticks[k]["at"] - ticks[i]["at"]) * 188 - len(ticks[k]["text"]) * _LETTER / 2 - half for k in kept]
        if all(gap >= 2 for gap in apart):
            kept.append(i)
    return [ticks[i] for i in sorted(kept)]


def _axis_svg(axis: dict[str, Any]) -> Markup:
    texts = "".join(
        f'<text x="{round(6 + tick["at"] * 188, 2)}" y="12">{Markup.escape(tick["text"])}</text>'
        for tick in _named_ticks(axis)
    )
    return Markup(f'<svg class="axis" viewBox="0 0 200 16" aria-hidden="true">{texts}</svg>')


def _picture(svg: str, alt: str, name: str) -> Markup:
    """A figure set into the page: named, described, its identifiers its own, scaled to its column."""
    body = _METADATA.sub("", _PROLOGUE.sub("", svg))
    prefix = re.sub(r"\W", "-", name)
    body = re.sub(r'\bid="([^"]+)"', rf'id="{prefix}-\1"', body)
    body = re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}-\1)", body)
    body = re.sub(r'href="#([^"]+)"', rf'href="#{prefix}-\1"', body)
    label = Markup.escape(alt)
    return Markup(_SIZE.sub(lambda found: _sized(found.group(0), label), body, count=1))


def _sized(opening: str, label: Markup) -> str:
    return opening.replace("<svg", f'<svg role="img" aria-label="{label}" class="picture"', 1)


@cache
def _page_source(name: str) -> str:
    return (files("outcomes.report") / "templates" / name).read_text(encoding="utf-8")


def _font(text: str) -> str:
    """The sans in the letters that a page uses, as base64 WOFF."""
    upright, _ = sans_files()
    options = subset.Options()
    options.flavor = "woff"
    options.layout_features = ["kern", "liga", "tnum", "lnum"]
    options.notdef_outline = True
    options.recalc_timestamp = False
    font = TTFont(upright, recalcTimestamp=False)
    tool = subset.Subsetter(options)
    tool.populate(text=text + "0123456789")
    tool.subset(font)
    font.flavor = "woff"
    buffer = io.BytesIO()
    font.save(buffer)
    return base64.b64encode(buffer.getvalue()).decode("ascii")


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def page_text(data: dict[str, Any], pictures: dict[str, str]) -> str:
    """Set report data as one web page that asks nothing of the network.

    Text enters as data and is escaped; the only markup that enters is ours. A content security policy forbids
    everything but the page's own style and script.

    Parameters
    ----------
    data : dict
        As `report_data` gives it.
    pictures : dict of str to str
        SVG of each drawn exhibit by the file name it has in the data.
    """
    environment = Environment(
        loader=BaseLoader(), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    style, script = _page_source("page.css"), _page_source("page.js")
    letters = "".join(sorted({*_letters(data), *"Page Contents Summary Sort by Show numbers as a table Skip to"}))
    style = f"@font-face{{font-family:'Source Sans 3';font-weight:200 900;src:url(data:font/woff;base64,{_font(letters)})}}\n{style}"
    return environment.from_string(_page_source("page.html")).render(
        d=data,
        pictures=pictures,
        style=Markup(style),
        script=Markup(script),
        style_hash=_hash(style),
        script_hash=_hash(script),
        picture=_picture,
        interval_svg=_interval_svg,
        axis_svg=_axis_svg,
        verdict_svg=_verdict_svg,
        tone=_tone,
        capital=wording.capital,
        grouped=_grouped,
    )


def _grouped(rows: list[dict[str, Any]]) -> list[tuple[str, list[dict[str, Any]]]]:
    """Rows in their order, those of one group together."""
    parts: list[tuple[str, list[dict[str, Any]]]] = []
    for row in rows:
        if not parts or parts[-1][0] != row["group"]:
            parts.append((row["group"], []))
        parts[-1][1].append(row)
    return parts


def _letters(value: Any) -> set[str]:
    if isinstance(value, str):
        return set(value)
    if isinstance(value, dict):
        return set().union(*map(_letters, value.values())) if value else set()
    if isinstance(value, list):
        return set().union(*map(_letters, value)) if value else set()
    return set()
