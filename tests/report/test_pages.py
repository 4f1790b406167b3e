"""Rendered pages: no heading is the last thing on a page, no text leaves it, no figure is cut off or too near the foot."""

from __future__ import annotations

import io
import json
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from pypdf import PageObject, PdfReader

from outcomes.report.typeset import compile_pdf

SAMPLE = Path(__file__).parents[2] / "reports" / "sample"
POINTS_PER_MM = 72 / 25.4
HEADING_SIZE = 13.5
"""Points: headings of sections are set in 14, the title of the first page larger, text in 10 at most."""
FOOT_MM = 13.5
FEWEST_LINES = 3


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of text on a page: its words, size, and place in points from the lower left corner."""

    text: str
    size: float
    x: float
    y: float


def pieces(page: PageObject) -> list[Piece]:
    """Every piece of text of a page that holds a letter or a figure."""
    found: list[Piece] = []

    def visit(text: str, device: Any, place: Any, font: Any, size: float) -> None:
        if any(letter.isalnum() for letter in text):
            up = place[4] * device[1] + place[5] * device[3] + device[5]
            across = place[4] * device[0] + place[5] * device[2] + device[4]
            found.append(Piece(text.strip(), abs(size * place[3] * device[3]), across, up))

    page.extract_text(visitor_text=visit)
    return found


@dataclass(frozen=True, slots=True)
class Rendered:
    """A report as it was set, and the pieces of text of each page, all and between running head and foot."""

    reader: PdfReader
    wide: float
    tall: float
    pages: tuple[list[Piece], ...]

    def body(self, number: int) -> list[Piece]:
        """What stands between the running head and the running foot of a page, counted from 1."""
        low, high = FOOT_MM * POINTS_PER_MM, self.tall - 11 * POINTS_PER_MM
        return [piece for piece in self.pages[number - 1] if low < piece.y < high]


@pytest.fixture(scope="module", params=["a4", "letter"])
def rendered(request: pytest.FixtureRequest) -> Rendered:
    data = json.loads((SAMPLE / "report.json").read_text(encoding="utf-8"))
    pictures = {f"figures/{path.name}": path.read_text("utf-8") for path in sorted((SAMPLE / "figures").glob("*.svg"))}
    as_of = date.fromisoformat(data["scope"]["as_of"])
    reader = PdfReader(io.BytesIO(compile_pdf(data, pictures, as_of, paper=request.param)))
    box = reader.pages[0].mediabox
    return Rendered(reader, float(box.width), float(box.height), tuple(pieces(page) for page in reader.pages))


def headings_left_alone(rendered: Rendered, number: int) -> list[Piece]:
    """Headings of a page with fewer lines below them than `FEWEST_LINES`; the title of the first page is none."""
    body = rendered.body(number)
    headings = [piece for piece in body if piece.size >= HEADING_SIZE] if number > 1 else []
    lines = [{round(p.y) for p in body if p.y < heading.y - 6 and p.size < HEADING_SIZE} for heading in headings]
    return [heading for heading, below in zip(headings, lines, strict=True) if len(below) < FEWEST_LINES]


def pieces_off_the_page(rendered: Rendered, number: int) -> list[Piece]:
    """Text that begins outside the margins of its page."""
    left, right = 8 * POINTS_PER_MM, rendered.wide - 10 * POINTS_PER_MM
    low, high = 3 * POINTS_PER_MM, rendered.tall - 3 * POINTS_PER_MM
    return [p for p in rendered.pages[number - 1] if not (left < p.x < right and low < p.y < high)]


def test_no_heading_is_the_last_on_its_page(rendered: Rendered) -> None:
    numbers = range(1, len(rendered.pages) + 1)
    assert sum(piece.size >= HEADING_SIZE for number in numbers for piece in rendered.body(number)) >= 20
    assert [heading for number in numbers for heading in headings_left_alone(rendered, number)] == []


def test_no_text_leaves_its_page(rendered: Rendered) -> None:
    assert [
        piece for number in range(1, len(rendered.pages) + 1) for piece in pieces_off_the_page(rendered, number)
    ] == []


def _boxes(node: Any, kind: str) -> list[tuple[float, ...]]:
    """Bounding boxes that the tags of a kind state."""
    node = node.get_object()
    found = []
    if isinstance(node, dict):
        attributes = node.get("/A")
        if node.get("/S") == kind and attributes is not None:
            attributes = attributes.get_object()
            for each in attributes if isinstance(attributes, list) else [attributes]:
                box = each.get_object().get("/BBox")
                if box is not None:
                    found.append(tuple(float(v) for v in box))
        kids = node.get("/K")
        if kids is not None:
            kids = kids.get_object()
            for kid in kids if isinstance(kids, list) else [kids]:
                if not isinstance(kid, int):
                    found += _boxes(kid, kind)
    return found


def test_every_figure_lies_whole_on_its_page(rendered: Rendered) -> None:
    boxes = _boxes(rendered.reader.trailer["/Root"]["/StructTreeRoot"], "/Figure")
    drawn = [box for box in boxes if box[2] - box[0] > 60 * POINTS_PER_MM]
    assert len(drawn) == len(list((SAMPLE / "figures").glob("*.svg")))
    for left, low, right, high in drawn:
        assert left >= 14 * POINTS_PER_MM
        assert right <= rendered.wide - 14 * POINTS_PER_MM
        assert low >= (FOOT_MM - 1) * POINTS_PER_MM
        assert high <= rendered.tall - 14 * POINTS_PER_MM


def test_no_page_is_left_mostly_empty_but_the_last(rendered: Rendered) -> None:
    """The lowest line of each page but the first, which ends with its caution, and the last is in its lower third."""
    for number in range(2, len(rendered.pages)):
        assert min(piece.y for piece in rendered.body(number)) < rendered.tall / 3, number


def test_the_checks_find_a_heading_left_alone_and_a_word_off_the_page() -> None:
    text = [Piece("words", 9.0, 60.0, 700.0 - 12 * i) for i in range(5)]
    alone = Piece("Sign-off", 14.0, 60.0, 60.0)
    off = Piece("cut", 9.0, 590.0, 400.0)
    made = Rendered(PdfReader(SAMPLE / "audit.pdf"), 595.0, 842.0, ([], [*text, alone, off]))
    assert headings_left_alone(made, 2) == [alone]
    assert pieces_off_the_page(made, 2) == [off]
