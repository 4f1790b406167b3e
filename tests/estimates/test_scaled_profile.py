"""The scaled profile: against an independent computation in R, its limiting cases, and its simulated coverage."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.estimates.binary import observe
from outcomes.estimates.design import Numeric, build
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable
from outcomes.estimates.firth import penalised
from outcomes.estimates.likelihood import Surface
from outcomes.estimates.scaled_profile import DesignEffects, working_correlation

# Twenty invented patients with two zones each, outcomes alike within a patient. R 4.2.2, written with loops over
# patients and pairs on single records: Firth fit as in test_firth.py; alpha from the products of Pearson residuals of
# all pairs within a patient over (pairs − 3); I <- info(b); M <- (1 − alpha) * I + alpha * sum over patients of s s',
# s <- t(X_g) %*% sqrt(w_g); lambda_a <- (solve(I) %*% M %*% solve(I))[j, j] / solve(I)[j, j] at the constrained fit;
# lambda_j from sum of solve(I − I_g, t(X_g) %*% (y − m)_g) squared, at the free fit; limits by uniroot of
# D(v) / (l * r(l)) − qchisq(0.95, 1), l <- max(1, lambda_a(v), lambda_j),
# r <- function(l) 1 + ((qt(0.975, max(5, 7 - 3)) / qnorm(0.975))^2 - 1) * (1 - l^-3), 7 patients having an event.
PATIENT = np.repeat(np.arange(20), 2)
EVENT = [1, 1, 0, 0, 1, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 1, 0, 0,
         0, 0, 1, 1, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1]  # fmt: skip
DENSITY = [5, 10, 5, 5, 10, 15, 20, 5, 10, 10, 15, 20, 5, 15, 10, 5, 20, 20, 15, 10,
           5, 20, 10, 10, 5, 15, 20, 10, 15, 5, 10, 10, 5, 5, 15, 15, 10, 20, 20, 15]  # fmt: skip
DARK = np.repeat([1, 0, 1, 0, 0, 1, 0, 1, 1, 0, 0, 0, 1, 0, 1, 0, 0, 0, 1, 1], 2)
ALPHA = 0.812881274033
LAMBDA_ALPHA = [1.4078516621, 1.08340186527, 1.78580834456]
LAMBDA_J = [1.76684525727, 1.28839395506, 2.0204122094]
LIMITS = {"density": (-0.172902227909, 0.202994188863), "dark": (-0.373405393634, 6.04766664223)}
LIMITS_ALPHA_ONLY = {"density": (-0.136896478273, 0.159672126725), "dark": (0.325220129861, 4.91726184148)}
P_VALUES = {"density": 0.859750547616, "dark": 0.0961960621138}
CR3_COVARIANCE = [
    [1.89006362248, -0.0806880910065, -0.782066017913],
    [-0.0806880910065, 0.00657119605176, -0.010097106561],
    [-0.782066017913, -0.010097106561, 1.40818221328],
]


@pytest.fixture
def pairs() -> pd.DataFrame:
    return pd.DataFrame({"patient": PATIENT, "event": EVENT, "density": DENSITY, "dark": DARK})


def clustered(rows: pd.DataFrame, cluster, **options) -> Fit:
    fit = penalised(build(rows, [Numeric("density"), Numeric("dark")]), rows["event"], cluster=cluster, **options)
    assert isinstance(fit, Fit)
    return fit


def test_limits_and_p_agree_with_r(pairs):
    fit = clustered(pairs, pairs["patient"])
    for term in fit.terms:
        assert isinstance(term, Estimate)
        assert np.log([term.low, term.high]) == pytest.approx(LIMITS[term.term], rel=1e-7)
        assert term.p_value == pytest.approx(P_VALUES[term.term], rel=1e-7)
    assert fit.details["working_correlation"] == pytest.approx(ALPHA, rel=1e-7)
    assert fit.covariance == pytest.approx(np.array(CR3_COVARIANCE), rel=1e-7)
    assert fit.details["patients_with_events"] == 7
    assert fit.events == 12
    assert fit.method.endswith("scaled profile-likelihood limits, patient as cluster")


def test_each_design_effect_agrees_with_r(pairs):
    data = observe(build(pairs, [Numeric("density"), Numeric("dark")]), pairs["event"], cluster=pairs["patient"])
    assert data.cells is not None
    surface = Surface.of(data, penalty=0.5)
    best = surface.maximum()
    effects = DesignEffects.of(surface, data.cells, best)
    assert working_correlation(data.cells, best.probability, 3) == pytest.approx(ALPHA, rel=1e-7)
    assert effects.jackknife[1:] == pytest.approx(LAMBDA_J[1:], rel=1e-7)
    without = replace(effects, jackknife=np.zeros(3))
    assert [without.at(best, j) for j in (1, 2)] == pytest.approx(LAMBDA_ALPHA[1:], rel=1e-7)
    exchangeable = np.diag(effects.exchangeable(best)) / np.diag(best.inverse)
    assert exchangeable[1:] == pytest.approx(LAMBDA_ALPHA[1:], rel=1e-7)
    for j, name in ((1, "density"), (2, "dark")):
        for side, expected in zip((-1, 1), LIMITS_ALPHA_ONLY[name], strict=True):
            limit = surface.limit(j, side, best, stats.chi2.ppf(0.95, 1), lambda s, j=j: without.at(s, j))
            assert limit is not None
            assert limit / surface.scale[j] == pytest.approx(expected, rel=1e-7)


def test_thirty_zones_without_correlation(thirty_zones):
    # R as above on the thirty zones of conftest.py: alpha is negative, so 0; lambda_j 1.07946408885 and below 1
    fit = clustered(thirty_zones, thirty_zones["patient"])
    assert fit.details["working_correlation"] == 0
    assert fit.details["design_effect"]["density"] == pytest.approx(1.07946408885, rel=1e-7)
    assert fit.details["design_effect"]["dark"] == 1.0
    density = fit.term("density")
    assert np.log([density.low, density.high]) == pytest.approx([0.0321152021656, 0.517390892978], rel=1e-7)
    assert density.p_value == pytest.approx(0.0199896837695, rel=1e-6)


def test_grouping_a_patients_equal_zones_changes_nothing(pairs):
    grouped = pairs.groupby(["patient", "density", "dark"], as_index=False).agg(k=("event", "sum"), n=("event", "size"))
    assert len(grouped) < len(pairs)
    fit = penalised(
        build(grouped, [Numeric("density"), Numeric("dark")]),
        grouped["k"],
        trials=grouped["n"],
        cluster=grouped["patient"],
    )
    assert isinstance(fit, Fit)
    for mine, theirs in zip(clustered(pairs, pairs["patient"]).terms, fit.terms, strict=True):
        assert [theirs.low, theirs.high] == pytest.approx([mine.low, mine.high], rel=1e-7)


def test_copies_of_a_patients_record_add_next_to_nothing(pairs):
    half = pairs.iloc[::2]  # twice, so that there are as many patients with events as a model is asked to have
    single = pd.concat([half, half.assign(patient=half["patient"] + 20)], ignore_index=True)
    tripled = pd.concat([single] * 3, ignore_index=True)
    alone = clustered(single, single["patient"]).term("dark")
    honest = clustered(tripled, tripled["patient"]).term("dark")
    naive = penalised(build(tripled, [Numeric("density"), Numeric("dark")]), tripled["event"])
    assert isinstance(naive, Fit)

    def width(term) -> float:
        return math.log(term.high / term.low)

    assert width(honest) == pytest.approx(width(alone), rel=0.35)
    assert width(naive.term("dark")) < 0.75 * width(alone)


def test_a_column_that_one_patient_alone_varies_in_cannot_be_judged(pairs):
    rows = pairs.assign(dark=(pairs["patient"] == 3).astype(int))
    fit = clustered(rows, rows["patient"])
    answer = fit.term("dark")
    assert isinstance(answer, NotEstimable)
    assert answer.reason == "it rests on one patient"
    assert isinstance(fit.term("density"), Estimate)


def test_four_thousand_zones_take_about_a_second():
    rng = np.random.default_rng(1)
    patients = np.repeat(np.arange(2000), 2)
    rows = pd.DataFrame({f"x{j}": rng.normal(size=4000) for j in range(12)})
    events = (rng.random(4000) < 0.03).astype(int)
    design = build(rows, [Numeric(f"x{j}") for j in range(12)])
    start = time.perf_counter()
    fit = penalised(design, events, cluster=patients, profile=["x0", "x1", "x2"])
    assert isinstance(fit, Fit)
    assert len(fit.terms) == 3
    assert time.perf_counter() - start < 10.0  # some tenths of a second on an idle core


@pytest.mark.slow
@pytest.mark.parametrize(
    ("patients", "rate", "on_patient", "log_odds_ratio"), [(300, 0.03, True, 0.0), (600, 0.02, False, math.log(2))]
)
def test_coverage_in_rare_clustered_events(rare_events, patients, rate, on_patient, log_odds_ratio):
    """Two or three zones a patient, 1 in 33 or 50 with the event, patients alike: 95 % limits cover 0.93–0.98."""
    rng = np.random.default_rng([11, patients])
    covered, plain, runs = 0, 0, 0
    for _ in range(1000):
        clinic = rare_events(rng, patients, rate, on_patient, log_odds_ratio)
        if clinic.events.sum() < 6:
            continue
        design = build(clinic.rows, [Numeric("exposed"), Numeric("age")])
        runs += 1
        for cluster in (clinic.patient, None):
            fit = penalised(design, clinic.events, cluster=cluster, profile=["exposed"])
            assert isinstance(fit, Fit)
            term = fit.terms[0]
            assert isinstance(term, Estimate)
            inside = term.low <= math.exp(log_odds_ratio) <= term.high
            covered += inside and cluster is not None
            plain += inside and cluster is None
    print(f"covered {covered} of {runs}, unscaled {plain}")
    assert runs > 950
    assert 0.93 <= covered / runs <= 0.98
    assert plain < covered
