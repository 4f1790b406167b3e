"""Cluster-robust covariances against R's clubSandwich and sandwich."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Fit, NotEstimable
from outcomes.estimates.logistic import maximum_likelihood

# R 4.2.2, clubSandwich 0.5.8, on the thirty zones of conftest.py as data frame d:
#   f <- glm(event ~ density + dark, binomial, d, control = list(epsilon = 1e-14, maxit = 100))
#   for (t in c("CR0", "CR2", "CR3")) sqrt(diag(as.matrix(vcovCR(f, cluster = d$patient, type = t))))
#   coef_test(f, vcov = vcovCR(f, cluster = d$patient, type = "CR2"), test = "Satterthwaite")
COEFFICIENTS = [-3.46202468582984, 0.276884892643957, -0.958864197550278]
ERRORS = {
    "uncorrected": [1.1564466394022, 0.10892100058484, 0.76256723946845],
    "bias_reduced": [1.2310873749861, 0.11612457815494, 0.83767753879477],
    "leave_one_out": [1.3307920554548, 0.12476172169426, 0.91716302715152],
}
DEGREES = [7.4121808833916, 6.5014571492562, 6.0138021933248]
P_VALUES = [0.051257237541954, 0.2958504536882]


def clustered(rows: pd.DataFrame, **options) -> Fit:
    fit = maximum_likelihood(
        build(rows, [Numeric("density"), Numeric("dark")]), rows["event"], cluster=rows["patient"], **options
    )
    assert isinstance(fit, Fit)
    return fit


@pytest.mark.parametrize("kind", ERRORS)
def test_sandwich_agrees_with_clubsandwich(thirty_zones, kind):
    fit = clustered(thirty_zones)
    assert fit.coefficients == pytest.approx(COEFFICIENTS, rel=1e-10)
    found = np.sqrt(np.diag(getattr(fit.details["cluster_covariance"], kind)))
    assert found == pytest.approx(ERRORS[kind], rel=1e-7)


def test_satterthwaite_agrees_with_clubsandwich(thirty_zones):
    fit = clustered(thirty_zones)
    assert fit.degrees_of_freedom == pytest.approx(DEGREES, rel=1e-7)
    assert [term.p_value for term in fit.terms] == pytest.approx(P_VALUES, rel=1e-7)
    assert fit.details["patients_with_events"] == 9
    assert fit.patients == 12


def test_limits_rest_on_cr2_and_t(thirty_zones):
    # R: 0.276884892643957 + c(-1, 1) * qt(0.975, 6.5014571492562) * 0.11612457815494
    term = clustered(thirty_zones).terms[0]
    assert np.log([term.low, term.high]) == pytest.approx([-0.00203277278813, 0.55580255807604], abs=1e-8)


def test_grouping_equal_records_of_a_patient_changes_nothing(thirty_zones):
    grouped = thirty_zones.groupby(["patient", "density", "dark"], as_index=False).agg(
        k=("event", "sum"), n=("event", "size")
    )
    assert len(grouped) < len(thirty_zones)
    fit = maximum_likelihood(
        build(grouped, [Numeric("density"), Numeric("dark")]),
        grouped["k"],
        trials=grouped["n"],
        cluster=grouped["patient"],
    )
    assert isinstance(fit, Fit)
    single = clustered(thirty_zones)
    assert fit.covariance == pytest.approx(single.covariance, rel=1e-9)
    assert fit.degrees_of_freedom == pytest.approx(single.degrees_of_freedom, rel=1e-9)


def test_a_level_that_rests_on_one_patient_cannot_be_judged(thirty_zones):
    rows = thirty_zones.assign(only_c=(thirty_zones["patient"] == "c").astype(int))
    fit = maximum_likelihood(
        build(rows, [Numeric("density"), Numeric("only_c")]), rows["event"], cluster=rows["patient"]
    )
    assert isinstance(fit, Fit)
    answer = fit.term("only_c")
    assert isinstance(answer, NotEstimable)
    assert answer.reason == "it rests on one patient"
    assert not isinstance(fit.term("density"), NotEstimable)


def test_many_patients_are_quick_and_agree_with_a_plain_loop():
    rng = np.random.default_rng(5)
    patients = np.repeat(np.arange(300), rng.integers(1, 5, 300))
    rows = pd.DataFrame({"x": rng.normal(size=len(patients)), "z": rng.normal(size=300)[patients]})
    events = (rng.random(len(rows)) < 0.3).astype(int)
    fit = maximum_likelihood(build(rows, [Numeric("x"), Numeric("z")]), events, cluster=patients)
    assert isinstance(fit, Fit)
    design = np.column_stack([np.ones(len(rows)), rows["x"], rows["z"]])
    mu = 1 / (1 + np.exp(-design @ fit.coefficients))
    weight = mu * (1 - mu)
    inverse = np.linalg.inv((design * weight[:, None]).T @ design)
    meat = np.zeros((3, 3))
    for patient in range(300):
        own = patients == patient
        x, w, r = design[own], weight[own], (events - mu)[own]
        root = np.diag(np.sqrt(w))
        # the adjustment matrix of Pustejovsky and Tipton (2018), written out with n × n matrices
        gap = root @ (np.diag(w) - (w[:, None] * x) @ inverse @ (w[:, None] * x).T) @ root
        values, vectors = np.linalg.eigh(gap)
        adjustment = root @ vectors @ np.diag(values**-0.5) @ vectors.T @ root
        score = x.T @ adjustment @ r
        meat += np.outer(score, score)
    assert fit.covariance == pytest.approx(inverse @ meat @ inverse, rel=1e-9)


def test_respiratory_trial(reference):
    name = "logit.cluster_robust.respiratory"
    expected, tolerance = reference.item(name)["expected"], reference.tolerance(name)
    rows = reference.frame("respiratory")
    terms = [Category("treat", "A"), Category("sex", "F"), Numeric("age"), Numeric("baseline"), Category("center", "1")]
    fit = maximum_likelihood(build(rows, terms), rows["outcome"], cluster=rows["cluster"])
    assert isinstance(fit, Fit)
    robust, groups = fit.details["cluster_covariance"], expected["n_clusters"]
    assert (fit.n, fit.patients) == (expected["n"], groups)
    assert fit.coefficients == pytest.approx(list(expected["coef"].values()), **tolerance)
    uncorrected = np.sqrt(np.diag(robust.uncorrected))
    assert uncorrected == pytest.approx(list(expected["cluster_se_no_correction"].values()), **tolerance)
    corrected = uncorrected * np.sqrt(groups / (groups - 1))
    assert corrected == pytest.approx(list(expected["cluster_se_G_over_Gm1"].values()), **tolerance)
    assert fit.details["standard_error"] == pytest.approx(list(expected["cluster_se_CR2"].values()), **tolerance)
    # R 4.2.2, clubSandwich 0.5.8: coef_test(f, vcov = vcovCR(f, cluster, "CR2"), test = "Satterthwaite")$df_Satt, and
    # vcovCR(f, cluster, type = "CR3")
    degrees = [31.918851697257, 81.439506229829, 31.883925156969, 33.344577435986, 74.931764098681, 61.420437362574]
    assert fit.degrees_of_freedom == pytest.approx(degrees, rel=1e-7)
    leave_one_out = [
        0.78669425375486,
        0.36825177952031,
        0.47687402975594,
        0.014184100494943,
        0.36831345086188,
        0.37734005956456,
    ]
    assert np.sqrt(np.diag(robust.leave_one_out)) == pytest.approx(leave_one_out, rel=1e-7)
