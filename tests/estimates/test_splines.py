"""Restricted cubic splines against R's rms."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.estimates.splines import knots_at_quantiles, restricted_cubic

# R 4.2.2, rms 6.5.0:
#   x <- c(3,5,5,8,10,10,12,15,15,20,25,30); rcspline.eval(x, knots=c(4,9,14,26), inclx=TRUE, norm=2)
X = [3, 5, 5, 8, 10, 10, 12, 15, 15, 20, 25, 30]
SECOND = [
    0.0, 0.00206611570247934, 0.00206611570247934, 0.13223140495867772, 0.44628099173553720, 0.44628099173553720,
    1.05785123966942174, 2.74621212121212155, 2.74621212121212155, 7.64462809917355557, 14.09263085399449622,
    20.90909090909092072,
]  # fmt: skip
THIRD = [
    0.0, 0.0, 0.0, 0.0, 0.00206611570247934, 0.00206611570247934, 0.05578512396694215, 0.44335399449035812,
    0.44335399449035812, 2.11776859504132275, 4.56697658402203999, 7.20041322314050092,
]  # fmt: skip


def test_basis_agrees_with_rms():
    found = restricted_cubic(X, [4, 9, 14, 26])
    assert found.shape == (12, 3)
    assert found == pytest.approx(np.column_stack([X, SECOND, THIRD]), rel=1e-13, abs=1e-13)


# R 4.2.2: x <- c(2,4,7,11,16,22,29,37,46,56,67,79,92,106,121,137,154,172,191,211); quantile(x, q), type 7, at Harrell's
# quantiles of table 2.3. (For fewer than 100 values rcspline.eval itself takes the outer knots elsewhere for 3–7
# knots: the fifth smallest and fifth largest value; we keep the quantiles, so that knots do not jump with n.)
VALUES = [2, 4, 7, 11, 16, 22, 29, 37, 46, 56, 67, 79, 92, 106, 121, 137, 154, 172, 191, 211]


def test_knots_are_type_seven_quantiles():
    assert knots_at_quantiles(VALUES, 7) == pytest.approx(
        [2.95, 13.4135, 32.9384, 61.5, 99.1078, 145.7941, 201.5], rel=1e-12
    )
    assert knots_at_quantiles(VALUES, 3)[1] == 61.5


def test_curve_is_straight_beyond_the_outer_knots_and_smooth_inside():
    far = restricted_cubic([40.0, 50.0, 60.0], [4, 9, 14, 26])
    assert far[0] + far[2] == pytest.approx(2 * far[1], rel=1e-12)
    before = restricted_cubic([1.0, 2.0, 3.0], [4, 9, 14, 26])
    assert before[:, 1:] == pytest.approx(np.zeros((3, 2)), abs=0)
    step = 1e-4
    for knot in (4.0, 9.0, 14.0, 26.0):
        at = restricted_cubic([knot - step, knot, knot + step], [4, 9, 14, 26])
        second = (at[0] - 2 * at[1] + at[2]) / step**2
        next_to = restricted_cubic([knot, knot + step, knot + 2 * step], [4, 9, 14, 26])
        second_after = (next_to[0] - 2 * next_to[1] + next_to[2]) / step**2
        assert second == pytest.approx(second_after, abs=1e-3)


def test_few_distinct_values_leave_fewer_knots():
    assert len(knots_at_quantiles([5.0] * 60 + [10.0] * 40, 5)) == 2


@pytest.mark.parametrize("knots", [[1.0, 2.0], [1.0, 1.0, 2.0], [3.0, 2.0, 1.0], [1.0, 2.0, np.nan]])
def test_knots_that_carry_no_spline_are_refused(knots):
    with pytest.raises(ValueError, match="three strictly rising knots"):
        restricted_cubic([1.0, 2.0], knots)


def test_missing_values_are_refused():
    with pytest.raises(ValueError, match="finite"):
        restricted_cubic([1.0, np.nan], [1, 2, 3])
    with pytest.raises(ValueError, match="3 to 7"):
        knots_at_quantiles([1.0, 2.0], 2)
