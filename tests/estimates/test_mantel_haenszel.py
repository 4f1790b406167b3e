"""Ratios common to strata, against R and printed tables."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.mantel_haenszel import common_odds_ratio, common_rate_ratio, common_risk_ratio


def test_two_strata_as_in_r():
    # R 4.2.2: mantelhaen.test(array(c(8, 12, 4, 16, 2, 8, 1, 11), c(2, 2, 2)), correct = FALSE)
    found = common_odds_ratio([8, 2], [20, 10], [4, 1], [20, 12])
    answer = found.answer
    assert (answer.value, answer.low, answer.high) == pytest.approx(
        (2.68604651163, 0.778184966409, 9.27137656735), rel=1e-10
    )
    assert (found.chi_square, answer.p_value) == pytest.approx((2.45874831331, 0.11687188155), rel=1e-10)
    assert "independent" in answer.method


def test_berkeley_as_printed():
    # Bickel PJ, Hammel EA, O'Connell JW (1975) Science 187:398-404; common odds ratio 0.905 in Agresti A (2013)
    # Categorical Data Analysis, 3rd ed.; R's mantelhaen.test(UCBAdmissions) prints 0.9046968.
    men, men_all = [512, 353, 120, 138, 53, 22], [825, 560, 325, 417, 191, 373]
    women, women_all = [89, 17, 202, 131, 94, 24], [108, 25, 593, 375, 393, 341]
    assert round(common_odds_ratio(men, men_all, women, women_all).answer.value, 7) == 0.9046968


def test_one_stratum_is_the_plain_ratio():
    assert common_odds_ratio([12], [40], [5], [50]).answer.value == pytest.approx((12 * 45) / (28 * 5))
    risks = common_risk_ratio([12], [40], [5], [50])
    assert risks.answer.value == pytest.approx((12 / 40) / (5 / 50))
    assert risks.log_standard_error**2 == pytest.approx(1 / 12 - 1 / 40 + 1 / 5 - 1 / 50)
    rates = common_rate_ratio([12], [400.0], [5], [500.0])
    assert rates.answer.value == pytest.approx((12 / 400) / (5 / 500))
    assert rates.log_standard_error**2 == pytest.approx(1 / 12 + 1 / 5)


def test_sides_turned_round_turn_the_ratio_round():
    one, other = ([8, 2, 3], [20, 10, 11]), ([4, 1, 0], [20, 12, 9])
    for ratio in (common_odds_ratio, common_risk_ratio):
        there, back = ratio(*one, *other).answer, ratio(*other, *one).answer
        assert (there.value, there.low, there.high) == pytest.approx((1 / back.value, 1 / back.high, 1 / back.low))


@pytest.mark.parametrize(
    ("tables", "reason"),
    [
        (([], [], [], []), "no stratum has records on both sides"),
        (([1], [4], [0], [0]), "no stratum has records on both sides"),
        (([0], [4], [0], [5]), "no stratum tells the two sides apart"),
        (([2], [4], [0], [5]), "the strata set no limit to it on one side"),
    ],
)
def test_what_cannot_be_said(tables, reason):
    answer = common_odds_ratio(*tables).answer
    assert isinstance(answer, NotEstimable)
    assert answer.reason == reason


def test_all_events_have_a_risk_ratio_that_does_not_vary():
    answer = common_risk_ratio([4, 3], [4, 3], [5, 2], [5, 2]).answer
    assert isinstance(answer, NotEstimable)
    assert answer.reason == "every record has the event"


def test_faults():
    with pytest.raises(ValueError, match="between 0 and the records"):
        common_odds_ratio([5], [4], [1], [2])
    with pytest.raises(ValueError, match="differ in length"):
        common_risk_ratio([1], [4, 5], [1], [2])
    with pytest.raises(ValueError, match="need exposure"):
        common_rate_ratio([1], [0.0], [1], [2.0])


counts = st.tuples(st.integers(0, 5), st.integers(0, 5), st.integers(0, 5), st.integers(0, 5))


@given(st.lists(counts, max_size=6))
def test_every_set_of_strata_gets_a_ratio_with_width_or_a_reason(rows):
    a, b, c, d = np.array(rows, dtype=int).reshape(-1, 4).T
    for found in (
        common_odds_ratio(a, a + b, c, c + d),
        common_risk_ratio(a, a + b, c, c + d),
        common_rate_ratio(a, a + b, c, c + d),
    ):
        if isinstance(found.answer, Estimate):
            assert 0 < found.answer.low < found.answer.value < found.answer.high
            assert 0 < found.answer.p_value <= 1
        else:
            assert found.answer.reason
