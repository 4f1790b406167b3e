"""Random intercepts against R's lme4 and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.integrate import quad
from scipy.special import expit

from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable
from outcomes.estimates.mixed import random_intercept

# Contagious bovine pleuropneumonia in 15 herds: Lesnoff M et al. (2004) Preventive Veterinary Medicine 64:27–40.
HERD = [1, 1, 1, 1, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4, 5, 5, 5, 5, 6, 6, 6, 6, 7, 7, 7, 7, 8, 9, 9, 9, 9,
        10, 10, 10, 10, 11, 11, 11, 11, 12, 12, 12, 12, 13, 13, 13, 13, 14, 14, 14, 14, 15, 15, 15, 15]  # fmt: skip
INCIDENCE = [2, 3, 4, 0, 3, 1, 1, 8, 2, 0, 2, 2, 0, 2, 0, 5, 0, 0, 1, 3, 0, 0, 1, 8, 1, 3, 0, 12, 2, 0, 0, 0,
             1, 1, 0, 2, 0, 5, 3, 1, 2, 1, 0, 0, 1, 2, 0, 0, 11, 0, 0, 0, 1, 1, 1, 0]  # fmt: skip
SIZE = [14, 12, 9, 5, 22, 18, 21, 22, 16, 16, 20, 10, 10, 9, 6, 18, 25, 24, 4, 17, 17, 18, 20, 16, 10, 9, 5, 34, 9, 6,
        8, 6, 22, 22, 18, 22, 25, 27, 22, 22, 10, 8, 6, 5, 21, 24, 19, 23, 19, 2, 3, 2, 19, 15, 15, 15]  # fmt: skip
PERIOD = [1, 2, 3, 4, 1, 2, 3, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4, 1, 1, 2, 3, 4,
          1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4]  # fmt: skip

# R 4.2.2, lme4 1.1-31: glmer(cbind(incidence, size − incidence) ~ period + (1 | herd), binomial, nAGQ = 25), bobyqa
# with rhoend 1e-9, tolPwrss 1e-11
COEFFICIENTS = [-1.39923049594597, -0.991403621374885, -1.12781950221397, -1.57947067965901]
ERRORS = [0.233511567202243, 0.306767938193295, 0.326768324451899, 0.427594406707345]
SD = 0.647518471341935
MODES = [
    0.593024852731663, -0.300258252437762, 0.407864033492004, 0.0396879111958177, -0.190792143592217,
    -0.402402195720231, 0.893339134935923, 0.602329528859222, -0.239512245462479, -0.543696347545026,
    -0.0847790924136892, -0.0651501907834999, -0.693806492888362, 0.975925655298244, -0.533607515293922,
]  # fmt: skip


@pytest.fixture
def herds() -> pd.DataFrame:
    return pd.DataFrame({"herd": HERD, "incidence": INCIDENCE, "size": SIZE, "period": PERIOD})


def fitted(rows: pd.DataFrame, **options) -> Fit:
    fit = random_intercept(
        build(rows, [Category("period", "1")]), rows["incidence"], trials=rows["size"], group=rows["herd"], **options
    )
    assert isinstance(fit, Fit)
    return fit


def test_fit_agrees_with_lme4(herds):
    fit = fitted(herds, profile=[])
    assert fit.coefficients == pytest.approx(COEFFICIENTS, rel=2e-7)
    assert fit.details["standard_error"] == pytest.approx(ERRORS, rel=1e-5)
    assert fit.details["between_sd"].value == pytest.approx(SD, rel=1e-6)
    assert [fit.details["modes"][h][0] for h in range(1, 16)] == pytest.approx(MODES, rel=2e-6)
    assert (fit.n, fit.events, fit.details["groups"]) == (842, 99, 15)


def test_profile_limits_agree_with_lme4(herds):
    # R: confint(f, method = "profile") of the same fit, which interpolates its profiles
    expected = {
        "period 2 against 1": (-1.616083751656, -0.406610731832),
        "period 3 against 1": (-1.800408009182, -0.510449996588),
        "period 4 against 1": (-2.500192104976, -0.799591941041),
    }
    fit = fitted(herds)
    for term in fit.terms:
        assert isinstance(term, Estimate)
        assert np.log([term.low, term.high]) == pytest.approx(expected[term.term], abs=2e-5)
    spread = fit.details["between_sd"]
    assert [spread.low, spread.high] == pytest.approx([0.348801740722, 1.111297502961], rel=2e-5)
    # R: glm(cbind(incidence, size − incidence) ~ period, binomial) has log-likelihood −99.0291994894; the likelihood
    # ratio to it is referred to half χ² on one degree of freedom
    change = 2 * (fit.log_likelihood + 99.0291994894)
    assert fit.details["p_value"] == pytest.approx(0.5 * stats.chi2.sf(change, 1), rel=1e-6)


def test_spread_of_a_mode_is_the_curvature_at_it(herds):
    fit = fitted(herds, profile=[])
    mode, spread = fit.details["modes"][8]  # herd 8 has one row: 12 of 34 in period 1
    p = expit(fit.coefficients[0] + mode)
    assert spread == pytest.approx((34 * p * (1 - p) + fit.details["between_sd"].value ** -2) ** -0.5, rel=1e-6)


def test_more_nodes_change_nothing(herds):
    fit, finer = fitted(herds, profile=[], nodes=15), fitted(herds, profile=[], nodes=60)
    assert fit.coefficients == pytest.approx(finer.coefficients, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(finer.log_likelihood, rel=1e-7)


def test_marginal_likelihood_is_the_integral(herds):
    fit = fitted(herds, profile=[])
    sd = fit.details["between_sd"].value
    total = 0.0
    for _, rows in herds.groupby("herd"):
        shift = fit.coefficients[0] + np.array([0.0, *fit.coefficients[1:]])[rows["period"].to_numpy() - 1]

        def joint(u: float, rows=rows, shift=shift) -> float:
            p = expit(shift + sd * u)
            k, n = rows["incidence"].to_numpy(), rows["size"].to_numpy()
            ways = np.array([math.comb(int(b), int(a)) for a, b in zip(k, n, strict=True)])
            return float(np.prod(ways * p**k * (1 - p) ** (n - k))) * math.exp(-u * u / 2) / math.sqrt(2 * math.pi)

        total += math.log(quad(joint, -9, 9, epsabs=0, epsrel=1e-11, limit=400)[0])
    assert fit.log_likelihood == pytest.approx(total, rel=1e-9)


def test_groups_alike_have_a_spread_of_zero_with_an_upper_limit():
    rows = pd.DataFrame({"group": list("abcdef"), "x": [0, 1, 0, 1, 0, 1]})
    fit = random_intercept(build(rows, [Numeric("x")]), [10, 20] * 3, trials=[100] * 6, group=rows["group"])
    assert isinstance(fit, Fit)
    spread = fit.details["between_sd"]
    assert isinstance(spread, Estimate)
    assert spread.value == pytest.approx(0, abs=1e-4)
    assert spread.low == 0
    assert set(fit.details["modes"].values()) == {(0.0, 0.0)}
    assert 0.1 < spread.high < 2
    assert fit.details["p_value"] == 1
    # with no spread the odds ratio is that of the pooled table: 60·270 / (30·240)
    assert fit.terms[0].value == pytest.approx(60 * 270 / (30 * 240), rel=1e-4)


def test_order_units_and_labels_do_not_matter(herds):
    shuffled = herds.sample(frac=1, random_state=2)
    other = random_intercept(
        build(shuffled, [Category("period", "1")]),
        shuffled["incidence"],
        trials=shuffled["size"],
        group="herd " + shuffled["herd"].astype(str),
        profile=["period"],
    )
    assert isinstance(other, Fit)
    mine = fitted(herds, profile=["period"])
    assert other.coefficients == pytest.approx(mine.coefficients, rel=1e-7)
    for a, b in zip(mine.terms, other.terms, strict=True):
        assert [b.value, b.low, b.high] == pytest.approx([a.value, a.low, a.high], rel=1e-5)
    assert other.details["modes"]["herd 14"][0] == pytest.approx(mine.details["modes"][14][0], rel=1e-6)


@pytest.mark.parametrize(
    ("group", "events", "reason"),
    [
        (list("aaabbb"), [1, 0, 0, 1, 1, 0], "a spread needs 3 groups, and there are 2"),
        (list("aabbcc"), [1, 0, 0, 1, 1, 0], "fewer than 5 events or non-events"),
        (list("aabbcc"), [0] * 6, "no events"),
        (list("aabbcc"), [0, 1, 0, 1, 0, 1], "separation: no finite maximum-likelihood estimate for x"),
    ],
)
def test_data_that_cannot_answer_say_why(group, events, reason):
    answer = random_intercept(build(pd.DataFrame({"x": [0, 1, 0, 1, 0, 1]}), [Numeric("x")]), events, group=group)
    assert isinstance(answer, NotEstimable)
    assert answer.reason == reason


def test_one_node_is_refused(herds):
    with pytest.raises(ValueError, match="at least 5"):
        fitted(herds, nodes=1)


def test_reference_item(reference, herds):
    item = reference.item("logit.glmm.cbpp")
    assert item["data"] == {"herd": HERD, "incidence": INCIDENCE, "size": SIZE, "period": PERIOD}
    expected = item["expected"]["agq25"]
    fit = fitted(herds, profile=[])
    assert fit.coefficients == pytest.approx(list(expected["coef"].values()), rel=1e-6)
    assert fit.details["between_sd"].value == pytest.approx(expected["sd_herd"], rel=1e-6)
