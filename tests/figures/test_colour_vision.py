"""Colours that must be told apart stay apart in grey and for readers who do not tell some colours from others.

Vision is simulated with the matrices of Machado, Oliveira & Fernandes (IEEE Trans Vis Comput Graph 2009;15:1291–1298) at full
severity, in linear RGB; how far two colours lie apart is CIEDE2000, checked against the pairs that Sharma, Wu & Dalal published
(Color Res Appl 2005;30:21–30).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from outcomes.figures import house

APART = 10.0
"""CIEDE2000 between two colours that stand for different things; common practice, no source: about 1 is just noticeable."""
GRAPHIC_CONTRAST = 3.0
"""What WCAG 2.1 (1.4.11) asks of a graphic against its ground."""

VISION = {
    "full": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
    "grey": np.tile([0.2126, 0.7152, 0.0722], (3, 1)),
}
_TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def _linear(colour: str) -> np.ndarray:
    values = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def _seen(colour: str, vision: str) -> np.ndarray:
    return np.clip(VISION[vision] @ _linear(colour), 0, 1)


def _lab(linear: np.ndarray) -> tuple[float, float, float]:
    share = (_TO_XYZ @ linear) / _TO_XYZ.sum(axis=1)
    x, y, z = np.where(share > (6 / 29) ** 3, np.cbrt(share), share / (3 * (6 / 29) ** 2) + 4 / 29)
    return float(116 * y - 16), float(500 * (x - y)), float(200 * (y - z))


def _difference(one: tuple[float, float, float], other: tuple[float, float, float]) -> float:
    """CIEDE2000 with unit weights, in the notation of Sharma, Wu & Dalal (2005)."""
    (l1, a1, b1), (l2, a2, b2) = one, other
    middle = ((math.hypot(a1, b1) + math.hypot(a2, b2)) / 2) ** 7
    stretch = 1.5 - 0.5 * math.sqrt(middle / (middle + 25.0**7))
    c1, c2 = math.hypot(a1 * stretch, b1), math.hypot(a2 * stretch, b2)
    h1, h2 = (math.degrees(math.atan2(b, a * stretch)) % 360 if a or b else 0.0 for a, b in ((a1, b1), (a2, b2)))
    turn = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    d_l, d_c, d_h = l2 - l1, c2 - c1, 2 * math.sqrt(c1 * c2) * math.sin(math.radians(turn / 2))
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    mean_h = h1 + h2 if c1 * c2 == 0 else (h1 + turn / 2) % 360
    t = (
        1 - 0.17 * math.cos(math.radians(mean_h - 30)) + 0.24 * math.cos(math.radians(2 * mean_h))
        + 0.32 * math.cos(math.radians(3 * mean_h + 6)) - 0.20 * math.cos(math.radians(4 * mean_h - 63))
    )  # fmt: skip
    s_l = 1 + 0.015 * (mean_l - 50) ** 2 / math.sqrt(20 + (mean_l - 50) ** 2)
    s_c, s_h = 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    rotation = -2 * math.sqrt(mean_c**7 / (mean_c**7 + 25.0**7))
    rotation *= math.sin(math.radians(60 * math.exp(-(((mean_h - 275) / 25) ** 2))))
    light, chroma, hue = d_l / s_l, d_c / s_c, d_h / s_h
    return math.sqrt(light**2 + chroma**2 + hue**2 + rotation * chroma * hue)


def _apart(one: str, other: str, vision: str) -> float:
    return _difference(_lab(_seen(one, vision)), _lab(_seen(other, vision)))


def _contrast(one: str, other: str, vision: str) -> float:
    low, high = sorted(float(VISION["grey"][0] @ _seen(colour, vision)) for colour in (one, other))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [  # Sharma, Wu & Dalal (2005), table 1, pairs 1, 7, 10, 17, 20, 25, 31 and 34
        ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
        ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
        ((50.0, -0.001, 2.49), (50.0, 0.0009, -2.49), 4.8045),
        ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
        ((50.0, 2.5, 0.0), (58.0, 24.0, 15.0), 19.4535),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
        ((90.9257, -0.5406, -0.9208), (88.6381, -0.8985, -0.7239), 1.5381),
        ((2.0776, 0.0795, -1.135), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_the_distance_is_the_published_one(one, other, expected):
    assert _difference(one, other) == pytest.approx(expected, abs=5e-5)


def test_grey_stays_grey_for_everybody():
    for vision in VISION:
        assert _seen("#808080", vision) == pytest.approx(_linear("#808080"), abs=2e-5)


@pytest.mark.parametrize("vision", VISION)
def test_colours_that_stand_for_different_things_stay_apart(vision):
    """Good beside bad, line beside limit. Clay and plum are alike in grey: only lines that differ by dash wear both."""
    told_by_colour = [
        (house.PINE, house.CLAY),  # met and not met, within and outside limits, a course and its limits
        (house.PINE, house.PLUM),  # evidence for higher and for lower odds, which are also on either side of zero
        (house.PINE, house.MOSS),  # patients within zones, in the histogram
        (house.CLAY, house.INK),  # a name that is flagged, and one that is not
        (house.MID, house.HAIR),  # a reference line and a grid line
    ]
    for one, other in told_by_colour:
        assert _apart(one, other, vision) >= APART, (one, other, vision)


@pytest.mark.parametrize("vision", VISION)
def test_lines_of_one_figure_differ_by_dash_and_stand_out_from_paper(vision):
    dashes = [str(style.dash) for style in house.LINE_STYLES]
    assert len(set(dashes)) == len(dashes)
    for style in house.LINE_STYLES:
        assert _contrast(style.colour, "#ffffff", vision) >= GRAPHIC_CONTRAST, (style, vision)
    assert _contrast(house.MOSS, "#ffffff", vision) >= GRAPHIC_CONTRAST  # the bars of zones in the histogram


@pytest.mark.parametrize("vision", VISION)
def test_words_in_colour_can_be_read(vision):
    for colour in (house.INK, house.PINE, house.CLAY, house.PLUM, house.MID):
        assert _contrast(colour, "#ffffff", vision) >= 4.5, (colour, vision)
