"""Linear regression with a sandwich by patient, against R."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates.design import Numeric, build
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable
from outcomes.estimates.linear import linear_regression

X = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0]
Z = [0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 1.0, 0.0, 1.0, 0.0]
Y = [2.1, 3.9, 3.2, 6.1, 7.0, 5.5, 7.9, 9.2, 11.5, 9.1, 13.0, 12.2]
PATIENT = ["a", "a", "b", "b", "c", "c", "d", "e", "e", "f", "g", "g"]


def _fit() -> Fit:
    design = build(pd.DataFrame({"x": X, "z": Z}), [Numeric("x", label="x"), Numeric("z", label="z")])
    fit = linear_regression(design, Y, cluster=PATIENT)
    assert isinstance(fit, Fit)
    return fit


def test_coefficients_errors_and_degrees_are_those_of_r():
    """R 4.2, clubSandwich 0.5.8.

    m <- lm(y ~ x + z); v <- vcovCR(m, cluster = g, type = "CR2"); sqrt(diag(v));
    coef_test(m, vcov = v, test = "Satterthwaite")$df_Satt
    """
    fit = _fit()
    assert fit.coefficients == pytest.approx([0.52348484848485, 0.94510489510490, 1.78333333333333], rel=1e-9)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(
        [0.3594411409348277, 0.0466111500988132, 0.3049695037731835], rel=1e-9
    )
    assert fit.degrees_of_freedom == pytest.approx([2.32622490812607, 2.59905210357579, 5.43790405650175], rel=1e-9)


def test_limits_use_t_on_the_degrees_of_the_coefficient():
    answer = _fit().term("x")
    assert isinstance(answer, Estimate)
    # R: qt(0.975, 2.59905210357579)
    assert answer.high == pytest.approx(answer.value + 3.47904513068 * 0.0466111500988132, rel=1e-8)


def test_limits_cover_with_few_patients_of_many_records():
    """12 patients with 6 records each and a trait between patients: 95 % limits, 1,000 draws, error 0.7 points."""
    rng = np.random.default_rng(20261125)
    patient = np.repeat(np.arange(12), 6)
    covered = 0
    for _ in range(1000):
        x = rng.normal(size=12)[patient] + 0.3 * rng.normal(size=72)
        y = 0.5 * x + rng.normal(size=12)[patient] + rng.normal(size=72)
        fit = linear_regression(build(pd.DataFrame({"x": x}), [Numeric("x", label="x")]), y, cluster=patient)
        answer = fit.term("x")
        covered += answer.low <= 0.5 <= answer.high
    assert covered / 1000 == pytest.approx(0.95, abs=0.025)


def test_a_difference_that_one_patient_alone_carries_is_not_given():
    rows = pd.DataFrame({"x": [0.0] * 8 + [1.0, 1.0], "w": [1.0, 2, 3, 4, 5, 6, 7, 8, 2, 5]})
    design = build(rows, [Numeric("x", label="x"), Numeric("w", label="w")])
    fit = linear_regression(design, [1.0, 2, 2, 4, 4, 5, 8, 7, 9, 9.5], cluster=list("abcdefghii"))
    assert isinstance(fit.term("x"), NotEstimable)
    assert isinstance(fit.term("w"), Estimate)


def test_too_few_patients_and_columns_alike_are_refused():
    design = build(pd.DataFrame({"x": X[:4]}), [Numeric("x", label="x")])
    assert isinstance(linear_regression(design, Y[:4], cluster=["a", "a", "b", "b"]), NotEstimable)
    twins = build(pd.DataFrame({"x": X, "w": [2 * v for v in X]}), [Numeric("x", label="x"), Numeric("w", label="w")])
    assert isinstance(linear_regression(twins, Y, cluster=PATIENT), NotEstimable)
    with pytest.raises(ValueError, match="missing"):
        linear_regression(design, [1.0, 2.0, float("nan"), 3.0], cluster=list("abcd"))
