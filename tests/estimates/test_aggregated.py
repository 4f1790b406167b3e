"""A line through means of unequally many records, against R."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.estimates.aggregated import line_through_means
from outcomes.estimates.estimate import NotEstimable

ENERGY, PAIN, ZONES = [8, 9, 10, 11, 12, 13], [2.1, 2.6, 2.4, 3.4, 3.3, 4.2], [4, 9, 16, 25, 9, 4]


def test_sizes_are_weights_of_averages():
    # Made-up rows; R: summary(lm(pain ~ energy, weights = zones)), confint. Copies of records in place of weights would
    # give SE 0.02743 on 65 degrees of freedom, weights with a normal reference p 0.00029.
    found = line_through_means(ENERGY, PAIN, ZONES)
    assert found.value == pytest.approx(0.40024, abs=5e-6)
    assert (found.low, found.high) == pytest.approx((0.09325, 0.70722), abs=5e-6)
    assert found.p_value == pytest.approx(0.02236, abs=5e-6)
    assert (found.high - found.low) / 2 / 2.7764451 == pytest.approx(0.11057, abs=5e-6)  # t on 4 df, 97.5 %
    assert found.n == 6


def test_only_proportions_of_the_sizes_matter_and_not_the_order():
    found = line_through_means(ENERGY, PAIN, ZONES)
    other = line_through_means(ENERGY[::-1], PAIN[::-1], 100 * np.array(ZONES[::-1]))
    assert (other.low, other.value, other.high) == pytest.approx((found.low, found.value, found.high), rel=1e-12)


def test_what_has_no_line():
    for x, y in (([1, 2], [1, 2]), ([1, 1, 1], [1, 2, 3]), ([1, 2, 3], [2, 4, 6]), ([], [])):
        assert isinstance(line_through_means(x, y, [1] * len(x)), NotEstimable)
    with pytest.raises(ValueError, match="above 0"):
        line_through_means([1, 2, 3], [1, 2, 2], [1, 0, 1])
    with pytest.raises(ValueError, match="length"):
        line_through_means([1, 2, 3], [1, 2, 2], [1, 1])
