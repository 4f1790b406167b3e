"""Differences of proportions against Newcombe's paper."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates.binomial import wilson_limits
from outcomes.estimates.difference import difference
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
