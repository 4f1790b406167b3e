"""Intervals about what differs only between a few groups: t quantiles as printed, and how often they hold the truth."""

from __future__ import annotations

import math

import numpy as np
import pytest

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.few_groups import on_few_groups

ONE = Estimate("between", 2.0, 2 * math.exp(-1.959963985), 2 * math.exp(1.959963985), "m", 900, unit="odds ratio")

# Student's t, two-sided 5 %: Fisher and Yates, Statistical Tables, table III, as in any textbook
T_975 = {1: 12.706, 2: 4.303, 3: 3.182, 5: 2.571, 10: 2.228}


@pytest.mark.parametrize(("degrees", "quantile"), T_975.items())
def test_limits_stand_a_t_quantile_away(degrees, quantile):
    """The estimate has a standard error of 1 on the log scale."""
    wide = on_few_groups(ONE, groups=degrees + 2, parameters=1)
    assert math.log(wide.high / wide.value) == pytest.approx(quantile, abs=6e-4)
    assert math.log(wide.value / wide.low) == pytest.approx(quantile, abs=6e-4)
    assert wide.p_value is None


def test_each_variable_of_the_groups_costs_one_degree():
    assert on_few_groups(ONE, 9, 2).high == pytest.approx(on_few_groups(ONE, 8, 1).high)


@pytest.mark.parametrize("groups", [1, 2])
def test_nothing_is_said_when_no_degree_is_left(groups):
    assert isinstance(on_few_groups(ONE, groups, 1), NotEstimable)


def test_a_refusal_stays_and_an_open_limit_stays_open():
    refusal = NotEstimable("between", "one practitioner only", n=9, unit="odds ratio")
    assert on_few_groups(refusal, 7, 1) is refusal
    open_above = Estimate("between", 2.0, 1.0, None, "m", 900, unit="odds ratio")
    assert on_few_groups(open_above, 7, 1).high is None


def test_only_ratios():
    with pytest.raises(ValueError, match="ratio"):
        on_few_groups(Estimate("a", 0.1, 0.05, 0.2, "m", 9, unit="proportion"), 7, 1)
    with pytest.raises(ValueError, match="at least one"):
        on_few_groups(ONE, 7, 0)


def test_it_holds_the_truth_as_often_as_it_says_where_the_normal_does_not():
    """Seven group means on a slope of 0.5: exact by theory (normal errors), so that 2,000 draws stay near 95 %.

    The residual's own standard error enters as the interval's, as a sandwich clustered by group gives it.
    """
    rng = np.random.default_rng(7)
    x = np.linspace(-1, 1, 7)
    held = {"normal": 0, "t": 0}
    draws = 2000
    for _ in range(draws):
        y = 0.5 * x + rng.normal(0, 0.3, 7)
        slope, intercept = np.polyfit(x, y, 1)
        error = math.sqrt(((y - intercept - slope * x) ** 2).sum() / 5 / (x**2).sum())
        plain = Estimate(
            "slope", math.exp(slope), math.exp(slope - 1.959964 * error), math.exp(slope + 1.959964 * error), "m", 7,
            unit="odds ratio",
        )  # fmt: skip
        for name, answer in (("normal", plain), ("t", on_few_groups(plain, 7, 1))):
            held[name] += answer.low < math.exp(0.5) < answer.high
    assert 0.935 < held["t"] / draws < 0.965
    assert held["normal"] / draws < 0.92
