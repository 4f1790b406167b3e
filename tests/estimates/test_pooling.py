"""Rubin's rules against R."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates.estimate import Estimate
from outcomes.estimates.pooling import rubin


def test_scalar_by_formula():
    # Made-up estimates; formulas of Rubin (1987) and Barnard and Rubin (1999), evaluated in R 4.2.
    pooled = rubin([2.1, 1.85, 2.4, 1.95, 2.2], [0.16, 0.18, 0.15, 0.17, 0.16], complete_df=98)
    assert pooled.answer.value == pytest.approx(2.1)
    assert pooled.within == pytest.approx(0.164)
    assert pooled.between == pytest.approx(0.04625)
    assert pooled.total == pytest.approx(0.2195)
    assert pooled.missing_share == pytest.approx(0.252847380410023, rel=1e-12)
    assert pooled.relative_increase == pytest.approx(0.338414634146341, rel=1e-12)
    assert pooled.degrees_of_freedom == pytest.approx(33.426765015883, rel=1e-12)
    assert pooled.missing_information == pytest.approx(0.293869558430179, rel=1e-12)
    large = rubin([2.1, 1.85, 2.4, 1.95, 2.2], [0.16, 0.18, 0.15, 0.17, 0.16])
    assert large.degrees_of_freedom == pytest.approx(62.566674782891, rel=1e-12)
    assert large.missing_information == pytest.approx(0.275638001470615, rel=1e-12)


def test_cholesterol_in_five_completed_data_sets(reference):
    # Schafer JL (1997) Analysis of Incomplete Multivariate Data, Table 6.14; linear model chl ~ age + bmi, 22
    # complete-data degrees of freedom. The joint Wald test of the item is not computed by the package.
    item = reference.item("mi.rubin.nhanes")
    frame, expected = reference.frame("nhanes_completed"), item["expected"]
    coefficients, variances = [], []
    for _, rows in frame.groupby(".imp"):
        x = np.column_stack([np.ones(len(rows)), rows["age"], rows["bmi"]])
        y = rows["chl"].to_numpy(dtype=float)
        slopes = np.linalg.solve(x.T @ x, x.T @ y)
        residual = float(((y - x @ slopes) ** 2).sum()) / (len(y) - 3)
        coefficients.append(slopes)
        variances.append(residual * np.diag(np.linalg.inv(x.T @ x)))
    for j, name in enumerate(["(Intercept)", "age", "bmi"]):
        pooled = rubin([c[j] for c in coefficients], [v[j] for v in variances], complete_df=22)
        found = (
            pooled.answer.value,
            pooled.within,
            pooled.between,
            pooled.total,
            pooled.degrees_of_freedom,
            pooled.missing_information,
            pooled.answer.low,
            pooled.answer.high,
            pooled.answer.p_value,
        )
        keys = ("estimate", "ubar", "b", "t", "df_barnard_rubin", "fmi", "lower", "upper", "p")
        assert found == pytest.approx([expected[key][name] for key in keys], rel=1e-7)


def test_ratios_are_pooled_as_logarithms():
    pooled = rubin([0.1, 0.2], [0.04, 0.05], exponentiate=True, complete_df=50)
    plain = rubin([0.1, 0.2], [0.04, 0.05], complete_df=50)
    assert pooled.answer.high == pytest.approx(math.exp(plain.answer.high))


def test_too_little_to_pool():
    with pytest.raises(ValueError, match="two completed"):
        rubin([1.0], [0.1])
    with pytest.raises(ValueError, match="variance"):
        rubin([1.0, 2.0], [0.1, 0.0])


entries = st.tuples(st.floats(-50, 50), st.floats(1e-4, 50))


@given(st.lists(entries, min_size=2, max_size=10), st.one_of(st.just(math.inf), st.floats(1, 500)))
def test_every_pooled_number_has_width(rows, complete_df):
    pooled = rubin([q for q, _ in rows], [u for _, u in rows], complete_df=complete_df)
    assert isinstance(pooled.answer, Estimate)
    assert pooled.answer.low < pooled.answer.value < pooled.answer.high
    assert 0 < pooled.answer.p_value <= 1
    assert pooled.degrees_of_freedom <= complete_df * (1 + 1e-12)
