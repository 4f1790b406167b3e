"""Every exhibit shape becomes a picture or a table; pictures keep their text and say their numbers."""

from __future__ import annotations

import re
import typing
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import matplotlib
import pytest
import sample_findings as sample

from outcomes.estimates.estimate import Estimate
from outcomes.figures import house, labels
from outcomes.figures.alt import is_empty
from outcomes.figures.draw import DRAWERS, TYPESET_AS_TABLES, draw, is_drawn
from outcomes.figures.glyphs import clean, figure_cover, page_cover
from outcomes.findings import (
    PRACTITIONER_VERDICTS,
    Bars,
    Curves,
    Cusum,
    Exhibit,
    Forest,
    Funnel,
    Grid,
    Response,
    Timeline,
)

DRAWN = [e for f in sample.findings() for e in f.exhibits if is_drawn(e)]


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def _words(svg: str) -> list[str]:
    root = ElementTree.fromstring(svg)
    return ["".join(node.itertext()) for node in root.iter("{http://www.w3.org/2000/svg}text")]


def test_every_shape_is_drawn_or_set_as_a_table() -> None:
    shapes = set(typing.get_args(Exhibit))
    assert shapes == set(DRAWERS) | set(TYPESET_AS_TABLES)
    assert not set(DRAWERS) & set(TYPESET_AS_TABLES)


def test_the_samples_cover_every_shape() -> None:
    assert {type(e) for f in sample.findings() for e in f.exhibits} == set(typing.get_args(Exhibit))
    assert {type(e) for e in DRAWN} == set(DRAWERS)


@pytest.mark.parametrize("exhibit", DRAWN, ids=lambda e: type(e).__name__)
def test_same_bytes_twice_without_a_date(exhibit: Exhibit) -> None:
    first = draw(exhibit).svg
    assert first == draw(exhibit).svg
    assert "dc:date" not in first


@pytest.mark.parametrize("exhibit", DRAWN, ids=lambda e: type(e).__name__)
def test_text_stays_text_with_its_weight(exhibit: Exhibit) -> None:
    svg = draw(exhibit).svg
    styles = re.findall(r'<text\b[^>]*style="([^"]*)"', svg)
    assert styles
    assert all("font-variation-settings: 'wght' " in style and house.FAMILY in style for style in styles)
    assert all(
        ("'wght' 600" in style) == bool(re.search(r"font(?:-weight)?: (?:italic )?600", style)) for style in styles
    )


@pytest.mark.parametrize("exhibit", DRAWN, ids=lambda e: type(e).__name__)
def test_width_is_that_of_the_text_column(exhibit: Exhibit) -> None:
    root = ElementTree.fromstring(draw(exhibit).svg)
    assert float(root.get("width", "").removesuffix("pt")) == pytest.approx(house.TEXT_MM / 25.4 * 72, abs=0.01)


def test_alt_text_of_curves_holds_their_numbers() -> None:
    exhibit = next(e for e in DRAWN if isinstance(e, Curves))
    alt = draw(exhibit).alt
    for curve in exhibit.curves:
        assert f"{curve.label}, {curve.n:,} zones of {curve.patients:,} patients" in alt
        assert ", ".join(f"{n:,}" for n in curve.at_risk) in alt
    off = exhibit.curves[2]
    at_ten = 100 * off.value[10]
    low, high = off.low[10], off.high[10]
    assert low is not None
    assert high is not None
    assert f"day 10 {at_ten:.1f} % ({100 * low:.1f} to {100 * high:.1f})" in alt
    assert "(no limits)" in alt


def test_alt_text_of_a_funnel_holds_each_point() -> None:
    exhibit = next(e for e in DRAWN if isinstance(e, Funnel))
    alt = draw(exhibit).alt
    assert "around 5.0 %" in alt
    assert "P4: 11.2 % (95 % CI 5.6 to 16.8) on 390, outside 99.8 %." in alt
    assert all(f"{point.label}: " in alt and point.verdict in alt for point in exhibit.points)


def test_alt_text_of_a_response_holds_its_ends_and_support() -> None:
    exhibit = next(e for e in DRAWN if isinstance(e, Response))
    alt = draw(exhibit).alt
    assert "at 4 2.0 % (0.40 to 4.3)" in alt
    assert "at 22 11.4 % (9.5 to 14.1)" in alt
    assert "2,876 zones of 1,102 patients, 151 events" in alt
    assert "12 to 14: 610 zones of 390 patients" in alt


