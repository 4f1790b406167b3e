"""Spread between units and shrunken values against R and published examples."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import logit

from outcomes.estimates.between import between_units, log_odds, risks_from_modes, shrunken_risks
from outcomes.estimates.design import build
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable
from outcomes.estimates.mixed import random_intercept

# Spiegelhalter D, Thomas A, Best N, Gilks W (1996) BUGS Examples I, "Surgical": twelve hospitals.
DEATHS = [0, 18, 8, 46, 8, 13, 9, 31, 14, 8, 29, 24]
OPERATIONS = [47, 148, 119, 810, 211, 196, 148, 215, 207, 97, 256, 360]
HOSPITALS = list("ABCDEFGHIJKL")


# Paule–Mandel and Q-profile by their formulas in R 4.2: with Q(t) = sum(w (y − m)²), w = 1/(v + t), the spread solves
# Q = k − 1 and its limits Q = qchisq(0.975, k − 1) and qchisq(0.025, k − 1), each by uniroot(tol = 1e-15). metafor 3.8
# gives the same τ² with control = list(tol = 1e-14); with its default tolerance only five digits are right, which
# is how far the outside items agree below.
TIGHT = {
    "inst.meta.surgical_logit": (
        -2.488139927528865, 0.134535842119489, 0.128225267051059, 0.028493792607109, 0.694329495301222,
    ),
    "inst.meta.bcg": (-0.71496815349344, 0.18089219153762, 0.31806845220502, 0.11971836114126, 1.11147908406093),
}  # fmt: skip
# Colditz GA et al. (1994) JAMA 271:698-702: tuberculosis in thirteen trials of vaccination, cases and others.
VACCINATED = ([4, 6, 3, 62, 33, 180, 8, 505, 29, 17, 186, 5, 27],
              [119, 300, 228, 13536, 5036, 1361, 2537, 87886, 7470, 1699, 50448, 2493, 16886])  # fmt: skip
CONTROLS = ([11, 29, 11, 248, 47, 372, 10, 499, 45, 65, 141, 3, 29],
            [128, 274, 209, 12619, 5761, 1079, 619, 87892, 7232, 1600, 27197, 2338, 17825])  # fmt: skip


def log_risk_ratios() -> tuple[np.ndarray, np.ndarray]:
    (a, b), (c, d) = np.array(VACCINATED, float), np.array(CONTROLS, float)
    return np.log(a / (a + b)) - np.log(c / (c + d)), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


@pytest.mark.parametrize("item", TIGHT)
def test_spread_by_its_formula_in_r(item):
    y, v = log_risk_ratios() if item.endswith("bcg") else log_odds(DEATHS, OPERATIONS)
    found = between_units(y, v, [str(i) for i in range(len(y))])
    middle, error, *squares = TIGHT[item]
    assert found.common.value == pytest.approx(middle, rel=1e-9)
    assert (found.common.high - middle) / 1.959963984540054 == pytest.approx(error, rel=1e-9)
    spread = [found.spread.value, found.spread.low, found.spread.high]
    assert np.square(spread) == pytest.approx(squares, rel=1e-9)


def test_bcg_as_printed():
    # DerSimonian–Laird on these trials as printed: log risk ratio −0.7141, standard error 0.1787, τ² 0.3088, Q 152.233
    # (Viechtbauer W (2010) J Stat Softw 36(3), doi:10.18637/jss.v036.i03, and the manual of metafor; from memory)
    y, v = log_risk_ratios()
    found = between_units(y, v, [str(i) for i in range(13)], estimator="dersimonian_laird")
    assert round(found.common.value, 4) == -0.7141
    assert round((found.common.high - found.common.value) / 1.959964, 4) == 0.1787
    assert round(found.spread.value**2, 4) == 0.3088
    assert round(found.chi_square, 3) == 152.233


@pytest.mark.parametrize("item", TIGHT)
def test_spread_and_shrunken_values_by_metafor(reference, item):
    # REML, ML, Hartung–Knapp and prediction intervals of the items are not computed by the package.
    expected = reference.item(item)["expected"]
    y, v = expected["yi"], expected["vi"]
    if item.endswith("logit"):
        data = reference.item(item)["data"]
        assert [list(x) for x in log_odds(data["xi"], data["ni"])] == [pytest.approx(y), pytest.approx(v)]
    labels = [str(i) for i in range(len(y))]
    exact = between_units(y, v, labels, estimator="dersimonian_laird")
    assert exact.common.value == pytest.approx(expected["DL"]["estimate"], rel=1e-6)
    assert exact.common.low == pytest.approx(expected["DL"]["lower"], rel=1e-6)
    assert exact.spread.value**2 == pytest.approx(expected["DL"]["tau2"], rel=1e-6)
    assert [s.value for s in exact.shrunken] == pytest.approx(expected["blup_DL"]["pred"], rel=1e-6)
    width = [(s.high - s.low) / (2 * 1.959963984540054) for s in exact.shrunken]
    assert width == pytest.approx(expected["blup_DL"]["se"], rel=1e-6)
    rooted = between_units(y, v, labels)
    assert rooted.common.value == pytest.approx(expected["PM"]["estimate"], rel=1e-5)
    assert rooted.spread.value**2 == pytest.approx(expected["PM"]["tau2"], rel=1e-4)
    limits = expected["q_profile_tau2"]
    assert rooted.spread.low**2 == pytest.approx(limits["lower"], rel=2e-4)
    assert rooted.spread.high**2 == pytest.approx(limits["upper"], rel=2e-4)
    assert rooted.p_value == pytest.approx(expected["PM"]["Q_p"], rel=1e-6)


def test_hospitals_by_random_intercept():
    # R 4.2, lme4: glmer(cbind(deaths, n - deaths) ~ 1 + (1 | h), binomial, nAGQ = 25), plogis(fixef + ranef), rounded
    frame = pd.DataFrame({"hospital": HOSPITALS})
    fit = random_intercept(build(frame, []), np.array(DEATHS), trials=np.array(OPERATIONS), group=HOSPITALS)
    assert isinstance(fit, Fit)
    counts = {h: (n, d) for h, n, d in zip(HOSPITALS, OPERATIONS, DEATHS, strict=True)}
    risks = risks_from_modes(float(fit.coefficients[0]), fit.details["modes"], counts)
    printed = [0.0538, 0.1021, 0.0700, 0.0590, 0.0516, 0.0688, 0.0662, 0.1231, 0.0695, 0.0773, 0.1020, 0.0682]
    assert [r.term for r in risks] == HOSPITALS
    assert [r.value for r in risks] == pytest.approx(printed, abs=1e-4)
    assert all(0 < r.low < r.value < r.high < 1 for r in risks)


def test_shrunken_risks_lie_between_own_and_common():
    risks = shrunken_risks(DEATHS, OPERATIONS, HOSPITALS)
    common = between_units(*log_odds(DEATHS, OPERATIONS), HOSPITALS).common.value
    for risk, d, n in zip(risks, DEATHS, OPERATIONS, strict=True):
        own = logit((d or 0.5) / (n if d else n + 1))
        assert min(own, common) <= logit(risk.value) <= max(own, common)
        assert (risk.n, risk.events) == (n, d)


def test_reliability_grows_with_size():
    found = between_units(*log_odds([10, 100], [100, 1000]), ["a", "b"])
    assert found.reason == "2 units, 3 needed"
    found = between_units(*log_odds([20, 100, 5], [100, 1000, 100]), ["a", "b", "c"])
    assert found.reliability[1] > found.reliability[0]
    wider = between_units(*log_odds([20, 100, 5], [100, 1000, 100], design_effect=2.0), ["a", "b", "c"])
    assert np.all(wider.reliability < found.reliability)


def test_units_that_differ_less_than_chance():
    found = between_units([0.1, 0.1, 0.1, 0.1], [1.0, 1.0, 1.0, 1.0], list("abcd"))
    assert isinstance(found.spread, NotEstimable)
    assert {round(s.value, 12) for s in found.shrunken} == {0.1}
    assert found.reliability.tolist() == [0, 0, 0, 0]
    chance = between_units([0.0, 1.0, -1.0, 0.2], [1.0, 1.0, 1.0, 1.0], list("abcd"))
    assert (chance.spread.value, chance.spread.low) == (0, 0)
    assert chance.spread.high > 0


def test_faults():
    with pytest.raises(ValueError, match="records"):
        log_odds([1], [0])
    with pytest.raises(ValueError, match="variance"):
        between_units([1, 2, 3], [1, 0, 1], list("abc"))
    with pytest.raises(ValueError, match="length"):
        between_units([1, 2, 3], [1, 1, 1], list("ab"))


units = st.tuples(st.integers(0, 40), st.integers(0, 200)).filter(lambda pair: sum(pair) > 0)


@given(st.lists(units, min_size=1, max_size=12), st.floats(1, 4))
def test_every_set_of_units_gets_numbers_with_width_or_a_reason(rows, effect):
    events, sizes = [k for k, _ in rows], [k + other for k, other in rows]
    labels = [str(i) for i in range(len(rows))]
    risks = shrunken_risks(events, sizes, labels, design_effect=effect)
    if isinstance(risks, NotEstimable):
        assert len(rows) < 3
        return
    for risk in risks:
        assert isinstance(risk, Estimate)
        assert 0 < risk.low < risk.value < risk.high < 1
