"""Separation and collinearity are found, whatever the units, and not seen where there is none."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates.binary import observe
from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.separation import collinear_columns, find_separation


def found(rows: pd.DataFrame, terms, events, **options):
    return find_separation(observe(build(rows, terms), events, **options))


@pytest.mark.parametrize("per", [1e-6, 1.0, 1e6])
@pytest.mark.parametrize("origin", [0.0, 1e4])
def test_complete_separation_whatever_the_units(per, origin):
    # Albert and Anderson (1984, Biometrika 71:1–10): all events above all non-events
    rows = pd.DataFrame({"x": [origin + v * per for v in (1.0, 2, 3, 4, 5, 6)]})
    answer = found(rows, [Numeric("x", center=origin)], [0, 0, 0, 1, 1, 1])
    assert answer.separated
    assert answer.columns == (1,)
    assert not found(rows, [Numeric("x", center=origin)], [0, 0, 1, 0, 1, 1]).separated


def test_quasi_complete_separation_names_the_column():
    rows = pd.DataFrame({"dense": [0] * 12 + [1] * 10, "age": [30.0, 40, 50, 60] * 5 + [35, 45]})
    answer = found(rows, [Numeric("dense"), Numeric("age")], [0] * 12 + [1, 0, 0, 1, 1, 0, 0, 0, 1, 0])
    assert answer.separated
    assert answer.columns == (1,)


def test_a_level_whose_records_all_have_the_event_separates():
    rows = pd.DataFrame({"skin": ["II"] * 6 + ["IV"] * 3})
    assert found(rows, [Category("skin", "II")], [0, 1, 0, 1, 0, 0, 1, 1, 1]).separated
    assert not found(rows, [Category("skin", "II")], [0, 1, 0, 1, 0, 0, 1, 1, 0]).separated


def test_counts_are_seen_as_their_single_records():
    rows = pd.DataFrame({"dense": [0, 1]})
    assert found(rows, [Numeric("dense")], [0, 4], trials=[12, 10]).separated
    assert not found(rows, [Numeric("dense")], [1, 4], trials=[12, 10]).separated


def test_one_overlapping_pair_is_enough_not_to_be_separated():
    rng = np.random.default_rng(1)
    x = np.sort(rng.normal(size=200))
    events = (np.arange(200) >= 100).astype(int)
    events[[99, 100]] = 1, 0
    assert not found(pd.DataFrame({"x": x}), [Numeric("x")], events).separated


def test_collinear_columns_are_those_that_follow_from_earlier_ones():
    rng = np.random.default_rng(2)
    a, b = rng.normal(size=50), 1e6 + rng.normal(size=50)
    matrix = np.column_stack([np.ones(50), a, b, 3 * a - 2 * b, rng.normal(size=50)])
    assert collinear_columns(matrix, np.ones(50)) == (3,)
    assert collinear_columns(matrix[:, [0, 1, 2, 4]], np.ones(50)) == ()
