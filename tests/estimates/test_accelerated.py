"""Accelerated failure time models against R, by differentiation, and against simulated truth."""

from __future__ import annotations

import math
import time as clock

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimates.accelerated import accelerated_failure_time, adjusted_median
from outcomes.estimates.aft_likelihood import FAMILIES, IntervalLikelihood
from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable

NEVER = math.nan
# Fourteen invented intervals with every kind of bound (0 below, open above, equal). Values from R 4.2, survival 3.5:
#   survreg(Surv(l, r, type = "interval2") ~ dense, dist = …, control = survreg.control(rel.tolerance = 1e-13))
# with l missing for 0 and r missing for open: coefficients, scale, log-likelihood; standard errors, log(scale) last.
AFTER = [0, 3, 5, 7, 0, 10, 12, 6, 6, 9, 3, 5, 0, 14]
BY = [3, 5, 9, 7, 6, NEVER, NEVER, 10, 6, 14, 7, 12, 4, NEVER]
DENSE = pd.DataFrame({"dense": [0.0, 0, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 0, 1]})
BOUNDS = {
    "weibull": (
        (1.664981001884, 0.900687817271, 0.369387953544, -16.672013936564),
        (0.154604061044, 0.249862736343, 0.314917003875),
    ),
    "loglogistic": (
        (1.508266464550, 0.887244848624, 0.281828112826, -17.518350574793),
        (0.197189780307, 0.287868899323, 0.308265092820),
    ),
    "lognormal": (
        (1.478317416557, 0.900115195803, 0.465663975483, -17.395835179397),
        (0.192522419977, 0.282229340762, 0.286254847163),
    ),
}

# Twenty-four exact or right-censored times of eight patients. R 4.2, survival 3.5:
#   m <- survreg(Surv(time, ev) ~ x, dist = …, cluster = id, robust = TRUE); sqrt(diag(m$var)) * sqrt(8/7)
# (R's robust variance has no G/(G−1)). Only exact times: R's robust scores of interval data carry a sign error.
TIME = [3, 5, 7, 7, 9, 4, 6, 12, 15, 8, 2, 10, 11, 6, 5, 13, 9, 7, 3, 14, 6, 8, 10, 12]
EVENT = [1, 1, 1, 0, 1, 1, 1, 0, 1, 1, 1, 1, 0, 1, 1, 1, 1, 0, 1, 1, 1, 1, 0, 1]
PATIENT = np.repeat(np.arange(8), 3)
X = pd.DataFrame({"x": [0.0, 1.0] * 12})
ROBUST = {
    "weibull": (0.156859967832, 0.171833959411, 0.122710487553),
    "loglogistic": (0.2020310597526, 0.2266993925169, 0.0695758567667),
    "lognormal": (0.1908960118082, 0.2136758583275, 0.0655467461595),
}
# predict(m, newdata = data.frame(x = c(0, 1)), type = "quantile", p = 0.5, se.fit = TRUE) of the model-based fit
MEDIANS = {
    "weibull": ((7.58883371686, 9.17937523705), (1.14316587675, 1.38559238450)),
    "loglogistic": ((6.67406447075, 9.42203623628), (1.17538505594, 1.57372455279)),
    "lognormal": ((6.49906247778, 9.35429615645), (1.07968781325, 1.61912912656)),
}


def errors(fit: Fit) -> np.ndarray:
    return np.sqrt(np.diag(fit.details["covariance_with_log_scale"]))


@pytest.mark.parametrize("family", FAMILIES)
def test_bounds_of_every_kind_as_in_r(family):
    fit = accelerated_failure_time(build(DENSE, [Numeric("dense")]), AFTER, BY, family=family)
    values, standard_errors = BOUNDS[family]
    found = (*fit.coefficients, fit.details["scale"], fit.log_likelihood)
    assert found == pytest.approx(values, rel=1e-9)
    assert errors(fit) == pytest.approx(standard_errors, rel=1e-8)
    assert fit.details["aic"] == pytest.approx(6 - 2 * values[3], rel=1e-9)


@pytest.mark.parametrize("family", FAMILIES)
def test_sandwich_by_patient_as_in_r(family):
    by = [t if e else NEVER for t, e in zip(TIME, EVENT, strict=True)]
    fit = accelerated_failure_time(build(X, [Numeric("x")]), TIME, by, family=family, cluster=PATIENT)
    assert errors(fit) == pytest.approx(ROBUST[family], rel=1e-7)
    assert fit.degrees_of_freedom.tolist() == [7, 7]
    assert fit.patients == 8


