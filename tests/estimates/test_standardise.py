"""Standardised risks against R, closed forms, and the FLIC correction."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import expit

from outcomes.estimates.design import Category, Numeric, Spline, build
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable
from outcomes.estimates.firth import penalised
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.standardise import risk_curve, standardised_risks


def fitted(answer) -> Fit:
    assert isinstance(answer, Fit)
    return answer


def test_a_two_by_two_table_gives_its_own_risks_back():
    # 12 of 60 against 5 of 80: with one yes/no column standardised risks are the observed shares, their variance
    # p (1 − p) / n, and the log risk ratio has variance 1/a − 1/n₁ + 1/c − 1/n₀ (Katz et al. 1978, Biometrics 34:469).
    rows = pd.DataFrame({"dense": [1, 0]})
    design = build(rows, [Numeric("dense")])
    fit = fitted(maximum_likelihood(design, [12, 5], trials=[60, 80]))
    found = standardised_risks(
        fit, [design.evaluate(rows.assign(dense=v)) for v in (1, 0)], ["dense", "light"], weight=[60, 80]
    )
    assert found.values == pytest.approx([12 / 60, 5 / 80], rel=1e-10)
    difference, ratio = found.difference(0, 1), found.ratio(0, 1)
    assert isinstance(difference, Estimate)
    assert isinstance(ratio, Estimate)
    z = stats.norm.ppf(0.975)
    error = math.sqrt(0.2 * 0.8 / 60 + 0.0625 * 0.9375 / 80)
    assert [difference.low, difference.high] == pytest.approx([0.1375 - z * error, 0.1375 + z * error], rel=1e-8)
    assert difference.p_value == pytest.approx(2 * stats.norm.sf(0.1375 / error), rel=1e-7)
    log_error = math.sqrt(1 / 12 - 1 / 60 + 1 / 5 - 1 / 80)
    assert ratio.value == pytest.approx(3.2, rel=1e-10)
    assert [ratio.low, ratio.high] == pytest.approx(
        [3.2 * math.exp(-z * log_error), 3.2 * math.exp(z * log_error)], rel=1e-8
    )
    risk = found.risks[0]
    assert isinstance(risk, Estimate)
    logit_error = 1 / math.sqrt(60 * 0.2 * 0.8)
    assert math.log(risk.high / (1 - risk.high)) == pytest.approx(math.log(0.25) + z * logit_error, rel=1e-8)
    assert risk.unit == "proportion"
    assert (risk.n, risk.events) == (140, 17)


def test_clustered_risks_agree_with_r(thirty_zones):
    # R 4.2.2, clubSandwich 0.5.8, on the thirty zones of conftest.py: f <- glm(event ~ density + dark, binomial), X1
    # and X0 the model matrix with density 15 and 5, q <- plogis(X %*% coef(f)), g <- colMeans(X * q * (1 - q)),
    # V <- vcovCR(f, cluster = d$patient, type = "CR2"); sqrt(t(g1 - g0) %*% V %*% (g1 - g0)), and the df of
    # linear_contrast(f, V, contrasts = rbind(g1 - g0, g1), test = "Satterthwaite")
    design = build(thirty_zones, [Numeric("density"), Numeric("dark")])
    fit = fitted(maximum_likelihood(design, thirty_zones["event"], cluster=thirty_zones["patient"]))
    found = standardised_risks(
        fit, [design.evaluate(thirty_zones.assign(density=v)) for v in (15, 5)], ["at 15", "at 5"]
    )
    assert found.values == pytest.approx([0.580902224499, 0.0872809630066], rel=1e-9)
    difference = found.difference(0, 1)
    assert isinstance(difference, Estimate)
    half = stats.t.ppf(0.975, 7.0166742442008) * 0.142357030338
    assert [difference.low, difference.high] == pytest.approx([0.493621261493 - half, 0.493621261493 + half], rel=1e-7)
    risk = found.risks[0]
    assert isinstance(risk, Estimate)
    share = 0.580902224499
    half = stats.t.ppf(0.975, 7.4922479352974) * 0.0993440532152 / (share * (1 - share))
    middle = math.log(share / (1 - share))
    limits = [math.log(limit / (1 - limit)) for limit in (risk.low, risk.high)]
    assert limits == pytest.approx([middle - half, middle + half], rel=1e-7)
    assert difference.term == "at 15 minus at 5"
    assert found.ratio(0, 1, term="fifteen over five").term == "fifteen over five"


def rare(rng: np.random.Generator, zones: int, share: float) -> tuple[pd.DataFrame, np.ndarray]:
    rows = pd.DataFrame({"density": rng.integers(3, 30, zones).astype(float), "dark": rng.integers(0, 2, zones)})
    events = np.zeros(zones, dtype=int)
    events[rng.choice(zones, int(share * zones), replace=False)] = 1
    return rows, events


def test_after_a_penalised_fit_the_mean_risk_is_the_observed_one():
    rows, events = rare(np.random.default_rng(2), 1000, 0.01)
    design = build(rows, [Numeric("density"), Numeric("dark")])
    fit = fitted(penalised(design, events))
    found = standardised_risks(fit, [design.matrix], ["as treated"])
    assert found.values[0] == pytest.approx(0.01, rel=1e-9)
    uncorrected = (1 / (1 + np.exp(-design.matrix @ fit.coefficients))).mean()
    assert uncorrected > 1.1 * found.values[0]
    assert "FLIC" in found.risks[0].method


def test_copies_of_a_patients_zones_make_nothing_surer():
    rows, events = rare(np.random.default_rng(4), 600, 0.05)
    tripled = pd.concat([rows] * 3, ignore_index=True)
    design = build(tripled, [Numeric("density"), Numeric("dark")])
    settings = [design.evaluate(tripled.assign(density=v)) for v in (20.0, 10.0)]
    honest = fitted(penalised(design, np.tile(events, 3), cluster=np.tile(np.arange(600), 3), profile=["density"]))
    naive = fitted(penalised(design, np.tile(events, 3), profile=["density"]))

    def width(fit: Fit) -> float:
        answer = standardised_risks(fit, settings, ["20", "10"]).difference(0, 1)
        assert isinstance(answer, Estimate)
        return answer.high - answer.low

    assert width(honest) > 1.5 * width(naive)


def test_a_setting_beside_itself_has_no_difference(thirty_zones):
    design = build(thirty_zones, [Numeric("density"), Numeric("dark")])
    fit = fitted(penalised(design, thirty_zones["event"], cluster=thirty_zones["patient"]))
    found = standardised_risks(fit, [design.matrix, design.matrix], ["a", "b"])
    for answer in (found.difference(0, 1), found.ratio(0, 1)):
        assert isinstance(answer, NotEstimable)
        assert answer.reason == "the two settings do not differ"


def test_centring_and_units_do_not_change_a_risk(thirty_zones):
    other_terms = [Numeric("density", per=7, center=11), Numeric("dark")]
    answers = []
    for terms in ([Numeric("density"), Numeric("dark")], other_terms):
        design = build(thirty_zones, terms)
        fit = fitted(penalised(design, thirty_zones["event"], cluster=thirty_zones["patient"], profile=["density"]))
        found = standardised_risks(fit, [design.evaluate(thirty_zones.assign(density=v)) for v in (15, 5)], ["a", "b"])
        difference = found.difference(0, 1)
        assert isinstance(difference, Estimate)
        answers.append([difference.value, difference.low, difference.high, difference.p_value])
    assert answers[1] == pytest.approx(answers[0], rel=1e-7)


def test_a_curve_is_the_risk_at_each_value(thirty_zones):
    design = build(thirty_zones, [Spline("density", (5, 10, 20)), Numeric("dark")])
    fit = fitted(penalised(design, thirty_zones["event"], cluster=thirty_zones["patient"]))
    curve = risk_curve(fit, design, thirty_zones, "density", [5, 10, 15])
    one = standardised_risks(fit, [design.evaluate(thirty_zones.assign(density=10.0))], ["risk at density 10"]).risks[0]
    assert curve[1] == one
    assert all(isinstance(point, Estimate) and 0 < point.low < point.high < 1 for point in curve)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"labels": ["a"]}, "one matrix and one label"),
        ({"designs": [np.ones((3, 2))] * 2}, "columns of the fit"),
        ({"weight": [0.0] * 30}, "not all zero"),
        ({"weight": [-1.0] + [1.0] * 29}, "not negative"),
        ({"weight": [math.nan] + [1.0] * 29}, "finite"),
    ],
)
def test_faults_are_refused(thirty_zones, change, message):
    design = build(thirty_zones, [Numeric("density"), Numeric("dark")])
    fit = fitted(penalised(design, thirty_zones["event"]))
    arguments = {"designs": [design.matrix] * 2, "labels": ["a", "b"], "weight": None} | change
    with pytest.raises(ValueError, match=message):
        standardised_risks(fit, arguments["designs"], arguments["labels"], weight=arguments["weight"])


def test_smoking_and_low_birth_weight(reference):
    name = "logit.birthwt.gcomp"
    expected, tolerance = reference.item(name)["expected"], reference.tolerance(name)
    rows = reference.frame("birthwt")
    design = build(
        rows,
        [Numeric("smoke"), Numeric("age"), Numeric("lwt"), Category("race", "1"), Numeric("ht"), Numeric("ui")],
    )
    fit = fitted(maximum_likelihood(design, rows["low"]))
    assert fit.coefficients == pytest.approx(list(expected["coef"].values()), **tolerance)
    found = standardised_risks(fit, [design.evaluate(rows.assign(smoke=v)) for v in (1, 0)], ["smoking", "not smoking"])
    assert found.values == pytest.approx([expected["risk_exposed"], expected["risk_unexposed"]], **tolerance)
    difference, ratio = found.difference(0, 1), found.ratio(0, 1)
    assert isinstance(difference, Estimate)
    assert isinstance(ratio, Estimate)
    z = stats.norm.ppf(0.975)
    assert difference.value == pytest.approx(expected["risk_difference"], **tolerance)
    assert (difference.high - difference.low) / (2 * z) == pytest.approx(expected["se_risk_difference"], **tolerance)
    assert ratio.value == pytest.approx(expected["risk_ratio"], **tolerance)
    assert math.log(ratio.high / ratio.low) / (2 * z) == pytest.approx(expected["se_log_risk_ratio"], **tolerance)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("patients", "rate", "on_patient", "log_odds_ratio"), [(300, 0.03, True, 0.0), (600, 0.02, False, math.log(2))]
)
def test_coverage_in_rare_clustered_events(rare_events, patients, rate, on_patient, log_odds_ratio):
    """95 % limits of risks and of their difference cover 0.93–0.995 where events are rare and patients alike."""
    rng = np.random.default_rng([13, patients])
    covered = np.zeros(3)
    runs = 0
    for _ in range(500):
        clinic = rare_events(rng, patients, rate, on_patient, log_odds_ratio)
        if clinic.events.sum() < 6:
            continue
        design = build(clinic.rows, [Numeric("exposed"), Numeric("age")])
        fit = fitted(penalised(design, clinic.events, cluster=clinic.patient, profile=["exposed"]))
        found = standardised_risks(fit, [design.evaluate(clinic.rows.assign(exposed=v)) for v in (1, 0)], ["a", "b"])
        bare = clinic.log_odds - log_odds_ratio * clinic.rows["exposed"].to_numpy()
        truth = [expit(bare + log_odds_ratio).mean(), expit(bare).mean()]
        answers = (*found.risks, found.difference(0, 1))
        for position, (answer, true) in enumerate(zip(answers, (*truth, truth[0] - truth[1]), strict=True)):
            assert isinstance(answer, Estimate)
            covered[position] += answer.low <= true <= answer.high
        runs += 1
    print(f"covered {covered / runs} of {runs}")
    assert runs > 475
    assert np.all(covered / runs >= 0.93)
    assert np.all(covered / runs <= 0.995)
