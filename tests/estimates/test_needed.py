"""Sizes that settle a question, against R and printed tables."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from outcomes.estimates.binomial import exact_limits
from outcomes.estimates.estimate import Estimate
from outcomes.estimates.needed import cases_for_verdict, cases_to_show_difference, more_to_settle
from outcomes.estimates.proportion import proportion


def test_cases_for_a_verdict_as_in_r():
    # R 4.2.2: ok(n) <- pbinom(max{k: pbinom(k, n, t) <= a}, n, p) >= 0.8; 1 + the largest n up to 400 that is not ok
    assert cases_for_verdict(0.05, 0.20, level=0.90) == 37
    assert cases_for_verdict(0.02, 0.05) == 338


def test_a_single_arm_design_as_printed():
    # A'Hern RP (2001) Stat Med 20:859-866 tabulates the smallest n with alpha 0.05 and power 0.8 for 0.05 against
    # 0.20 (27, quoted from memory, found again here); ours is larger, as all larger n must do as well.
    def works(n: int) -> bool:
        k = int(stats.binom.ppf(0.95, n, 0.05)) + 1
        return bool(stats.binom.sf(k - 1, n, 0.05) <= 0.05 and stats.binom.sf(k - 1, n, 0.20) >= 0.80)

    assert next(n for n in range(1, 100) if works(n)) == 27
    assert cases_for_verdict(0.20, 0.05, level=0.90) >= 27
    assert all(works(n) for n in range(cases_for_verdict(0.20, 0.05, level=0.90), 200))


def test_both_sides_of_a_threshold_are_mirror_images():
    assert cases_for_verdict(0.9, 0.8) == cases_for_verdict(0.1, 0.2)
    assert cases_for_verdict(0.1, 0.2, design_effect=1.5) == pytest.approx(1.5 * cases_for_verdict(0.1, 0.2), abs=1)


def test_no_event_expected_needs_as_many_as_the_exact_bound_says():
    # Hanley JA, Lippman-Hand A (1983) JAMA 249:1743-1745: 299 cases without an event exclude 1 % one-sided at 95 %
    assert cases_for_verdict(0.0, 0.01, level=0.90) == 299


def test_more_to_settle_as_in_r():
    # R 4.2.2: the first n with qbeta(0.025, 0.09 n, n - 0.09 n + 1) > 0.05 is 155
    found = more_to_settle(proportion(9, 100), 0.05)
    assert (found.n, found.more) == (155, 55)
    assert found.assumption == "if the share stays at 9 %"


def test_what_is_settled_needs_no_more_and_what_lies_on_the_line_never_settles():
    assert more_to_settle(proportion(30, 100), 0.05).more == 0
    assert more_to_settle(proportion(5, 100), 0.05).more is None
    assert "design effect 1.50" in more_to_settle(proportion(9, 100), 0.05, design_effect=1.5).assumption


def test_difference_as_in_the_manual_of_r():
    # power.prop.test(p1 = .50, p2 = .75, power = .90) prints n = 76.7
    assert cases_to_show_difference(0.50, 0.75, power=0.90) == 77
    assert cases_to_show_difference(0.50, 0.75, power=0.90, design_effect=2) == 154
    assert cases_to_show_difference(0.1, 0.1000001) is None


@pytest.mark.parametrize(
    "call",
    [
        lambda: cases_for_verdict(0.1, 0.1),
        lambda: cases_for_verdict(0.1, 0.2, chance=1.0),
        lambda: cases_for_verdict(0.1, 1.0),
        lambda: cases_to_show_difference(0.2, 0.2),
        lambda: more_to_settle(proportion(1, 9), 0.5, design_effect=0.5),
        lambda: more_to_settle(proportion(1, 9), 0.5, method="wald"),
        lambda: more_to_settle(Estimate("m", 3.0, 2.0, 4.0, "mean", 9, unit="days"), 0.5),
    ],
)
def test_faults(call):
    with pytest.raises(ValueError, match=r"\w+"):
        call()


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 40), st.integers(1, 40), st.sampled_from([0.02, 0.1, 0.5, 0.93]), st.sampled_from([1.0, 1.7]))
def test_at_that_size_and_not_one_below_the_interval_clears(k, rest, threshold, effect):
    answer = proportion(k, k + rest, method="exact")
    found = more_to_settle(answer, threshold, design_effect=effect)
    if not found.more:
        return
    share = answer.value

    def clears(n: int) -> bool:
        low, high = exact_limits(share * n / effect, n / effect)
        return high < threshold or low > threshold

    assert clears(found.n)
    assert not clears(found.n - 1)
    assert found.more == found.n - answer.n
