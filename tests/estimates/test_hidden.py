"""What a reader can work out of cells that are not shown."""

from __future__ import annotations

import math

import pytest

from outcomes.estimates.hidden import possible_range


def test_a_two_by_two_of_hidden_cells_worked_by_hand():
    # a b | 7      a + b = 7, c + d = 9, a + c = 6, b + d = 10: one degree of freedom, a from 0 to 6
    # c d | 9
    signs = [[1, 1, 0, 0], [0, 0, 1, 1], [1, 0, 1, 0], [0, 1, 0, 1]]
    sums = [7, 9, 6, 10]
    free = possible_range(signs, sums, [0] * 4, [None] * 4, 0)
    assert free == pytest.approx((0, 6))
    # d = 9 - c = 9 - (6 - a) = 3 + a
    assert possible_range(signs, sums, [0] * 4, [None] * 4, 3) == pytest.approx((3, 9))
    # knowing that b is at most 4 leaves a from 3 on
    assert possible_range(signs, sums, [0] * 4, [None, 4, None, None], 0) == pytest.approx((3, 6))


def test_a_single_hidden_cell_is_found():
    assert possible_range([[1]], [3], [0], [None], 0) == pytest.approx((3, 3))


def test_no_bound_and_no_fit():
    assert possible_range([[1, -1]], [2], [0, 0], [None, None], 0) == (2.0, math.inf)
    with pytest.raises(ValueError, match="no numbers fit"):
        possible_range([[1, 1]], [3], [2, 2], [None, None], 0)
