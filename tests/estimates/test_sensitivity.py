"""E-values against the paper that defines them."""

from __future__ import annotations

import math

import pytest

from outcomes.estimates.estimate import Estimate
from outcomes.estimates.sensitivity import e_value


def ratio(value, low, high, unit="risk ratio"):
    return Estimate("a", value=value, low=low, high=high, method="m", n=100, unit=unit)


def test_worked_example_of_the_paper():
    # VanderWeele TJ, Ding P (2017) Ann Intern Med 167:268–274: risk ratio 3.9 (1.8 to 8.7), E-value 7.26, limit 3.0
    # (quoted from memory, confirmed by the formula).
    found = e_value(ratio(3.9, 1.8, 8.7))
    assert found.value == pytest.approx(7.26, abs=0.005)
    assert found.limit == pytest.approx(3.0, abs=1e-9)


def test_protective_ratio_is_turned_round():
    # Same paper, second example, from memory: risk ratio 0.80 (0.71 to 0.91), E-value 1.81, limit 1.43.
    found = e_value(ratio(0.80, 0.71, 0.91))
    assert found.value == pytest.approx(1.81, abs=0.005)
    assert found.limit == pytest.approx(1.43, abs=0.005)


def test_interval_that_holds_one_needs_no_confounder():
    assert e_value(ratio(1.5, 0.9, 2.5)).limit == 1.0
    assert e_value(ratio(0.8, 0.5, 1.1)).limit == 1.0
    assert e_value(ratio(2.0, None, 4.0)).limit == 1.0


def test_odds_ratio_of_a_common_outcome_enters_by_its_square_root():
    common, rare = e_value(ratio(4.0, 2.25, 9.0, "odds ratio")), e_value(ratio(4.0, 2.25, 9.0, "odds ratio"), rare=True)
    assert common.value == pytest.approx(2 + math.sqrt(2))
    assert common.limit == pytest.approx(1.5 + math.sqrt(0.75))
    assert rare.value == pytest.approx(4 + math.sqrt(12))


def test_other_units_have_no_e_value():
    with pytest.raises(ValueError, match="odds ratios and risk ratios"):
        e_value(ratio(2.0, 1.5, 3.0, "time ratio"))