@pytest.mark.parametrize("family", FAMILIES)
def test_medians_as_in_r(family):
    by = [t if e else NEVER for t, e in zip(TIME, EVENT, strict=True)]
    fit = accelerated_failure_time(build(X, [Numeric("x")]), TIME, by, family=family)
    medians = adjusted_median(fit, [np.array([[1.0, 0.0]]), np.array([[1.0, 1.0]])], ["x = 0", "x = 1"])
    values, standard_errors = MEDIANS[family]
    assert [m.value for m in medians] == pytest.approx(values, rel=1e-9)
    # limits on the log scale: log(high/low) = 2 · 1.959964 · se/value
    widths = [math.log(m.high / m.low) / (2 * 1.959963984540054) * m.value for m in medians]
    assert widths == pytest.approx(standard_errors, rel=1e-7)


@pytest.mark.parametrize("family", FAMILIES)
def test_breast_cosmesis(reference, family):
    # Finkelstein DM, Wolfe RA (1985) Biometrics 41:933-945
    frame = reference.frame("bcos")
    frame["radchem"] = (frame["treatment"] == "RadChem").astype(float)
    expected = reference.item("surv.interval.bcos.aft")["expected"][family]
    fit = accelerated_failure_time(build(frame, [Numeric("radchem")]), frame["left"], frame["right"], family=family)
    assert fit.coefficients == pytest.approx(list(expected["coef"].values()), rel=1e-9)
    assert errors(fit) == pytest.approx([*expected["se"].values(), expected["se_log_scale"]], rel=1e-8)
    assert fit.log_likelihood == pytest.approx(expected["loglik"], rel=1e-11)


@pytest.mark.parametrize("family", FAMILIES)
def test_ovarian_cancer(reference, family):
    # Edmunson JH et al. (1979) Cancer Treat Rep 63:241-247. The exponential and Cox models of the item are not
    # computed by the package.
    item = reference.item("surv.aft.ovarian")
    frame, expected = pd.DataFrame(item["data"]), item["expected"][family]
    design = build(frame, [Numeric("ecog.ps"), Numeric("rx"), Numeric("age")])
    by = frame["futime"].where(frame["fustat"] == 1)
    fit = accelerated_failure_time(design, frame["futime"], by, family=family)
    assert fit.coefficients == pytest.approx(list(expected["coef"].values()), rel=1e-8)
    assert errors(fit) == pytest.approx([*expected["se"].values(), expected["se_log_scale"]], rel=1e-7)
    assert fit.log_likelihood == pytest.approx(expected["loglik"], rel=1e-11)


@pytest.mark.parametrize("family", FAMILIES)
def test_derivatives_are_those_of_the_likelihood(family):
    matrix = np.column_stack([np.ones(14), DENSE["dense"]])
    upper = np.where(np.isnan(BY), np.inf, BY)
    likelihood = IntervalLikelihood(matrix, np.array(AFTER, float), upper, np.linspace(0.5, 2, 14), FAMILIES[family])
    at = np.array([1.4, 0.7, -0.6])
    _, gradient, hessian = likelihood.derivatives(at)
    for j in range(3):
        step = np.zeros(3)
        step[j] = 1e-6
        slope = (likelihood.value(at + step) - likelihood.value(at - step)) / 2e-6
        assert gradient[j] == pytest.approx(slope, rel=1e-6, abs=1e-6)
        bend = (likelihood.derivatives(at + step)[1] - likelihood.derivatives(at - step)[1]) / 2e-6
        assert hessian[j] == pytest.approx(bend, rel=1e-6, abs=1e-6)
    assert likelihood.scores(at).sum(axis=0) == pytest.approx(gradient)


@pytest.mark.parametrize("family", FAMILIES)
def test_far_tails_stay_finite(family):
    likelihood = IntervalLikelihood(
        np.ones((4, 1)), np.array([0.0, 1e-9, 1e9, 5.0]), np.array([1e-12, 1e-8, np.inf, 5.0]), np.ones(4),
        FAMILIES[family],
    )  # fmt: skip
    value, gradient, hessian = likelihood.derivatives(np.array([2.0, 0.0]))
    assert math.isfinite(value)
    assert np.all(np.isfinite(gradient))
    assert np.all(np.isfinite(hessian))


