"""The axis of a forest holds every estimate, has round ticks, and says where an interval runs beyond it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.report.axes import axis_for


def _estimate(value: float, low: float | None, high: float | None, unit: str) -> Estimate:
    return Estimate("a", value, low, high, "m", 9, unit=unit)


_ratios = st.tuples(st.floats(0.02, 40), st.floats(1.01, 30), st.floats(1.01, 30)).map(
    lambda t: _estimate(t[0], t[0] / t[1], t[0] * t[2], "odds ratio")
)
_shares = st.tuples(st.floats(0, 1), st.floats(0.001, 1), st.floats(0.001, 1)).map(
    lambda t: _estimate(t[0], max(0.0, t[0] - t[1]), min(1.0, t[0] + t[2]), "proportion")
)
_differences = st.tuples(st.floats(-50, 50), st.floats(0.01, 30), st.floats(0.01, 30)).map(
    lambda t: _estimate(t[0], t[0] - t[1], t[0] + t[2], "mJ")
)


@pytest.mark.parametrize(
    ("scale", "reference", "strategy"),
    [("ratio", 1.0, _ratios), ("proportion", None, _shares), ("difference", 0.0, _differences)],
)
def test_every_estimate_and_the_reference_lie_on_the_axis(
    scale: str, reference: float | None, strategy: st.SearchStrategy[Estimate]
) -> None:
    @given(st.lists(strategy, min_size=1, max_size=12))
    def check(answers: list[Estimate]) -> None:
        axis = axis_for(answers, scale, reference)
        assert axis is not None
        assert axis.low < axis.high
        assert 2 <= len(axis.ticks) <= 8
        assert len(set(axis.texts)) == len(axis.texts)
        assert all(-1e-9 <= axis.share(t) <= 1 + 1e-9 for t in axis.ticks)
        if reference is not None:
            assert -1e-9 <= axis.share(reference) <= 1 + 1e-9
        for answer in answers:
            mark = axis.mark(answer)
            assert mark is not None
            assert 0 <= mark.low <= mark.high <= 1
            if scale != "ratio" or 1 / 60 < answer.value < 60:
                assert mark.at is not None
                assert mark.low - 1e-9 <= mark.at <= mark.high + 1e-9
            assert answer.low is not None
            assert answer.high is not None
            assert mark.arrow_high == (axis.share(answer.high) > 1 + 1e-9)
            assert mark.arrow_low == (axis.share(answer.low) < -1e-9)

    check()


def test_one_wide_interval_does_not_squeeze_the_rest() -> None:
    usual = [_estimate(0.05 + i / 500, 0.03, 0.09, "proportion") for i in range(9)]
    wide = _estimate(0.08, 0.004, 0.71, "proportion")
    axis = axis_for([*usual, wide], "proportion")
    assert axis is not None
    assert axis.high <= 0.12
    mark = axis.mark(wide)
    assert mark is not None
    assert mark.arrow_high
    assert mark.at is not None


def test_a_limit_that_is_not_there_is_an_arrow() -> None:
    answer = _estimate(9.8, 9.4, None, "days")
    axis = axis_for([answer], "days")
    assert axis is not None
    mark = axis.mark(answer)
    assert mark is not None
    assert mark.arrow_high
    assert mark.high == 1.0
    assert not mark.arrow_low


def test_percentages_stay_within_0_and_100() -> None:
    axis = axis_for([_estimate(0.97, 0.9, 1.0, "proportion")], "proportion")
    assert axis is not None
    assert axis.low >= 0
    assert axis.high == 1.0
    assert axis.texts[-1] == "100"


def test_ratios_lie_on_a_log_axis_with_one_inside() -> None:
    axis = axis_for([_estimate(2.0, 1.5, 3.0, "odds ratio")], "ratio", 1.0)
    assert axis is not None
    assert axis.log
    assert "1" in axis.texts
    assert axis.share(2.0) - axis.share(1.0) == pytest.approx(axis.share(1.0) - axis.share(0.5))


def test_no_number_no_axis() -> None:
    assert axis_for([NotEstimable("a", "no cases", 0)], "ratio", 1.0) is None


@pytest.mark.parametrize(
    ("scale", "unit", "reference"), [("proportion", "proportion", None), ("ratio", "odds ratio", 1.0)]
)
def test_only_what_would_squeeze_the_others_is_cut(scale: str, unit: str, reference: float | None) -> None:
    usual = [_estimate(0.10 + i / 1000, 0.05, 0.20, unit) for i in range(10)]
    near, far = _estimate(0.11, 0.05, 0.24, unit), _estimate(0.11, 0.05, 0.95, unit)
    both = axis_for([*usual, near, far], scale, reference)
    assert both is not None
    mark = both.mark(near)
    assert mark is not None
    assert not mark.arrow_high
    if scale == "proportion":
        cut = both.mark(far)
        assert cut is not None
        assert cut.arrow_high


@pytest.mark.parametrize(
    ("scale", "reference", "strategy"),
    [("ratio", 1.0, _ratios), ("proportion", None, _shares), ("difference", 0.0, _differences)],
)
def test_no_limit_is_cut_that_an_axis_a_quarter_longer_would_hold(
    scale: str, reference: float | None, strategy: st.SearchStrategy[Estimate]
) -> None:
    @given(st.lists(strategy, min_size=1, max_size=14))
    def check(answers: list[Estimate]) -> None:
        axis = axis_for(answers, scale, reference)
        assert axis is not None
        for answer in answers:
            assert answer.low is not None
            assert answer.high is not None
            low, high = axis.share(answer.low), axis.share(answer.high)
            if scale != "ratio" or 1 / 60 < answer.low < answer.high < 60:  # a ratio's axis has farthest ends
                assert not 1 + 1e-9 < high < 1.249
                assert not -0.249 < low < -1e-9

    check()


def test_limits_that_rounding_puts_a_hair_beyond_a_tick_end_the_search() -> None:
    axis = axis_for([_estimate(0.3, 0.1, 0.5 + 1e-13, "proportion")], "proportion")
    assert axis is not None
    assert axis.high == 0.5
    days = [_estimate(27.4 - i, 23.8 - 2.2 * i, 29.6, "days") for i in range(12)]
    assert axis_for(days, "days") is not None
