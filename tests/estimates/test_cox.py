"""Cox's model and the test of proportional hazards against R."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from statsmodels.duration.hazard_regression import PHReg

from outcomes.estimates.cox import TRANSFORMS, proportional_hazards, proportionality
from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable

DAYS = [
    7,
    30,
    30,
    90,
    14,
    90,
    30,
    90,
    14,
    30,
    7,
    14,
    90,
    90,
    30,
    14,
    30,
    90,
    7,
    30,
    90,
    90,
    14,
    30,
    7,
    90,
    90,
    30,
    14,
    90,
]

# R 4.2.2, survival 3.5: f <- coxph(Surv(days, event) ~ density + dark, d, cluster = patient, ties = t, control =
# coxph.control(eps = 1e-13, toler.chol = 1e-14, iter.max = 100)): coef(f), sqrt(diag(f$var)), sqrt(diag(f$naive.var)),
# f$loglik, f$score. The same without cluster, cox.zph(f, transform, terms = FALSE)$table[, 1] below.
IN_R = {
    "efron": [
        0.222615517265, -1.02786278078, 0.0790984319568, 0.62479398112, 0.0849636224077, 0.845627507637,
        -35.3183521616, -31.0262723617, 8.3827919264,
    ],
    "breslow": [
        0.192040217805, -0.767174202336, 0.0673331662209, 0.486978521489, 0.0801872381769, 0.794471832389,
        -36.1491010283, -32.6329824862, 6.93140902527,
    ],
}  # fmt: skip
DRIFT = {
    ("efron", "km"): [0.0977107999086, 0.12321645067, 0.128967567745],
    ("efron", "identity"): [0.0998614193716, 0.2916694688, 0.318873731335],
    ("efron", "rank"): [0.0977107999086, 0.12321645067, 0.128967567745],
    ("breslow", "km"): [0.131594714077, 0.170580521512, 0.180556904869],
    ("breslow", "identity"): [0.136986608853, 0.349312231439, 0.359508290135],
}

TIED = pd.DataFrame(
    {
        "days": [7] * 5 + [14] * 4 + [28] * 6 + [7] * 2 + [14] * 4 + [28] * 9,
        "resolved": [1, 1, 1, 1, 0, 1, 1, 1, 0, 1, 1, 1, 0, 0, 0, 1, 0, 1, 1, 0, 0, 1, 1, 1, 0, 0, 0, 0, 0, 0],
        "dense": [1] * 15 + [0] * 15,
    }
)


def fitted(rows, **asked) -> Fit:
    fit = proportional_hazards(build(rows, [Numeric("density"), Numeric("dark")]), DAYS, rows["event"], **asked)
    assert isinstance(fit, Fit)
    return fit


@pytest.mark.parametrize("ties", IN_R)
def test_clustered_zones_as_in_r(thirty_zones, ties):
    fit = fitted(thirty_zones, ties=ties, cluster=thirty_zones["patient"])
    found = [
        *fit.coefficients,
        *np.sqrt(np.diag(fit.details["sandwich_covariance"])),
        *np.sqrt(np.diag(fit.details["information_covariance"])),
        fit.details["null_log_likelihood"],
        fit.log_likelihood,
        fit.details["score_chi_square"],
    ]
    assert found == pytest.approx(IN_R[ties], rel=1e-9)
    assert fit.details["standard_error"] ** 2 == pytest.approx(12 / 11 * np.diag(fit.details["sandwich_covariance"]))


@pytest.mark.parametrize(("ties", "transform"), DRIFT)
def test_proportionality_as_in_r(thirty_zones, ties, transform):
    found = proportionality(fitted(thirty_zones, ties=ties), transform=transform)
    assert [f.term for f in found] == ["density", "dark", "all columns"]
    assert [f.chi_square for f in found] == pytest.approx(DRIFT[ties, transform], rel=1e-9)
    assert [f.degrees_of_freedom for f in found] == [1, 1, 2]


@pytest.mark.parametrize("ties", IN_R)
def test_agrees_with_another_program(thirty_zones, ties):
    other = PHReg(
        np.asarray(DAYS), thirty_zones[["density", "dark"]].to_numpy(), status=thirty_zones["event"], ties=ties
    )
    found = other.fit()
    assert fitted(thirty_zones, ties=ties).coefficients == pytest.approx(found.params, rel=1e-5)


def test_tied_follow_up_names_its_ties():
    # visits on days 7, 14, 28 only; R 4.2.2 coxph: Efron 0.83362 (SE 0.51836), Breslow 0.74855 (0.51808)
    for ties, value, error in (("efron", 0.83362, 0.51836), ("breslow", 0.74855, 0.51808)):
        fit = proportional_hazards(build(TIED, [Numeric("dense")]), TIED["days"], TIED["resolved"], ties=ties)
        assert round(fit.coefficients[0], 5) == value
        assert round(float(fit.details["standard_error"][0]), 5) == error
        assert ties.capitalize() in fit.method


def test_a_group_without_events_has_no_finite_ratio():
    rows = pd.DataFrame({"region": ["face"] * 6 + ["neck"] * 5, "days": [5, 6, 7, 8, 9, 30, 30, 30, 20, 30, 30]})
    event = [1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0]
    answer = proportional_hazards(build(rows, [Category("region", "face")]), rows["days"], event)
    assert isinstance(answer, NotEstimable)
    assert answer.reason == "no finite estimate for region neck against face"


def test_empty_levels_are_no_cases(thirty_zones):
    skin = pd.Series(["I", "II", "III"] * 10, dtype=pd.CategoricalDtype(["I", "II", "III", "IV"]))
    fit = proportional_hazards(
        build(pd.DataFrame({"skin": skin}), [Category("skin", "I")]), DAYS, thirty_zones["event"]
    )
    assert fit.terms[-1].reason == "no cases"
    assert "IV" in fit.terms[-1].term


def test_order_units_and_names_do_not_matter(thirty_zones):
    rows = thirty_zones.assign(days=DAYS)
    other = rows.sample(frac=1, random_state=4).assign(density=lambda f: f["density"] * 1e5 + 7)
    one = fitted(rows, cluster=rows["patient"])
    design = build(other, [Numeric("density"), Numeric("dark")])
    two = proportional_hazards(design, other["days"] * 24, other["event"], cluster="x" + other["patient"])
    assert two.coefficients * [1e5, 1] == pytest.approx(one.coefficients, rel=1e-9)
    assert two.details["standard_error"] * [1e5, 1] == pytest.approx(one.details["standard_error"], rel=1e-9)


def test_copies_of_a_patients_zones_make_nothing_surer(thirty_zones):
    twice = pd.concat([thirty_zones, thirty_zones], ignore_index=True)
    design = build(twice, [Numeric("density"), Numeric("dark")])
    fit = proportional_hazards(design, DAYS * 2, twice["event"], ties="breslow", cluster=twice["patient"])
    once = fitted(thirty_zones, ties="breslow", cluster=thirty_zones["patient"])
    assert fit.details["standard_error"] == pytest.approx(once.details["standard_error"], rel=1e-9)


def test_faults(thirty_zones):
    design = build(thirty_zones, [Numeric("dark")])
    with pytest.raises(ValueError, match=r"negative duration\) at position 0"):
        proportional_hazards(design, [-1, *DAYS[1:]], thirty_zones["event"])
    with pytest.raises(ValueError, match="ties must be"):
        proportional_hazards(design, DAYS, thirty_zones["event"], ties="exact")
    with pytest.raises(ValueError, match="transform must be"):
        proportionality(fitted(thirty_zones), transform="log")


records = st.lists(
    st.tuples(
        st.integers(0, 6), st.booleans(), st.integers(0, 3), st.sampled_from([5.0, 10.0, 1e4]), st.integers(0, 6)
    ),
    max_size=25,
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rows=records, ties=st.sampled_from(["efron", "breslow"]), clustered=st.booleans())
def test_every_set_of_records_gets_ratios_with_width_or_a_reason(rows, ties, clustered):
    frame = pd.DataFrame(rows, columns=["days", "event", "skin", "energy", "patient"])
    frame["skin"] = pd.Categorical(frame["skin"].map(str), ["0", "1", "2", "3"])
    design = build(frame, [Category("skin", "1"), Numeric("energy")]) if len(frame) else build(
        frame.astype({"energy": float}), [Category("skin", "1")])  # fmt: skip
    fit = proportional_hazards(design, frame["days"], frame["event"].astype(int), ties=ties,
                               cluster=frame["patient"] if clustered else None)  # fmt: skip
    if isinstance(fit, NotEstimable):
        assert fit.reason
        return
    for answer in fit.terms:
        if isinstance(answer, Estimate):
            assert 0 < answer.low < answer.value < answer.high
            assert math.isfinite(answer.high)
            assert 0 < answer.p_value <= 1
        else:
            assert answer.reason
    for transform in TRANSFORMS:
        assert all(0 < f.p_value <= 1 and f.chi_square >= 0 for f in proportionality(fit, transform=transform))