def test_alt_text_of_bars_holds_each_number() -> None:
    exhibit = next(e for e in DRAWN if isinstance(e, Bars))
    alt = draw(exhibit).alt
    assert all(f"{label}, {text}" in alt for label, text in zip(exhibit.labels, exhibit.texts, strict=True))


def test_a_timeline_says_each_span_and_draws_no_value_for_a_young_one() -> None:
    exhibit = next(e for e in DRAWN if isinstance(e, Timeline))
    drawing = draw(exhibit)
    words = " ".join(_words(drawing.svg))
    for label, answer, young in zip(exhibit.labels, exhibit.answers, exhibit.immature, strict=True):
        assert label in words
        if young:
            assert f"{label}: not yet mature" in drawing.alt
        elif isinstance(answer, Estimate):
            assert f"{label}: {100 * answer.value:.1f} %" in drawing.alt
    assert words.count("not yet") == sum(exhibit.immature)
    assert all(house.shortened(text, 34) in words for _, text in exhibit.marks)
    young_only = replace(exhibit, immature=(True,) * len(exhibit.labels))
    assert is_empty(young_only)


def test_a_cumulative_sum_names_its_signals_and_marks_them_by_shape() -> None:
    exhibit = next(e for e in DRAWN if isinstance(e, Cusum))
    quiet = replace(exhibit, signals_up=(), signals_down=())
    assert "no signal of higher odds" in draw(quiet).alt
    up = replace(exhibit, signals_up=(3,), signals_down=())
    down = replace(exhibit, signals_up=(), signals_down=(3,))
    assert len({draw(e).svg for e in (quiet, up, down)}) == 3
    assert "1 signal of higher odds" in draw(up).alt
    assert is_empty(replace(exhibit, up=(), down=()))


def test_numbers_still_observed_are_printed_for_each_line() -> None:
    exhibit = next(e for e in DRAWN if isinstance(e, Curves))
    words = _words(draw(exhibit).svg)
    for curve in exhibit.curves:
        assert words.count(curve.label) == 2  # beside the line, and at its numbers below
        assert all(f"{n:,}" in words for n in curve.at_risk)


def test_a_curve_without_days_keeps_its_row_and_the_others_their_style() -> None:
    exhibit = next(e for e in DRAWN if isinstance(e, Curves))
    first = exhibit.curves[0]
    silent = replace(
        first, label="nobody assessed", days=(), value=(), low=(), high=(), at_risk=(0,) * 6, n=0, patients=0
    )
    svg = draw(replace(exhibit, curves=(silent, *exhibit.curves[1:]))).svg
    words = _words(svg)
    assert words.count("nobody assessed") == 1
    assert words.count("face") == 2
    colours = re.findall(rf'style="[^"]*fill: ({house.CLAY}|{house.INK})[^"]*"[^>]*>face<', svg)
    assert set(colours) == {house.CLAY}


@pytest.mark.parametrize("label", ["$x^2$ & <b>", "a_b 50 % #1", "שלום", "患者", "x" * 80])
def test_labels_from_records_are_text_and_nothing_else(label: str) -> None:
    exhibit = next(e for e in DRAWN if isinstance(e, Funnel))
    point = replace(exhibit.points[0], label=label)
    words = _words(draw(replace(exhibit, points=(point, *exhibit.points[1:]))).svg)
    assert house.shortened(label, 14) in words
    if label == "患者":
        assert "[U+60A3][U+80…" in words


def test_markers_tell_verdicts_apart_without_colour() -> None:
    from outcomes.figures.funnel import _mark, _Place

    exhibit = next(e for e in DRAWN if isinstance(e, Funnel))
    looks = set()
    for verdict in PRACTITIONER_VERDICTS:
        mark = _mark(_Place(replace(exhibit.points[0], verdict=verdict), 10.0, 9.0, 9.0, 0.09), 5.0)
        looks.add((mark["marker"], mark["facecolor"] == "white"))
    assert len(looks) == len(PRACTITIONER_VERDICTS)


