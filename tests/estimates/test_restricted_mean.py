"""Restricted means against R."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.restricted_mean import compare_restricted_means, restricted_mean

# Day of a late event, or last day seen, of the thirty zones of conftest.py; invented.
DAYS = [
    7,
    30,
    30,
    90,
    14,
    90,
    30,
    90,
    14,
    30,
    7,
    14,
    90,
    90,
    30,
    14,
    30,
    90,
    7,
    30,
    90,
    90,
    14,
    30,
    7,
    90,
    90,
    30,
    14,
    90,
]


def test_by_hand():
    # S is 0.8 from day 2, 0.6 from 4, 0.3 from 6: area to 7 is 2 + 1.6 + 1.2 + 0.3; variance
    # 3.1²/(5·4) + 1.5²/(4·3) + 0.3²/(2·1)
    found = restricted_mean([2, 4, 4, 6, 8], [1, 1, 0, 1, 0], 7)
    assert found.answer.value == pytest.approx(5.1)
    assert found.standard_error == pytest.approx(math.sqrt(3.1**2 / 20 + 1.5**2 / 12 + 0.3**2 / 2))


def test_independent_zones_as_in_r(thirty_zones):
    # R 4.2.2, survival 3.5: summary(survfit(Surv(days, event) ~ 1), rmean = 60)$table
    found = restricted_mean(DAYS, thirty_zones["event"], 60)
    assert (found.answer.value, found.standard_error) == pytest.approx((42.7333333333, 4.2015693717), rel=1e-9)


def test_variance_by_patient_as_in_r(thirty_zones):
    # R 4.2.2, survival 3.5: f <- survfit(Surv(days, event) ~ 1, cluster = patient, influence = 1); the area to day 60
    # under each patient's influence on S, squared, summed, times 12/11
    found = restricted_mean(DAYS, thirty_zones["event"], 60, cluster=thirty_zones["patient"])
    assert found.standard_error == pytest.approx(3.71562611697, rel=1e-9)
    assert (found.answer.patients, found.answer.n) == (12, 30)


def test_patients_on_both_sides_are_allowed_for(thirty_zones):
    # the same patients, zone by zone, on both sides: the difference is nought and its error is nought
    twice = np.concatenate([DAYS, DAYS])
    event = np.concatenate([thirty_zones["event"], thirty_zones["event"]])
    patient = np.concatenate([thirty_zones["patient"], thirty_zones["patient"]])
    side = np.repeat([True, False], 30)
    apart = compare_restricted_means(twice, event, side, 60)
    assert isinstance(apart.difference, Estimate)
    assert apart.difference.value == pytest.approx(0, abs=1e-9)
    together = compare_restricted_means(twice, event, side, 60, cluster=patient)
    assert isinstance(together.difference, NotEstimable)
    assert together.difference.reason == "the patients do not differ"


@pytest.mark.parametrize(
    ("days", "event", "reason"),
    [
        ([], [], "no cases"),
        ([5, 8], [1, 0], "nobody was followed to day 10"),
        ([12, 15], [0, 1], "no event seen by day 10"),
        ([4, 4], [1, 1], "the records do not differ"),
    ],
)
def test_what_cannot_be_said(days, event, reason):
    found = restricted_mean(days, event, 10)
    assert isinstance(found.answer, NotEstimable)
    assert found.answer.reason == reason
    assert found.standard_error is None


def test_faults_name_positions():
    with pytest.raises(ValueError, match=r"negative duration\) at position 1"):
        restricted_mean([3, -1], [1, 1], 10)
    with pytest.raises(ValueError, match="horizon"):
        restricted_mean([3, 1], [1, 1], 0)
    with pytest.raises(ValueError, match="yes or no"):
        compare_restricted_means([3, 1], [1, 1], [1, 0], 5)


@given(
    rows=st.lists(st.tuples(st.integers(0, 12), st.booleans(), st.integers(0, 4), st.booleans()), max_size=25),
    horizon=st.sampled_from([1, 5, 12]),
    clustered=st.booleans(),
)
def test_every_set_of_records_gets_a_mean_with_width_or_a_reason(rows, horizon, clustered):
    days, event, patient, side = ([row[j] for row in rows] for j in range(4))
    cluster = patient if clustered else None
    found = compare_restricted_means(days, event, np.array(side, dtype=bool), horizon, cluster=cluster)
    whole = restricted_mean(days, event, horizon, cluster=cluster)
    for answer in (whole.answer, found.first.answer, found.second.answer, found.difference, found.ratio):
        if isinstance(answer, NotEstimable):
            assert answer.reason
        elif answer.unit == "days" and answer.p_value is None:
            assert 0 <= answer.low < answer.high <= horizon
    back = np.random.default_rng(1).permutation(len(rows))
    again = restricted_mean(
        np.array(days)[back], np.array(event)[back], horizon, cluster=np.array(patient)[back] if clustered else None
    ) if rows else whole  # fmt: skip
    if isinstance(whole.answer, Estimate):
        assert again.answer.low == pytest.approx(whole.answer.low)
