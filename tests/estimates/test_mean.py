"""Means and their differences against R 4.2.2, package survey 4.1, run once.

``s <- svydesign(ids = ~id, weights = ~1, data = d)``; ``svymean(~x, s)`` with ``confint(df = degf(s))``; and
``svyglm(x ~ g, s)`` with ``confint(ddf = degf(s))``. The ten records below are invented.
"""

from __future__ import annotations

import pytest

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.mean import clustered_mean, clustered_mean_difference

X = [12, 15, 14, 20, 18, 18, 9, 11, 30, 25]
PATIENT = [1, 1, 2, 3, 3, 3, 4, 5, 6, 6]
FIRST = [True, True, True, False, False, True, False, True, False, False]


def test_mean_agrees_with_survey_svymean():
    mean = clustered_mean(X, PATIENT)
    assert isinstance(mean, Estimate)
    assert mean.value == pytest.approx(17.2, rel=1e-12)
    assert mean.low == pytest.approx(10.2201247453, rel=1e-9)
    assert mean.high == pytest.approx(24.1798752547, rel=1e-9)
    assert (mean.n, mean.patients) == (10, 6)


def test_difference_agrees_with_survey_svyglm():
    difference = clustered_mean_difference(X, PATIENT, FIRST)
    assert isinstance(difference, Estimate)
    assert difference.value == pytest.approx(-6.4, rel=1e-12)
    assert difference.low == pytest.approx(-17.4911952869, rel=1e-9)
    assert difference.high == pytest.approx(4.69119528687, rel=1e-9)


@pytest.mark.parametrize(
    ("values", "patients", "reason"),
    [([], [], "no cases"), ([1, 2], ["a", "a"], "one patient only"), ([3, 3], ["a", "b"], "same value")],
)
def test_what_cannot_be_said_is_said(values, patients, reason):
    answer = clustered_mean(values, patients)
    assert isinstance(answer, NotEstimable)
    assert reason in answer.reason


def test_a_missing_value_is_an_error_of_the_caller():
    with pytest.raises(ValueError, match="missing"):
        clustered_mean([1, float("nan")], ["a", "b"])