def test_lines_differ_by_dash_and_colours_can_be_read() -> None:
    dashes = [str(style.dash) for style in house.LINE_STYLES]
    assert len(set(dashes)) == len(dashes)
    # Text needs 4.5:1 (WCAG 2.1, 1.4.3); the first two lines must also part in grey.
    assert all(_contrast(c, "#ffffff") >= 4.5 for c in (house.INK, house.PINE, house.CLAY, house.MID, house.PLUM))
    assert _contrast(house.PINE, house.CLAY) >= 1.7


@pytest.mark.parametrize(
    "exhibit",
    [
        Curves("t", "x", "y", (), (0.0,)),
        Funnel("t", "x", "y", (), 0.1, (), ()),
        Response("t", "x", "y", (), (), (), (), (), (), (), 0, 0, 0),
        Bars("t", (), (), (), 1.0),
    ],
    ids=lambda e: type(e).__name__,
)
def test_nothing_to_draw_is_said_not_drawn(exhibit: Exhibit) -> None:
    assert is_empty(exhibit)
    assert not is_drawn(exhibit)
    with pytest.raises(ValueError, match="nothing to draw"):
        draw(exhibit)


@pytest.mark.parametrize("exhibit", [Forest("t", ("a",), (), "ratio"), Grid("t", ("a",), ())])
def test_tables_are_not_drawn(exhibit: Exhibit) -> None:
    with pytest.raises(TypeError):
        draw(exhibit)


def test_drawing_leaves_matplotlib_as_it_was() -> None:
    before = dict(matplotlib.rcParams)
    draw(DRAWN[0])
    assert dict(matplotlib.rcParams) == before


def test_cleaned_text_holds_only_what_the_fonts_have() -> None:
    text = clean("naïve ≥ CO₂ Łódź 患者 שלום \u202eabc\u202c \x00\x07 a\tb \ue000", figure_cover())
    assert text == "naïve ≥ CO₂ Łódź [U+60A3][U+8005] [U+05E9][U+05DC][U+05D5][U+05DD] abc  a b [U+E000]"
    assert "שלום" in clean("שלום", page_cover())
    assert all(ord(c) in figure_cover() for c in text)


def _funnel() -> Funnel:
    return next(e for e in DRAWN if isinstance(e, Funnel))


def _ratios(funnel: Funnel) -> Funnel:
    """The same funnel as observed over expected events around 1."""
    points = tuple(
        replace(
            point,
            size=point.size * funnel.centre,
            answer=replace(
                point.answer,
                value=point.answer.value / funnel.centre,
                low=point.answer.low / funnel.centre,
                high=point.answer.high / funnel.centre,
                unit="observed/expected",
            ),
        )
        for point in funnel.points
        if isinstance(point.answer, Estimate) and point.answer.low is not None and point.answer.high is not None
    )
    limits = tuple(
        (name, tuple(v / funnel.centre for v in low), tuple(v / funnel.centre for v in high))
        for name, low, high in funnel.limits
    )
    sizes = tuple(size * funnel.centre for size in funnel.sizes)
    labels = {"y_label": "Observed over expected events", "x_label": "Expected events"}
    return replace(funnel, points=points, centre=1.0, sizes=sizes, limits=limits, **labels)


def test_a_funnel_of_ratios_is_drawn_around_1_and_never_in_per_cent() -> None:
    drawing = draw(_ratios(_funnel()))
    words = _words(drawing.svg)
    assert "as expected" in words
    assert "1" in words
    assert not any("%" in word for word in words if word not in ("95 % limit", "99.8 % limit"))
    assert "limits of 95 % and 99.8 % around 1.00" in drawing.alt
    assert "P4: 2.24 (95 % CI 1.12 to 3.36) on 19.5, outside 99.8 %." in drawing.alt


def test_a_funnel_of_proportions_stays_in_per_cent() -> None:
    assert "all: 5.0 %" in _words(draw(_funnel()).svg)


def _text_boxes(svg: str) -> dict[str, list[labels.Box]]:
    """Every text of a drawing with its rectangle in mm, y upwards."""
    boxes: dict[str, list[labels.Box]] = {}
    for node in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"):
        text = "".join(node.itertext())
        anchor = re.search(r"text-anchor: (\w+)", node.get("style", ""))
        side = {"start": "left", "middle": "center", "end": "right"}[anchor[1] if anchor else "start"]
        x, y = (float(node.get(name, "nan")) * 25.4 / 72 for name in "xy")
        boxes.setdefault(text, []).append(labels.text_box(x, -y + 0.9, side, text))
    return boxes


