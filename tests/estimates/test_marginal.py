"""Estimating equations against R's geepack."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.marginal import CORRELATIONS, estimating_equations

# Fourteen invented patients, redness at four visits; P02, P04, P06, P08, P10, P12 and P14 treated densely.
REDNESS = {
    "P01": "0011", "P02": "1101", "P03": "1111", "P04": "1111", "P05": "0000", "P06": "1001", "P07": "1101",
    "P08": "0101", "P09": "1110", "P10": "1110", "P11": "1111", "P12": "0011", "P13": "0010", "P14": "1111",
}  # fmt: skip


def visits(seed: int | None = None) -> pd.DataFrame:
    rows = pd.DataFrame(
        [(p, v, int(p[1:]) % 2 == 0, int(y)) for p, all_of in REDNESS.items() for v, y in enumerate(all_of, 1)],
        columns=["patient", "visit", "dense", "redness"],
    )
    return rows if seed is None else rows.sample(frac=1, random_state=seed).reset_index(drop=True)


def fitted(rows: pd.DataFrame, correlation: str) -> Fit:
    design = build(rows, [Numeric("dense"), Numeric("visit")])
    fit = estimating_equations(
        design, rows["redness"], cluster=rows["patient"], visit=rows["visit"], correlation=correlation
    )
    assert isinstance(fit, Fit)
    return fit


@pytest.mark.parametrize(
    ("correlation", "coefficients", "errors"),
    [
        ("ar1", [0.16940, 0.53927, 0.10018], [0.86860, 0.67832, 0.23775]),
        ("exchangeable", [0.19456, 0.48071, 0.09699], [0.88063, 0.67920, 0.23998]),
    ],
)
def test_visits_as_in_geepack(correlation, coefficients, errors):
    # R 4.2.2, geepack: geeglm(redness ~ dense + visit, id = patient, corstr, scale.fix = TRUE) on sorted rows. Moment
    # estimators of the correlation differ a little between programs, and through it AR(1)'s coefficients.
    fit = fitted(visits(3), correlation)
    close = 0.001 if correlation == "ar1" else 1e-5
    assert fit.coefficients == pytest.approx(coefficients, abs=close)
    assert np.sqrt(np.diag(fit.details["sandwich_covariance"])) == pytest.approx(errors, abs=close)


@pytest.mark.parametrize("correlation", CORRELATIONS)
def test_order_of_visits_in_the_file_does_not_matter(correlation):
    fits = [fitted(visits(seed), correlation) for seed in (None, 1, 2, 3)]
    for fit in fits[1:]:
        assert fit.coefficients == pytest.approx(fits[0].coefficients, rel=1e-9)
        assert fit.covariance == pytest.approx(fits[0].covariance, rel=1e-8)
        assert fit.details["alpha"] == pytest.approx(fits[0].details["alpha"], rel=1e-8)


def test_independence_is_maximum_likelihood_with_a_sandwich():
    rows = visits()
    fit = fitted(rows, "independence")
    plain = maximum_likelihood(
        build(rows, [Numeric("dense"), Numeric("visit")]), rows["redness"], cluster=rows["patient"]
    )
    assert fit.coefficients == pytest.approx(plain.coefficients, rel=1e-9)
    uncorrected = plain.details["cluster_covariance"].uncorrected
    assert fit.details["sandwich_covariance"] == pytest.approx(uncorrected, rel=1e-8)
    assert fit.covariance == pytest.approx(14 / 13 * uncorrected, rel=1e-8)


def test_units_do_not_matter():
    rows = visits()
    small = rows.assign(visit=rows["visit"] / 1000)
    one, two = (
        estimating_equations(build(r, [Numeric("visit")]), r["redness"], cluster=r["patient"]) for r in (rows, small)
    )
    assert two.coefficients[1] / 1000 == pytest.approx(one.coefficients[1], rel=1e-8)


def test_what_cannot_be_fitted_says_why():
    rows = visits()
    dense = build(rows, [Numeric("dense")])
    separated = estimating_equations(dense, rows["dense"], cluster=rows["patient"])
    assert isinstance(separated, NotEstimable)
    assert separated.reason.startswith("separation")
    with pytest.raises(ValueError, match="needs the visits"):
        estimating_equations(dense, rows["redness"], cluster=rows["patient"], correlation="ar1")
    with pytest.raises(ValueError, match="same visit twice"):
        estimating_equations(
            dense, rows["redness"], cluster=rows["patient"], visit=np.ones(len(rows)), correlation="ar1"
        )
    with pytest.raises(ValueError, match="correlation must be"):
        estimating_equations(dense, rows["redness"], cluster=rows["patient"], correlation="toeplitz")


records = st.lists(
    st.tuples(st.integers(0, 7), st.booleans(), st.integers(0, 2), st.sampled_from([5.0, 10.0, 1e4])), max_size=30
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rows=records, correlation=st.sampled_from(list(CORRELATIONS)))
def test_every_set_of_records_gets_ratios_with_width_or_a_reason(rows, correlation):
    frame = pd.DataFrame(rows, columns=["patient", "event", "skin", "energy"]).astype({"energy": float})
    frame["skin"] = pd.Categorical(frame["skin"].map(str), ["0", "1", "2", "3"])
    frame["visit"] = frame.groupby("patient").cumcount()
    fit = estimating_equations(
        build(frame, [Category("skin", "1"), Numeric("energy")]), frame["event"].astype(int),
        cluster=frame["patient"], visit=frame["visit"], correlation=correlation,
    )  # fmt: skip
    if isinstance(fit, NotEstimable):
        assert fit.reason
        return
    for answer in fit.terms:
        if isinstance(answer, Estimate):
            assert answer.low < answer.value < answer.high
            assert math.isfinite(answer.high)
        else:
            assert answer.reason
