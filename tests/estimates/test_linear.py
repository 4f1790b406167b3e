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


def test_coefficients_and_cluster_errors_are_those_of_r():
    """R 4.2, sandwich 3.0-2: m <- lm(y ~ x + z); coef(m); sqrt(diag(vcovCL(m, cluster = g, type = "HC1")))."""
    fit = _fit()
    assert fit.coefficients == pytest.approx([0.52348484848485, 0.94510489510490, 1.78333333333333], rel=1e-9)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(
        [0.342561020534334, 0.041866694766554, 0.325494797622081], rel=1e-9
    )


def test_limits_use_t_with_one_degree_less_than_patients():
    answer = _fit().term("x")
    assert isinstance(answer, Estimate)
    error = float(np.sqrt(_fit().covariance[1, 1]))
    assert answer.high == pytest.approx(answer.value + 2.446911851 * error, rel=1e-8)  # qt(0.975, 6)


def test_too_few_patients_and_columns_alike_are_refused():
    design = build(pd.DataFrame({"x": X[:4]}), [Numeric("x", label="x")])
    assert isinstance(linear_regression(design, Y[:4], cluster=["a", "a", "b", "b"]), NotEstimable)
    twins = build(pd.DataFrame({"x": X, "w": [2 * v for v in X]}), [Numeric("x", label="x"), Numeric("w", label="w")])
    assert isinstance(linear_regression(twins, Y, cluster=PATIENT), NotEstimable)
    with pytest.raises(ValueError, match="missing"):
        linear_regression(design, [1.0, 2.0, float("nan"), 3.0], cluster=list("abcd"))
