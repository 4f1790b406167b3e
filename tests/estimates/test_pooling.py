"""Rubin's rules against R."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates.estimate import Estimate, Fit, NotEstimable
from outcomes.estimates.pooling import pooled_answers, pooled_fits, rubin


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


def ratio(value: float, low: float | None, high: float | None, p: float | None = 0.04) -> Estimate:
    return Estimate("dark", value, low, high, "m", 90, unit="odds ratio", patients=40, events=12, p_value=p)


def test_wald_intervals_pool_as_by_the_rules():
    estimates, errors = [0.4, 0.9, 0.7], [0.30, 0.35, 0.28]
    reach = [1.959963984540054 * error for error in errors]
    found = pooled_answers(
        [ratio(math.exp(q), math.exp(q - r), math.exp(q + r)) for q, r in zip(estimates, reach, strict=True)],
        complete_df=38,
    )
    wanted = rubin(estimates, [error**2 for error in errors], complete_df=38, exponentiate=True).answer
    assert (found.value, found.low, found.high) == pytest.approx((wanted.value, wanted.low, wanted.high), rel=1e-9)
    assert found.p_value == pytest.approx(wanted.p_value, rel=1e-9)
    assert (found.n, found.patients, found.events) == (90, 40, 12)


def test_lopsided_limits_stay_lopsided_and_open_ones_open():
    same = pooled_answers([ratio(2.0, 0.5, 20.0)] * 3)
    assert (same.low, same.value, same.high) == pytest.approx((0.5, 2.0, 20.0))
    opened = pooled_answers([ratio(2.0, 0.5, 20.0), ratio(2.2, 0.6, None)])
    assert opened.high is None
    assert 0.4 < opened.low < 0.6
    assert pooled_answers([ratio(2.0, None, 3.0), ratio(2.2, 0.6, None)]).reason == "the data do not bound it"
    assert pooled_answers([ratio(2.0, 0.5, 20.0), ratio(2.2, 0.6, 22.0, p=None)]).p_value is None


def test_one_refusal_refuses_the_pool():
    refusal = NotEstimable("dark", "it rests on one patient", 90, patients=40, events=12, unit="odds ratio")
    found = pooled_answers([ratio(2.0, 0.5, 20.0), refusal])
    assert found.reason == "it rests on one patient in 1 of 2 completed data sets"
    assert pooled_answers([refusal, refusal]).reason == "it rests on one patient"
    with pytest.raises(ValueError, match="two completed"):
        pooled_answers([refusal])
    with pytest.raises(ValueError, match="same records"):
        pooled_answers([refusal, NotEstimable("dark", "x", 89, unit="odds ratio")])


def test_shares_pool_on_the_logit_scale():
    share = Estimate("seen", 0.2, 0.1, 0.36, "m", 50, unit="proportion")
    found = pooled_answers([share, share])
    assert (found.low, found.value, found.high) == pytest.approx((0.1, 0.2, 0.36))
    nothing = Estimate("seen", 0.0, 0.0, 0.1, "m", 50, unit="proportion")
    assert "end of its scale" in pooled_answers([share, nothing]).reason


def test_fits_of_cholesterol_in_five_completed_data_sets(reference):
    # Schafer JL (1997) Analysis of Incomplete Multivariate Data, Table 6.14, as above, handed over as fits.
    expected = reference.item("mi.rubin.nhanes")["expected"]
    fits = []
    for _, rows in reference.frame("nhanes_completed").groupby(".imp"):
        x = np.column_stack([np.ones(len(rows)), rows["age"], rows["bmi"]])
        y = rows["chl"].to_numpy(dtype=float)
        slopes = np.linalg.solve(x.T @ x, x.T @ y)
        covariance = np.linalg.inv(x.T @ x) * float(((y - x @ slopes) ** 2).sum()) / (len(y) - 3)
        fits.append(Fit("least squares", (), ("(Intercept)", "age", "bmi"), slopes, covariance, n=len(y)))
    pooled = pooled_fits(fits)
    for key, found in (
        ("estimate", pooled.coefficients),
        ("t", np.diag(pooled.covariance)),
        ("df_barnard_rubin", pooled.degrees_of_freedom),
        ("fmi", pooled.details["missing_information"]),
    ):
        assert found == pytest.approx([expected[key][name] for name in pooled.names], rel=1e-7)
    assert pooled.n == 25
    refusal = NotEstimable("model", "no events", 25)
    assert pooled_fits([fits[0], refusal]).reason == "no events in 1 of 2 completed data sets"
    with pytest.raises(ValueError, match="same model"):
        pooled_fits([fits[0], Fit("m", (), ("a",), np.zeros(1), np.eye(1), n=25)])
