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
