"""Discrimination, calibration and validation against R (pROC, rms) and by their definitions."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, logit

from outcomes.estimates.design import Numeric, build
from outcomes.estimates.discrimination import brier, c_statistic, calibration
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable
from outcomes.estimates.goodness import Explained, Groups, explained, risk_groups
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.validation import cross_validated, optimism

# Invented. R 4.2.2, pROC 1.18.0: ci.auc(roc(EVENT, SCORE, direction = "<"), method = "delong") and, for the calibration
# l <- qlogis(SCORE): glm(EVENT ~ l, binomial), glm(EVENT ~ 1, binomial, offset = l)
EVENT = [0, 0, 0, 1, 0, 0, 1, 0, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1, 1, 0]
SCORE = [0.05, 0.08, 0.10, 0.12, 0.15, 0.20, 0.22, 0.25, 0.30, 0.30,
         0.35, 0.38, 0.40, 0.45, 0.50, 0.55, 0.55, 0.60, 0.75, 0.80]  # fmt: skip
C_LIMITS = [0.43095613618662, 0.67676767676768, 0.92257921734874]
CALIBRATION = [0.549778265978, 0.19767837564277, 0.49918813557023]
CALIBRATION_ERRORS = [0.44446004670901, 0.50596061079842]


def test_c_statistic_agrees_with_proc():
    found = c_statistic(EVENT, SCORE, limits="plain")
    assert isinstance(found, Estimate)
    assert [found.low, found.value, found.high] == pytest.approx(C_LIMITS, rel=1e-8)
    inside = c_statistic(EVENT, SCORE)
    assert isinstance(inside, Estimate)
    error = (found.high - found.value) / 1.959963984540054
    expected = expit(logit(found.value) + 1.959963984540054 * error / (found.value * (1 - found.value)))
    assert inside.high == pytest.approx(expected, rel=1e-10)


def test_c_statistic_is_the_share_of_pairs():
    pairs = [
        (a > b) + 0.5 * (a == b)
        for a, y in zip(SCORE, EVENT, strict=True)
        if y
        for b, z in zip(SCORE, EVENT, strict=True)
        if not z
    ]
    assert c_statistic(EVENT, SCORE).value == pytest.approx(np.mean(pairs), rel=1e-12)


def test_clusters_of_one_give_delong_and_copies_give_no_certainty():
    alone = c_statistic(EVENT, SCORE, cluster=np.arange(20))
    plain = c_statistic(EVENT, SCORE)
    assert [alone.low, alone.high] == pytest.approx([plain.low, plain.high], rel=1e-12)
    copied = c_statistic(EVENT * 4, SCORE * 4, cluster=list(range(20)) * 4)
    assert [copied.low, copied.value, copied.high] == pytest.approx([plain.low, plain.value, plain.high], rel=1e-9)
    assert copied.patients == 20
    naive = c_statistic(EVENT * 4, SCORE * 4)
    assert naive.high - naive.low < 0.6 * (copied.high - copied.low)


@pytest.mark.parametrize(
    ("event", "score", "reason"),
    [
        ([], [], "no cases"),
        ([0, 0, 0], [0.1, 0.2, 0.3], "no events"),
        ([1, 1], [0.1, 0.2], "every record has the event"),
        ([0, 0, 1, 1], [0.1, 0.2, 0.3, 0.4], "the scores of events and non-events do not overlap"),
        ([0, 1, 0], [0.1, 0.2, 0.3], "too few events or non-events, or patients with them, for an interval"),
    ],
)
def test_data_that_cannot_answer_say_why(event, score, reason):
    answer = c_statistic(event, score)
    assert isinstance(answer, NotEstimable)
    assert answer.reason == reason


def test_faults_are_refused():
    with pytest.raises(ValueError, match="0 or 1"):
        c_statistic([0, 2], [0.1, 0.2])
    with pytest.raises(ValueError, match="finite"):
        c_statistic([0, 1], [0.1, math.nan])
    with pytest.raises(ValueError, match="differ in length"):
        c_statistic([0, 1], [0.1])
    with pytest.raises(ValueError, match="between 0 and 1"):
        brier([0, 1], [0.1, 1.2])
    with pytest.raises(ValueError, match="strictly between"):
        calibration([0, 1], [0.1, 1.0])


def test_calibration_agrees_with_r():
    found = calibration(EVENT, SCORE)
    assert isinstance(found.slope, Estimate)
    assert isinstance(found.intercept, Estimate)
    assert [found.slope.value, found.intercept_with_slope, found.intercept.value] == pytest.approx(
        CALIBRATION, rel=1e-8
    )
    widths = [(a.high - a.low) / (2 * 1.959963984540054) for a in (found.slope, found.intercept)]
    assert widths == pytest.approx(CALIBRATION_ERRORS, rel=1e-6)
    assert found.observed_over_expected == pytest.approx(sum(EVENT) / sum(SCORE))


def test_brier_is_the_mean_squared_distance():
    found = brier(EVENT, SCORE)
    squared = (np.array(EVENT) - np.array(SCORE)) ** 2
    assert isinstance(found.score, Estimate)
    assert found.score.value == pytest.approx(squared.mean())
    # each record its own patient: the usual t interval of a mean
    half = 2.093024054408263 * squared.std(ddof=1) / math.sqrt(20)
    assert found.score.high - found.score.value == pytest.approx(half, rel=1e-8)
    assert found.scaled == pytest.approx(1 - squared.mean() / (9 / 20 * 11 / 20))


def test_optimism_by_patient_draws_whole_patients():
    rng = np.random.default_rng(8)
    patients = np.repeat(np.arange(120), 2)
    rows = pd.DataFrame({f"x{j}": rng.normal(size=240) for j in range(4)})
    events = (rng.random(240) < expit(rows["x0"] - 0.5)).astype(int)
    design = build(rows, [Numeric(f"x{j}") for j in range(4)])
    found = optimism(design, events, cluster=patients, resamples=60, seed=3)
    assert found is not None
    assert found.resamples + found.failed == 60
    assert found.corrected_c < found.apparent_c
    assert found.corrected_brier > found.apparent_brier
    assert 0.5 < found.corrected_slope < 1.1
    again = optimism(design, events, cluster=patients, resamples=60, seed=3)
    assert again is not None
    assert again.corrected_c == found.corrected_c
    assert optimism(design, np.zeros(240, dtype=int)) is None


def test_cross_validation_never_splits_a_patient():
    rng = np.random.default_rng(9)
    patients = np.repeat(np.arange(40), 3)
    rows = pd.DataFrame({"x": rng.normal(size=120)})
    events = (rng.random(120) < 0.4).astype(int)
    design = build(rows, [Numeric("x")])
    found = cross_validated(design, events, cluster=patients, folds=40)
    assert found is not None
    left_out = patients != 7
    fit = maximum_likelihood(build(rows[left_out], [Numeric("x")]), events[left_out])
    assert isinstance(fit, Fit)
    expected = expit(fit.coefficients[0] + fit.coefficients[1] * rows["x"][~left_out])
    assert found[~left_out] == pytest.approx(expected.to_numpy(), rel=1e-7)


def test_validation_of_what_cannot_be_validated():
    assert risk_groups([], np.array([])).reason == "no cases"
    assert risk_groups([0, 1] * 5, np.repeat([0.2, 0.3], 5)).reason.startswith("predicted risks take too few")
    assert risk_groups([0, 1, 1] * 4, np.tile([0.0, 0.3, 0.7], 4)).reason.startswith("the risks of a group")
    assert explained([0, 0, 0], np.array([0.1, 0.2, 0.3]), 1).reason == "no events"
    assert explained([0, 1], np.array([0.1, 1.0]), 1).reason == "a fitted probability is 0 or 1"
    design = build(pd.DataFrame({"x": [1.0, 2.0, 3.0]}), [Numeric("x")])
    assert cross_validated(design, [0, 1, 0], cluster=["a"] * 3) is None


def test_aneurysm_scores(reference):
    name = "pred.auc.asah"
    expected, tolerance = reference.item(name)["expected"], reference.tolerance(name)
    rows = reference.frame("asah")
    for position, marker in enumerate(("wfns", "s100b")):
        plain, inside = (c_statistic(rows["poor"], rows[marker], limits=limits) for limits in ("plain", "logit"))
        assert isinstance(plain, Estimate)
        assert isinstance(inside, Estimate)
        assert plain.value == pytest.approx(expected["auc"][position], **tolerance)
        assert [plain.low, plain.high] == pytest.approx(
            [expected["lower"][position], expected["upper"][position]], **tolerance
        )
        assert [inside.low, inside.high] == pytest.approx(
            [expected["logit_lower"][position], expected["logit_upper"][position]], **tolerance
        )
    third = c_statistic(rows["poor"], rows["ndka"], limits="plain")
    assert [third.low, third.value, third.high] == pytest.approx(expected["pROC"]["ci_ndka"], **tolerance)


def test_external_validation(reference):
    name = "pred.validation.trace"
    item, tolerance = reference.item(name)["expected"], reference.tolerance(name)
    expected = item["val"]
    rows = reference.frame("trace_validation")
    found, score = calibration(rows["y"], rows["p"]), brier(rows["y"], rows["p"])
    auc = c_statistic(rows["y"], rows["p"])
    assert isinstance(found.slope, Estimate)
    assert isinstance(found.intercept, Estimate)
    assert isinstance(score.score, Estimate)
    assert isinstance(auc, Estimate)
    pairs = {
        "auc": auc.value,
        "brier": score.score.value,
        "brier_max_at_prevalence": score.reference,
        "scaled_brier": score.scaled,
        "calibration_slope": found.slope.value,
        "se_slope": (found.slope.high - found.slope.low) / (2 * 1.959963984540054),
        "intercept_joint_with_slope": found.intercept_with_slope,
        "calibration_in_the_large": found.intercept.value,
        "se_calibration_in_the_large": (found.intercept.high - found.intercept.low) / (2 * 1.959963984540054),
        "observed_over_expected": found.observed_over_expected,
    }
    for key, value in pairs.items():
        assert value == pytest.approx(expected[key], **tolerance), key
    assert [auc.low, auc.high] == pytest.approx(
        [item["delong"]["logit_lower"], item["delong"]["logit_upper"]], **tolerance
    )
    groups = risk_groups(rows["y"], rows["p"].to_numpy(), fitted=False)
    assert isinstance(groups, Groups)
    assert groups.n.tolist() == item["hosmer_lemeshow_external"]["n"]
    assert groups.observed.tolist() == item["hosmer_lemeshow_external"]["observed"]
    assert groups.p_value == pytest.approx(item["hosmer_lemeshow_external"]["p"], **tolerance)


@pytest.fixture
def birth_weight(reference):
    rows = reference.frame("birthwt_model")
    return rows, build(rows, [Numeric(c) for c in rows.columns if c != "low"])


def test_internal_validation(reference, birth_weight):
    name = "pred.internal.birthwt"
    expected, tolerance = reference.item(name)["expected"], reference.tolerance(name)
    rows, design = birth_weight
    fit = maximum_likelihood(design, rows["low"])
    assert isinstance(fit, Fit)
    predicted = expit(design.matrix @ fit.coefficients)
    found = explained(rows["low"], predicted, 7)
    assert isinstance(found, Explained)
    assert found.likelihood_ratio == pytest.approx(expected["lr_chisq"], **tolerance)
    assert found.shrinkage == pytest.approx(expected["heuristic_shrinkage"], **tolerance)
    assert found.nagelkerke == pytest.approx(expected["nagelkerke_r2"], **tolerance)
    assert found.cox_snell == pytest.approx(expected["cox_snell_r2"], **tolerance)
    assert found.tjur == pytest.approx(expected["tjur_r2"], **tolerance)
    assert c_statistic(rows["low"], predicted).value == pytest.approx(expected["apparent_auc"], **tolerance)
    left_out = cross_validated(design, rows["low"], folds=len(rows))
    assert left_out is not None
    assert left_out[:10] == pytest.approx(expected["loo_predictions_first10"], **tolerance)
    assert c_statistic(rows["low"], left_out).value == pytest.approx(expected["loo_auc"], **tolerance)
    assert brier(rows["low"], left_out).score.value == pytest.approx(expected["loo_brier"], **tolerance)
    groups = risk_groups(rows["low"], predicted)
    assert isinstance(groups, Groups)
    assert groups.chi_square == pytest.approx(expected["hosmer_lemeshow"]["chisq"], **tolerance)
    assert groups.expected == pytest.approx(expected["hosmer_lemeshow"]["expected"], **tolerance)


def test_bootstrap_optimism_with_given_resamples(reference, birth_weight):
    name = "pred.optimism.birthwt"
    expected, tolerance = reference.item(name)["expected"], reference.tolerance(name)
    rows, design = birth_weight
    draws = [column.to_numpy() - 1 for _, column in reference.frame("birthwt_boot20").items()]
    found = optimism(design, rows["low"], draws=draws)
    assert found is not None
    assert found.resampled_c == pytest.approx(list(expected["boot_auc"].values()), **tolerance)
    assert found.original_c == pytest.approx(list(expected["test_auc"].values()), **tolerance)
    assert found.original_slope == pytest.approx(list(expected["test_slope"].values()), **tolerance)
    assert found.corrected_c == pytest.approx(expected["corrected_auc"], **tolerance)
    assert found.corrected_brier == pytest.approx(expected["corrected_brier"], **tolerance)
    assert found.corrected_slope == pytest.approx(expected["corrected_slope"], **tolerance)