@pytest.mark.parametrize("low", [0.0, 0.05], ids=["all at nothing", "all near the centre"])
@pytest.mark.parametrize("apart", [0.5, 4.0, 30.0])
def test_names_in_a_funnel_never_meet_each_other_or_the_names_of_limits(low: float, apart: float) -> None:
    first = _funnel().points[0]
    assert isinstance(first.answer, Estimate)
    crowd = tuple(
        replace(first, label=f"MW{i}", size=500.0 + apart * i, answer=replace(first.answer, value=low, low=0.0))
        for i in range(7)
    )
    boxes = _text_boxes(draw(replace(_funnel(), points=crowd)).svg)
    named = {text: found for text, found in boxes.items() if text.startswith("MW") or "limit" in text or ":" in text}
    assert len([text for text in named if text.startswith("MW")]) == 7
    found = [box for group in named.values() for box in group]
    assert not any(a.meets(b) for i, a in enumerate(found) for b in found[i + 1 :])


def test_a_mark_at_nothing_lies_above_the_axis_line() -> None:
    first = _funnel().points[0]
    assert isinstance(first.answer, Estimate)
    at_nothing = replace(first, answer=replace(first.answer, value=0.0, low=0.0))
    root = ElementTree.fromstring(draw(replace(_funnel(), points=(at_nothing, *_funnel().points[1:]))).svg)
    svg = "{http://www.w3.org/2000/svg}"
    marks = [
        float(use.get("y", "nan"))
        for group in root.iter(f"{svg}g")
        if str(group.get("id")).startswith("PathCollection")
        for use in group.iter(f"{svg}use")
    ]
    line = next(
        path.get("d", "")
        for group in root.iter(f"{svg}g")
        if group.get("id") == "patch_2" or str(group.get("id")).startswith("matplotlib.axis_1")
        for path in group.iter(f"{svg}path")
    )
    ticks = [
        float(use.get("y", "nan"))
        for g in root.iter(f"{svg}g")
        if g.get("id") == "xtick_1"
        for use in g.iter(f"{svg}use")
    ]
    assert line
    assert min(ticks) - max(marks) > 4.0  # points: more than the radius of a mark


def test_a_mark_too_small_to_judge_does_not_squeeze_the_others() -> None:
    tiny = _funnel().points[-1]
    assert tiny.verdict == "too few to judge"
    assert isinstance(tiny.answer, Estimate)
    far = replace(tiny, answer=replace(tiny.answer, value=0.9, high=1.0))
    words = _words(draw(replace(_funnel(), points=(*_funnel().points[:-1], far))).svg)
    assert "P7: 90.0 %" in words
    assert "90" not in words


def test_curves_are_straight_between_the_given_days() -> None:
    exhibit = next(e for e in DRAWN if isinstance(e, Curves))
    first = replace(
        exhibit.curves[0], days=(0.0, 10.0, 20.0), value=(1.0, 0.5, 0.0), low=(0.9, 0.4, None), high=(1.0, 0.6, None)
    )
    drawing = draw(replace(exhibit, curves=(first,)))
    assert "day 5 75.0 % (65.0 to 80.0)" in drawing.alt
    assert "day 15 25.0 % (no limits)" in drawing.alt
    paths = re.findall(r'd="(M [^"]*)" style="fill: none; stroke: ' + house.PINE, drawing.svg)
    corners = max((re.findall(r"[ML] ([-\d.]+) ([-\d.]+)", path) for path in paths), key=len)
    assert len(corners) == 3


def test_numbers_below_curves_are_called_still_observed() -> None:
    words = _words(draw(next(e for e in DRAWN if isinstance(e, Curves))).svg)
    assert "Still observed" in words
    assert "At risk" not in words


def test_a_thin_tail_does_not_squeeze_a_response_and_is_counted() -> None:
    exhibit = next(e for e in DRAWN if isinstance(e, Response))
    edges = (*exhibit.histogram_edges, 80.0, 100.0)
    tail = replace(
        exhibit,
        histogram_edges=edges,
        histogram_zones=(*exhibit.histogram_zones, 0, 2),
        histogram_patients=(*exhibit.histogram_patients, 0, 2),
    )
    words = _words(draw(tail).svg)
    assert any(word.endswith("; 2 zones beyond the axis") for word in words)
    assert "100" not in words
    assert "80 to 100: 2 zones of 2 patients" in draw(tail).alt
