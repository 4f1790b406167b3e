"""Text reaches the page as it is, breakable, and never torn from its unit."""

from __future__ import annotations

import pytest
import sample_findings as sample

from outcomes.report.settable import settable, settable_data


def test_a_long_word_may_break_and_is_otherwise_intact() -> None:
    text = settable(sample.LONG_WORD)
    assert text.replace("\u200b", "") == sample.LONG_WORD
    assert max(len(part) for part in text.split("\u200b")) <= 14


@pytest.mark.parametrize("text", sample.HOSTILE)
def test_markup_is_text(text: str) -> None:
    back = settable(text).replace("\u00a0", " ").replace("\u200b", "")
    assert back == text


def test_a_number_keeps_to_its_unit() -> None:
    assert (
        settable("12 mJ and 5.0 % (95 % CI 2 to 8)") == "12\u00a0mJ and 5.0\u00a0% (95\u00a0%\u00a0CI 2\u00a0to\u00a08)"
    )


def test_a_break_never_parts_a_letter_from_its_mark() -> None:
    word = "x" * 13 + "q\u0301" * 20
    assert all(not part.startswith("\u0301") for part in settable(word).split("\u200b"))


def test_names_that_are_looked_up_stay() -> None:
    name = "figures/a_name_that_is_longer_than_any_word_may_be.svg"
    data = settable_data({"file": name, "verdict": "outside 99.8 %", "alt": "x" * 50, "text": ["x" * 50]})
    assert data["file"] == name
    assert data["verdict"] == "outside 99.8 %"
    assert data["alt"] == "x" * 50
    assert "\u200b" in data["text"][0]
