"""Contrast of the web page where a checker in a browser cannot decide: text in drawings, and words on every ground of the style."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from importlib.resources import files
from itertools import product

import pytest
import sample_findings as sample

from outcomes.figures.draw import draw, is_drawn
from outcomes.report.webpage import _DASH, _MARK

TEXT, GRAPHIC = 4.5, 3.0
"""WCAG 2.1: 1.4.3 for text below 18 points, 1.4.11 for graphics that are needed to understand."""

_SVG = "{http://www.w3.org/2000/svg}"
_CSS = (files("outcomes.report") / "templates" / "page.css").read_text("utf-8")
_COLOURS = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", _CSS))
DRAWN = [draw(e).svg for f in sample.findings() for e in f.exhibits if is_drawn(e)]

Rgb = tuple[float, float, float]


def _rgb(colour: str) -> Rgb:
    found = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
    return found[0] / 255, found[1] / 255, found[2] / 255


def _over(top: Rgb, share: float, ground: Rgb) -> Rgb:
    mixed = [share * t + (1 - share) * g for t, g in zip(top, ground, strict=True)]
    return mixed[0], mixed[1], mixed[2]


def contrast(one: Rgb, other: Rgb) -> float:
    """WCAG 2.1 contrast of two colours; black on white is 21."""
    parts = [[v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4 for v in colour] for colour in (one, other)]
    low, high = sorted(0.2126 * r + 0.7152 * g + 0.0722 * b for r, g, b in parts)
    return (high + 0.05) / (low + 0.05)


def _styles(node: ElementTree.Element) -> dict[str, str]:
    pairs = (part.split(":", 1) for part in node.get("style", "").split(";") if ":" in part)
    return {name.strip(): value.strip() for name, value in pairs}


def _areas(root: ElementTree.Element) -> Iterator[tuple[Rgb, float, list[float], list[float]]]:
    """Filled areas: colour, opacity, and the places across and up of their outlines."""
    for path in root.iter(f"{_SVG}path"):
        style = _styles(path)
        fill = style.get("fill", "")
        numbers = [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", path.get("d", ""))]
        if fill.startswith("#") and len(numbers) >= 6:
            yield _rgb(fill), float(style.get("fill-opacity", style.get("opacity", "1"))), numbers[::2], numbers[1::2]


def _place(text: ElementTree.Element) -> tuple[float, float]:
    """Where a word stands, by its own place or by how it is moved."""
    moved = re.search(r"translate\(([-\d.]+)[ ,]+([-\d.]+)\)", text.get("transform", ""))
    return (float(moved[1]), float(moved[2])) if moved else (float(text.attrib["x"]), float(text.attrib["y"]))


def test_black_on_white_is_21_and_a_grey_of_the_standards_notes_is_on_the_limit() -> None:
    """W3C, understanding SC 1.4.3: #767676 on white is 4.54, just enough; #777777 is 4.48, just short of it."""
    assert contrast((0, 0, 0), (1, 1, 1)) == pytest.approx(21)
    assert contrast(_rgb("#767676"), (1, 1, 1)) == pytest.approx(4.54, abs=0.005)
    assert contrast(_rgb("#777777"), (1, 1, 1)) == pytest.approx(4.48, abs=0.005)


def test_words_of_a_drawing_are_read_on_every_ground_they_stand_on() -> None:
    """On white, on every translucent band of the drawing, on two bands over each other, and on no solid area."""
    words = 0
    for svg in DRAWN:
        root = ElementTree.fromstring(svg)
        areas = list(_areas(root))
        bands = [(colour, share) for colour, share, _, _ in areas if share < 1]
        white: Rgb = (1.0, 1.0, 1.0)
        grounds = [white, *(_over(colour, share, white) for colour, share in bands)]
        grounds += [_over(*top, _over(*under, white)) for top, under in product(bands, bands)]
        solid = [(min(x), max(x), min(y), max(y)) for colour, share, x, y in areas if share == 1 and colour != white]
        for text in root.iter(f"{_SVG}text"):
            ink = _rgb(_styles(text).get("fill", "#000000"))
            assert min(contrast(ink, ground) for ground in grounds) >= TEXT, "".join(text.itertext())
            x, y = _place(text)
            inside = [box for box in solid if box[0] < x < box[1] and box[2] < y - 2 < box[3]]
            assert inside == [], "".join(text.itertext())
            words += 1
    assert words > 60


def test_words_of_the_page_are_read_on_paper_and_on_the_tinted_ground() -> None:
    """Names of ticks have the tone of the class axis; every other word one of the tones below."""
    assert ".axis text { font-size: 11px; fill: var(--mid)" in _CSS
    for tone, ground in product(("ink", "pine", "clay", "mid"), ("#ffffff", _COLOURS["wash"])):
        assert contrast(_rgb(_COLOURS[tone]), _rgb(ground)) >= TEXT, (tone, ground)
    used = set(re.findall(r"(?<![-\w])color: var\(--(\w+)\)", _CSS))
    assert used <= {"ink", "pine", "clay", "mid"}


def test_marks_and_intervals_of_the_page_stand_out() -> None:
    tones = {tone for _, tone in (*_MARK.values(), _DASH)}
    assert tones == {"good", "bad", "dim", ""}
    for tone in ("pine", "clay", "mid", "ink"):
        assert contrast(_rgb(_COLOURS[tone]), (1, 1, 1)) >= GRAPHIC
