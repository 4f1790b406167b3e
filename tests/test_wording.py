"""Rounding never claims more than the number bears, and never turns something into nothing."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes import wording
from outcomes.estimates.estimate import Estimate


@given(st.floats(min_value=1e-12, max_value=1 - 1e-12))
def test_a_share_between_none_and_all_is_never_printed_as_either(share):
    assert wording.percent(share) not in {"0 %", "100 %", "0.0 %", "100.0 %", "0.00 %"}


@given(st.floats(min_value=1e-6, max_value=0.5))
def test_one_in_never_lies_below_the_bound_it_words(share):
    denominator = int(wording.one_in(share).removeprefix("1 in ").replace(",", ""))
    assert 1 / denominator >= share * (1 - 1e-12)


@given(st.floats(min_value=1e-300, max_value=1.0))
def test_a_p_value_is_never_zero(p):
    assert wording.p_value(p) not in {"0", "0.000", "0.00"}


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0955, "9.6 %"), (0.00999, "1.0 %"), (0.0042, "0.42 %"), (0.5, "50.0 %"), (1.0, "100 %")],
)
def test_percent(value, text):
    assert wording.percent(value) == text


@pytest.mark.parametrize(("value", "text"), [(1.0, "1.00"), (9.996, "10.0"), (99.96, "100"), (0.00005, "under 0.0001")])
def test_ratio(value, text):
    assert wording.ratio(value) == text


def test_an_open_side_of_an_interval_is_said():
    estimate = Estimate("a", value=5.0, low=3.0, high=None, method="m", n=3, unit="days")
    assert wording.estimate_text(estimate) == "5.0 days (95 % CI 3.0 to no upper limit)"


def test_a_difference_is_in_points_with_a_true_minus():
    estimate = Estimate("a", -0.021, -0.05, 0.008, "m", 3, unit="difference in proportion")
    assert wording.estimate_text(estimate) == "−2.1 points (95 % CI −5.0 to 0.8)"


def test_spans_say_the_year_once():
    assert wording.span_text(date(2026, 7, 1), date(2026, 9, 30)) == "1 July to 30 September 2026"
    assert wording.span_text(date(2025, 7, 1), date(2026, 6, 30)) == "1 July 2025 to 30 June 2026"


@pytest.mark.parametrize(
    ("parts", "text"), [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (list("abc"), "a, b and c")]
)
def test_listing(parts, text):
    assert wording.listing(parts) == text


def test_singular_and_plural():
    assert (wording.plural(1, "zone"), wording.plural(0, "zone"), wording.plural(2, "biopsy", "biopsies")) == (
        "1 zone",
        "0 zones",
        "2 biopsies",
    )