def clinic(patients: int, seed: int, effect: float = 0.2) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Log-logistic healing, longer by a factor exp(effect) for dense, visits on whole days."""
    generator = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(patients), generator.integers(1, 4, patients))
    n = len(cluster)
    frame = pd.DataFrame(
        {
            "patient": cluster,
            "dense": generator.integers(0, 2, n).astype(float),
            "age": generator.normal(45, 12, n),
            "region": generator.choice(["face", "eyelid", "off_face"], n),
        }
    )
    u = generator.random(n)
    log_time = 1.9 + effect * frame["dense"] + 0.3 * (frame["region"] == "off_face") + 0.25 * np.log(u / (1 - u))
    visits = np.cumsum(generator.integers(2, 9, (patients, 8)), axis=1).astype(float)
    after, by = np.zeros(n), np.full(n, np.inf)
    for i, g in enumerate(cluster):
        days = visits[g]
        after[i] = days[days < math.exp(log_time[i])].max(initial=0.0)
        by[i] = days[days >= math.exp(log_time[i])].min(initial=np.inf)
    return frame, after, by


TERMS = (Numeric("dense", label="dense"), Numeric("age", per=10, label="ten years"), Category("region", "face"))


def test_simulated_time_ratio_is_covered():
    covered = []
    for seed in range(60):
        frame, after, by = clinic(150, seed)
        fit = accelerated_failure_time(build(frame, TERMS), after, by, cluster=frame["patient"])
        ratio = fit.term("dense")
        covered.append(ratio.low <= math.exp(0.2) <= ratio.high)
    assert 0.87 <= np.mean(covered) <= 1


def test_sandwich_of_interval_data_agrees_with_a_patient_bootstrap():
    # records repeated three times within a patient: the model-based error is too small by √3, the sandwich is not
    frame, after, by = clinic(120, 4)
    rows = np.repeat(np.arange(len(frame)), 3)
    frame, after, by = frame.iloc[rows].reset_index(drop=True), after[rows], by[rows]
    design = build(frame, [Numeric("dense")])
    fit = accelerated_failure_time(design, after, by, cluster=frame["patient"])
    generator = np.random.default_rng(8)
    rows_of = [np.flatnonzero(frame["patient"] == g) for g in range(120)]
    values = []
    for _ in range(300):
        drawn = np.concatenate([rows_of[g] for g in generator.integers(0, 120, 120)])
        again = build(frame.iloc[drawn], [Numeric("dense")])
        values.append(accelerated_failure_time(again, after[drawn], by[drawn]).coefficients[1])
    assert errors(fit)[1] == pytest.approx(np.std(values), rel=0.12)
    naive = accelerated_failure_time(design, after, by)
    assert errors(naive)[1] < 0.7 * errors(fit)[1]


def test_units_of_time_and_covariates_do_not_matter():
    frame, after, by = clinic(100, 1)
    design = build(frame, TERMS)
    days = accelerated_failure_time(design, after, by, cluster=frame["patient"])
    hours = accelerated_failure_time(design, 24 * after, 24 * by, cluster=frame["patient"])
    for a, b in zip(days.terms, hours.terms, strict=True):
        assert (b.value, b.low, b.high) == pytest.approx((a.value, a.low, a.high), rel=1e-8)
    assert hours.coefficients[0] - days.coefficients[0] == pytest.approx(math.log(24))
    medians = [adjusted_median(fit, [design.matrix], ["all"])[0] for fit in (days, hours)]
    assert medians[1].high == pytest.approx(24 * medians[0].high)
    years = build(frame, [Numeric("dense", label="dense"), Numeric("age"), Category("region", "face")])
    again = accelerated_failure_time(years, after, by, cluster=frame["patient"])
    assert again.term("dense").low == pytest.approx(days.term("dense").low, rel=1e-8)


def test_order_of_rows_and_names_of_patients_do_not_matter():
    frame, after, by = clinic(60, 2)
    first = accelerated_failure_time(build(frame, TERMS), after, by, cluster=frame["patient"])
    order = np.random.default_rng(5).permutation(len(frame))
    turned = frame.iloc[order].reset_index(drop=True)
    names = "p" + ((37 * turned["patient"]) % 60).astype(str)
    second = accelerated_failure_time(build(turned, TERMS), after[order], by[order], cluster=names)
    for a, b in zip(first.terms, second.terms, strict=True):
        assert (b.value, b.low, b.high) == pytest.approx((a.value, a.low, a.high), rel=1e-8)


def test_frequency_weights_are_repeated_rows():
    frame, after, by = clinic(60, 3)
    weight = np.arange(len(frame)) % 3
    rows = np.repeat(np.arange(len(frame)), weight)
    weighted = accelerated_failure_time(build(frame, TERMS), after, by, weight=weight)
    repeated = accelerated_failure_time(build(frame.iloc[rows], TERMS), after[rows], by[rows])
    assert weighted.coefficients == pytest.approx(repeated.coefficients, rel=1e-8)
    assert errors(weighted) == pytest.approx(errors(repeated), rel=1e-8)
    assert (weighted.n, weighted.events) == (repeated.n, repeated.events)


def test_median_of_the_standardised_curve():
    frame, after, by = clinic(150, 6)
    design = build(frame, TERMS)
    fit = accelerated_failure_time(design, after, by, cluster=frame["patient"])
    matrix = design.matrix.copy()
    matrix[:, 1] = 1.0
    answer = adjusted_median(fit, [matrix], ["all dense"])[0]
    linear = matrix @ fit.coefficients
    standardised = np.mean(1 / (1 + np.exp((math.log(answer.value) - linear) / fit.details["scale"])))
    assert standardised == pytest.approx(0.5, abs=1e-9)
    # delta method by differentiation: shift each parameter a little and solve again
    gradient = []
    for j in range(len(fit.coefficients) + 1):
        ends = []
        for step in (1e-5, -1e-5):
            moved, scale = fit.coefficients.copy(), fit.details["scale"]
            if j < len(moved):
                moved[j] += step
            else:
                scale *= math.exp(step)
            shifted = Fit(
                **{name: getattr(fit, name) for name in ("method", "terms", "names", "covariance", "n")},
                coefficients=moved,
                details=fit.details | {"scale": scale},
            )
            ends.append(math.log(adjusted_median(shifted, [matrix], [""])[0].value))
        gradient.append((ends[0] - ends[1]) / 2e-5)
    variance = np.array(gradient) @ fit.details["covariance_with_log_scale"] @ np.array(gradient)
    from scipy.stats import t

    reach = t.ppf(0.975, fit.patients - 1) * math.sqrt(variance)
    assert math.log(answer.high / answer.value) == pytest.approx(reach, rel=1e-5)
    assert math.log(answer.value / answer.low) == pytest.approx(reach, rel=1e-5)


def test_a_level_that_never_heals_cannot_say_and_leaves_the_rest_alone():
    frame, after, by = clinic(100, 7)
    by = np.where(frame["region"] == "eyelid", np.inf, by)
    design = build(frame, TERMS)
    fit = accelerated_failure_time(design, after, by, cluster=frame["patient"])
    lids = next(t for t in fit.terms if "eyelid" in t.term)
    assert isinstance(lids, NotEstimable)
    assert "was seen to get there" in lids.reason
    others = frame["region"] != "eyelid"
    kept = frame[others].reset_index(drop=True)
    alone = accelerated_failure_time(build(kept, TERMS), after[others], by[others], cluster=kept["patient"])
    assert fit.term("dense").low == pytest.approx(alone.term("dense").low, rel=1e-8)
    column = design.names.index("region[eyelid]")
    all_lids, mixed = design.matrix.copy(), design.matrix.copy()
    all_lids[:, column] = 1.0
    answers = adjusted_median(fit, [all_lids, mixed], ["lids", "as they are"])
    assert isinstance(answers[0], NotEstimable)
    assert "left out" in answers[1].note


def test_a_level_healed_by_the_first_look_cannot_say():
    frame, after, by = clinic(100, 7)
    lids = frame["region"] == "eyelid"
    fit = accelerated_failure_time(build(frame, TERMS), np.where(lids, 0, after), np.where(lids, 3, by))
    answer = next(t for t in fit.terms if "eyelid" in t.term)
    assert "by the first look" in answer.reason


def test_an_empty_level_is_no_cases():
    frame, after, by = clinic(60, 8)
    design = build(frame, [Category("region", "face", levels=("face", "eyelid", "off_face", "scar"))])
    fit = accelerated_failure_time(design, after, by)
    assert [t.reason for t in fit.terms if isinstance(t, NotEstimable)] == ["no cases"]


def test_what_cannot_be_fitted_says_why():
    design = build(DENSE, [Numeric("dense")])
    nobody = accelerated_failure_time(design, AFTER, [NEVER] * 14)
    assert isinstance(nobody, NotEstimable)
    assert nobody.reason == "no record was seen to get there"
    two = accelerated_failure_time(design, AFTER, [*BY[:2], *[NEVER] * 12])
    assert two.reason == "2 records were seen to get there, 3 parameters"
    few = accelerated_failure_time(design, AFTER, BY, cluster=[0, 1] * 7)
    assert few.reason == "2 patients, 3 parameters"
    none = accelerated_failure_time(build(DENSE.iloc[:0], []), [], [])
    assert none.reason == "no cases"
    # everyone in the reference level is open above: the intercept runs away
    with_reference = pd.DataFrame({"zone": ["a"] * 10 + ["b"] * 10})
    after = np.r_[np.full(10, 9.0), np.arange(10.0)]
    by = np.r_[np.full(10, np.inf), np.arange(10.0) + 2]
    answer = accelerated_failure_time(build(with_reference, [Category("zone", "a")]), after, by)
    assert isinstance(answer, NotEstimable)


def test_an_exact_time_on_the_first_day_is_before_half_a_day():
    frame = pd.DataFrame({"dense": [0.0, 1.0] * 6})
    after = np.array([0.0, 1, 2, 3, 1, 2, 0, 3, 1, 2, 2, 4])
    zero = accelerated_failure_time(build(frame, [Numeric("dense")]), after, np.where(after == 0, 0, after + 2))
    half = accelerated_failure_time(build(frame, [Numeric("dense")]), after, np.where(after == 0, 0.5, after + 2))
    assert zero.coefficients == pytest.approx(half.coefficients)


def test_faults_name_positions_and_no_values():
    design = build(DENSE, [Numeric("dense")])
    with pytest.raises(ValueError, match="lower bound lies above the upper bound at position 3"):
        accelerated_failure_time(design, AFTER, [*BY[:3], 2, *BY[4:]])
    with pytest.raises(ValueError, match="negative duration"):
        accelerated_failure_time(design, [-1, *AFTER[1:]], BY)
    with pytest.raises(ValueError, match="family"):
        accelerated_failure_time(design, AFTER, BY, family="gamma")


def test_five_thousand_records_and_fifteen_parameters_take_under_a_second():
    generator = np.random.default_rng(0)
    _, after, by = clinic(2500, 9)
    frame = pd.DataFrame(generator.normal(size=(len(after), 14)), columns=[f"x{k}" for k in range(14)])
    design = build(frame, [Numeric(column) for column in frame])
    start = clock.perf_counter()
    fit = accelerated_failure_time(design, after, by, cluster=np.arange(len(after)) // 2)
    assert isinstance(fit, Fit)
    assert clock.perf_counter() - start < 1.0


records = st.tuples(st.integers(0, 9), st.one_of(st.none(), st.integers(0, 8)), st.integers(0, 1), st.integers(0, 9))


@settings(deadline=None)
@given(st.lists(records, min_size=1, max_size=40), st.sampled_from(sorted(FAMILIES)), st.booleans())
def test_every_set_of_records_gets_ratios_with_width_or_a_reason(rows, family, clustered):
    after = np.array([a for a, *_ in rows], dtype=float)
    by = np.array([math.nan if w is None else a + w for a, w, _, _ in rows])
    frame = pd.DataFrame({"x": [float(x) for _, _, x, _ in rows]})
    cluster = [g for *_, g in rows] if clustered else None
    design = build(frame, [Numeric("x")])
    fit = accelerated_failure_time(design, after, by, family=family, cluster=cluster)
    if isinstance(fit, NotEstimable):
        assert fit.reason
        return
    for answer in (*fit.terms, *adjusted_median(fit, [design.matrix], ["all"])):
        if isinstance(answer, Estimate):
            assert 0 < answer.low < answer.value < answer.high < math.inf
        else:
            assert answer.reason
