"""Firth's penalised likelihood against R, closed forms, and data sets that break maximum likelihood."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates.design import Category, Numeric, Spline, build
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable
from outcomes.estimates.firth import flac, ladder, penalised
from outcomes.estimates.logistic import maximum_likelihood

# R 4.2.2 on the thirty zones of conftest.py, X <- cbind(1, density, dark):
#   fit:   b <- b + solve(I, t(X) %*% (y - m + h * (0.5 - m))) until it stands still,
#          with m <- plogis(X %*% b), w <- m * (1 - m), I <- t(X) %*% (w * X), h <- w * rowSums((X %*% solve(I)) * X)
#   limits: uniroot of 2 * (pl(b) - pl(fit with b[j] held at v)) - qchisq(0.95, 1), pl = loglik + log(det(I)) / 2
#   FLIC:  glm(y ~ 1, binomial, offset = X[, -1] %*% b[-1])
#   FLAC:  glm(c(y, rep(0.5, n)) ~ rbind(cbind(X, 0), cbind(X, 1)) - 1, binomial, weights = c(rep(1, n), h))
COEFFICIENTS = [-2.92467212878, 0.22733805288, -0.675906587762]
VALUE = -12.4583340518
LIMITS = {"density": (0.0475188569598, 0.486201787751), "dark": (-3.1148893213, 1.22521319027)}
P_VALUES = {"density": 0.0107149923669, "dark": 0.51010293906}
FLIC = -2.96382348709
FLAC = [-2.9508081356, 0.226607855315, -0.686817566915]


def zones_fit(rows: pd.DataFrame, **options) -> Fit:
    fit = penalised(build(rows, [Numeric("density"), Numeric("dark")]), rows["event"], **options)
    assert isinstance(fit, Fit)
    return fit


def test_fit_limits_and_p_agree_with_r(thirty_zones):
    fit = zones_fit(thirty_zones)
    assert fit.coefficients == pytest.approx(COEFFICIENTS, rel=1e-9)
    assert fit.log_likelihood == pytest.approx(VALUE, rel=1e-11)
    for term in fit.terms:
        assert isinstance(term, Estimate)
        assert np.log([term.low, term.high]) == pytest.approx(LIMITS[term.term], rel=1e-7)
        assert term.p_value == pytest.approx(P_VALUES[term.term], rel=1e-7)


def test_corrected_intercepts_agree_with_r(thirty_zones):
    assert zones_fit(thirty_zones).details["flic_intercept"] == pytest.approx(FLIC, rel=1e-9)
    found = flac(build(thirty_zones, [Numeric("density"), Numeric("dark")]), thirty_zones["event"])
    assert found == pytest.approx(FLAC, rel=1e-8)


def test_corrected_intercepts_keep_the_mean_risk(thirty_zones):
    design = build(thirty_zones, [Numeric("density"), Numeric("dark")])
    fit = zones_fit(thirty_zones)
    corrected = fit.coefficients.copy()
    corrected[0] = fit.details["flic_intercept"]
    added = flac(design, thirty_zones["event"])
    assert not isinstance(added, NotEstimable)
    for coefficients in (corrected, added):
        mean = (1 / (1 + np.exp(-design.matrix @ coefficients))).mean()
        assert mean == pytest.approx(thirty_zones["event"].mean(), rel=1e-10)
    raw = (1 / (1 + np.exp(-design.matrix @ fit.coefficients))).mean()
    assert raw > thirty_zones["event"].mean()


def test_complete_separation_has_a_closed_form():
    # Invented: low density 0 of 12, high 4 of 10. Adding ½ to each cell is Firth's estimate of a 2 × 2 table, so the
    # log odds ratio is ln(4.5 · 12.5 / (0.5 · 6.5)). R 4.2.2, profile by uniroot: 0.39750 to 7.79654; penalised
    # likelihood ratio χ² 5.44134, p 0.019666.
    rows = pd.DataFrame({"density": ["low"] * 12 + ["high"] * 10})
    fit = penalised(build(rows, [Category("density", "low")]), [0] * 12 + [1] * 4 + [0] * 6)
    assert isinstance(fit, Fit)
    assert fit.coefficients[1] == pytest.approx(math.log(4.5 * 12.5 / (0.5 * 6.5)), rel=1e-9)
    assert fit.coefficients[0] == pytest.approx(math.log(0.5 / 12.5), rel=1e-9)
    term = fit.terms[0]
    assert np.log([term.low, term.high]) == pytest.approx([0.39750, 7.79654], abs=5e-6)
    assert term.p_value == pytest.approx(0.019666, rel=1e-4)


def test_two_by_two_tables_have_a_closed_form():
    for a, b, c, d in ((3, 17, 0, 20), (5, 95, 12, 88), (1, 1, 0, 50)):
        rows = pd.DataFrame({"exposed": [1, 0]})
        fit = penalised(build(rows, [Numeric("exposed")]), [a, c], trials=[a + b, c + d])
        assert isinstance(fit, Fit)
        expected = (a + 0.5) * (d + 0.5) / ((b + 0.5) * (c + 0.5))
        assert fit.terms[0].value == pytest.approx(expected, rel=1e-8)


def test_grouped_weighted_and_single_records_agree(thirty_zones):
    terms = [Numeric("density"), Numeric("dark")]
    grouped = thirty_zones.groupby(["density", "dark"], as_index=False).agg(k=("event", "sum"), n=("event", "size"))
    by_count = penalised(build(grouped, terms), grouped["k"], trials=grouped["n"])
    twice = penalised(build(thirty_zones, terms), thirty_zones["event"], weight=[2] * 30)
    doubled = pd.concat([thirty_zones, thirty_zones], ignore_index=True)
    assert isinstance(by_count, Fit)
    assert isinstance(twice, Fit)
    single = zones_fit(thirty_zones)
    for mine, theirs in zip(single.terms, by_count.terms, strict=True):
        assert [theirs.low, theirs.high] == pytest.approx([mine.low, mine.high], rel=1e-8)
    assert twice.coefficients == pytest.approx(zones_fit(doubled).coefficients, rel=1e-9)
    assert twice.n == 60


def test_units_origin_order_and_labels_do_not_matter(thirty_zones):
    shuffled = thirty_zones.sample(frac=1, random_state=9)
    shuffled = shuffled.assign(density=1e5 + 1e-3 * shuffled["density"], patient=shuffled["patient"] + "  é0")
    other = penalised(
        build(shuffled, [Numeric("dark"), Numeric("density", per=1e-3)]), shuffled["event"], cluster=shuffled["patient"]
    )
    assert isinstance(other, Fit)
    mine = zones_fit(thirty_zones, cluster=thirty_zones["patient"])
    for name in ("density", "dark"):
        a = mine.term(name)
        b = other.term(name if name == "dark" else "density, per 0.001")
        assert [b.value, b.low, b.high, b.p_value] == pytest.approx([a.value, a.low, a.high, a.p_value], rel=1e-5)


def test_terms_can_be_chosen(thirty_zones):
    fit = zones_fit(thirty_zones, profile=["dark"])
    assert [term.term for term in fit.terms] == ["dark"]
    assert fit.term("dark").low == pytest.approx(zones_fit(thirty_zones).term("dark").low, rel=1e-12)
    with pytest.raises(KeyError):
        zones_fit(thirty_zones, profile=["energy"])


def test_spline_columns_get_no_odds_ratio_of_their_own(thirty_zones):
    fit = penalised(build(thirty_zones, [Spline("density", (5, 10, 20)), Numeric("dark")]), thirty_zones["event"])
    assert isinstance(fit, Fit)
    assert [term.term for term in fit.terms] == ["dark"]
    assert len(fit.coefficients) == 4


def test_empty_levels_and_constant_columns_are_said(thirty_zones):
    skin = pd.Series(
        np.where(thirty_zones["dark"] == 1, "III", "II"), dtype=pd.CategoricalDtype(["I", "II", "III", "IV"])
    )
    rows = thirty_zones.assign(skin=skin, test_patch=False)
    fit = penalised(build(rows, [Category("skin", "II", "skin type"), Numeric("test_patch")]), rows["event"])
    assert isinstance(fit, Fit)
    reasons = {term.term: term.reason for term in fit.terms if isinstance(term, NotEstimable)}
    assert reasons == {
        "skin type I against II": "no cases",
        "skin type IV against II": "no cases",
        "test_patch": "the same in every record",
    }


@pytest.mark.parametrize(
    ("events", "cluster", "reason"),
    [
        ([0] * 30, None, "no events"),
        ([1] * 30, None, "every record has the event"),
        ([0, 1] * 15, ["p"] * 30, "one patient only"),
    ],
)
def test_data_that_cannot_answer_say_why(thirty_zones, events, cluster, reason):
    answer = penalised(build(thirty_zones, [Numeric("density")]), events, cluster=cluster)
    assert isinstance(answer, NotEstimable)
    assert (answer.reason, answer.n) == (reason, 30)


def test_an_event_column_that_is_text_is_refused(thirty_zones):
    with pytest.raises(ValueError, match="must be numbers"):
        penalised(build(thirty_zones, [Numeric("density")]), ["yes", "no"] * 15)


def test_ladder():
    assert ladder(6, 18, 18).rung == "penalised"
    assert ladder(6, 17, 40).rung == "rates only"
    assert ladder(6, 17, 40).reason == "6 parameters need 18 patients with events, and there are 17"
    assert ladder(1, 3, 4).rung == "rates only"
    assert ladder(1, 3, 4).reason == "a model needs 5 events, and there are 4"
    assert ladder(1, 3, 5).rung == "penalised"
    with pytest.raises(ValueError, match="no more than events"):
        ladder(1, 5, 4)


def test_penalty_fades_with_many_events():
    rng = np.random.default_rng(3)
    rows = pd.DataFrame({"density": rng.integers(3, 30, 20_000).astype(float), "passes": rng.integers(1, 4, 20_000)})
    risk = 1 / (1 + np.exp(3 - 0.05 * rows["density"] - 0.3 * rows["passes"]))
    events = (rng.random(20_000) < risk).astype(int)
    design = build(rows, [Numeric("density"), Numeric("passes")])
    firth, plain = penalised(design, events), maximum_likelihood(design, events, limits="profile")
    assert isinstance(firth, Fit)
    assert isinstance(plain, Fit)
    for a, b in zip(firth.terms, plain.terms, strict=True):
        assert [a.value, a.low, a.high] == pytest.approx([b.value, b.low, b.high], rel=2e-3)


def test_endometrial_cancer(reference):
    name = "logit.firth.endometrial"
    expected, tolerance = reference.item(name)["expected"], reference.tolerance(name)
    rows = reference.frame("endometrial")
    fit = penalised(build(rows, [Numeric("NV"), Numeric("PI"), Numeric("EH")]), rows["HG"])
    assert isinstance(fit, Fit)
    assert fit.coefficients == pytest.approx(list(expected["coef"].values()), **tolerance)
    assert fit.log_likelihood == pytest.approx(expected["penalised_loglik"], rel=1e-9)
    assert fit.details["standard_error"] == pytest.approx(list(expected["se"].values()), **tolerance)
    for term in fit.terms:
        limits = [expected["profile_lower"][term.term], expected["profile_upper"][term.term]]
        assert np.log([term.low, term.high]) == pytest.approx(limits, **tolerance)
        assert term.p_value == pytest.approx(expected["plr_p"][term.term], **tolerance)
    # Heinze and Schemper (2002), printed: NV 2.929 (0.61 to 7.85)
    assert math.log(fit.term("NV").value) == pytest.approx(2.929, abs=5e-4)
