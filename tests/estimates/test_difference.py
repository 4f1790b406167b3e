"""Differences of proportions against Newcombe's paper, ratios against Katz's limits."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates.binomial import wilson_limits
from outcomes.estimates.difference import difference, ratio
from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.proportion import clustered_proportion, proportion


def with_wilson_limits(events: int, n: int) -> Estimate:
    """Wilson's limits also for no event and nothing but events, as in Newcombe's method 10."""
    low, high = wilson_limits(events, n)
    return Estimate("", events / n, low, high, "Wilson", n, unit="proportion", events=events)


# Newcombe RG (1998) Stat Med 17:873-890, Table II, method 10, four printed decimals.
PRINTED = {
    "prop.diff.newcombe.a": ((56, 70), (48, 80), (0.0524, 0.3339)),
    "prop.diff.newcombe.b": ((9, 10), (3, 10), (0.1705, 0.8090)),
    "prop.diff.newcombe.d": ((5, 56), (0, 29), (-0.0381, 0.1926)),
    "prop.diff.newcombe.f": ((0, 10), (0, 10), (-0.2775, 0.2775)),
    "prop.diff.newcombe.g": ((10, 10), (0, 20), (0.6791, 1.0000)),
}


@pytest.mark.parametrize("item", PRINTED)
def test_newcombes_table(item):
    first, second, printed = PRINTED[item]
    answer = difference(with_wilson_limits(*first), with_wilson_limits(*second))
    assert (round(answer.low, 4), round(answer.high, 4)) == printed


@pytest.mark.parametrize("item", PRINTED)
def test_newcombes_method_10_to_all_digits(reference, item):
    # The items' other methods (Wald, score, continuity-corrected, Agresti–Caffo) are not computed by the package.
    data, expected = reference.item(item)["data"], reference.item(item)["expected"]
    answer = difference(with_wilson_limits(data["x1"], data["n1"]), with_wilson_limits(data["x2"], data["n2"]))
    assert answer.value == pytest.approx(expected["estimate"], abs=1e-12)
    limits = expected["newcombe_method10"]
    assert (answer.low, answer.high) == pytest.approx((limits["lower"], limits["upper"]), rel=1e-9, abs=1e-9)


def test_correlation_shortens_and_is_named():
    a, b = proportion(56, 70), proportion(48, 80)
    free, tied = difference(a, b), difference(a, b, correlation=0.5)
    assert free.low < tied.low < tied.high < free.high
    # (a − l)² + (u − b)² − 2ρ(a − l)(u − b), by hand with ρ = ½
    down, up = a.value - a.low, b.high - b.value
    assert tied.low == pytest.approx(0.2 - (down**2 + up**2 - down * up) ** 0.5)
    assert "correlation 0.50" in tied.method


def test_what_cannot_be_said_on_one_side_cannot_be_said():
    answer = difference(proportion(0, 0, term="neck"), proportion(1, 5, term="face"), term="neck less face")
    assert isinstance(answer, NotEstimable)
    assert answer.reason == "neck: no cases"
    open_above = Estimate("median", 9.0, 7.0, None, "m", 10, unit="days")
    shut = Estimate("median", 8.0, 7.0, 9.0, "m", 10, unit="days")
    assert "open" in difference(open_above, shut).reason


def test_unlike_things_are_not_subtracted():
    share, days = proportion(1, 5), Estimate("median", 8.0, 7.0, 9.0, "m", 10, unit="days")
    with pytest.raises(ValueError, match="units"):
        difference(share, days)
    with pytest.raises(ValueError, match="levels"):
        difference(share, proportion(1, 5, level=0.9))
    with pytest.raises(ValueError, match="correlation"):
        difference(share, share, correlation=1.0)


counts = st.tuples(st.integers(0, 30), st.integers(0, 30)).filter(lambda pair: sum(pair) > 0)


@given(counts, counts, st.floats(-0.95, 0.95))
def test_every_difference_has_width_and_stays_inside(first, second, correlation):
    a, b = proportion(first[0], sum(first)), proportion(second[0], sum(second))
    answer = difference(a, b, correlation=correlation)
    assert -1 - 1e-9 <= answer.low < answer.high <= 1 + 1e-9
    turned = difference(b, a, correlation=correlation)
    assert (turned.low, turned.high) == pytest.approx((-answer.high, -answer.low))


def test_clustered_shares_can_be_subtracted():
    a = clustered_proportion([1, 1, 0, 0, 0, 1], ["a", "a", "b", "c", "d", "e"])
    b = clustered_proportion([0, 0, 0, 1, 0], ["f", "f", "g", "h", "i"])
    answer = difference(a, b)
    assert answer.unit == "difference in proportion"
    assert answer.low < answer.value < answer.high


def with_log_limits(events: int, n: int) -> Estimate:
    """Limits symmetric on the logarithm of the share, variance 1/events − 1/n."""
    reach = math.exp(1.959963984540054 * math.sqrt(1 / events - 1 / n))
    share = events / n
    return Estimate("", share, share / reach, share * reach, "log", n, unit="proportion", events=events)


def test_a_ratio_of_two_log_intervals_is_katz():
    """R 4.2: exp(log(15/100 / (30/120)) + c(-1, 1) * qnorm(0.975) * sqrt(1/15 - 1/100 + 1/30 - 1/120)).

    Katz D and others (1978) Biometrics 34:469-474, doi:10.2307/2530610.
    """
    answer = ratio(with_log_limits(15, 100), with_log_limits(30, 120))
    assert (answer.value, answer.low, answer.high) == pytest.approx((0.6, 0.342688987202, 1.050515229390), rel=1e-9)


def test_a_ratio_of_nothing_has_an_upper_limit_and_one_by_nothing_cannot_be_said():
    none, some = proportion(0, 50), proportion(12, 60)
    answer = ratio(none, some)
    assert (answer.value, answer.low) == (0.0, 0.0)
    assert answer.high == pytest.approx(none.high / some.low)
    assert isinstance(ratio(some, none), NotEstimable)
    assert ratio(some, none).reason == "what it is divided by may be nothing"
    with pytest.raises(ValueError, match="levels"):
        ratio(some, proportion(1, 5, level=0.9))


@given(counts, counts)
def test_every_ratio_has_width_and_turns_over(first, second):
    a, b = proportion(first[0], sum(first)), proportion(second[0], sum(second))
    answer = ratio(a, b)
    if b.low == 0 or b.value == 0:
        assert isinstance(answer, NotEstimable)
        return
    assert 0 <= answer.low < answer.high
    turned = ratio(b, a)
    if isinstance(turned, Estimate) and answer.low > 0 and turned.low > 0:
        assert (1 / turned.high, 1 / turned.low) == pytest.approx((answer.low, answer.high))
