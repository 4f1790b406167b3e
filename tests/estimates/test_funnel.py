"""Funnel limits, tails, flags and overdispersion against published formulas and R."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from outcomes.estimates.funnel import (
    binomial_limits,
    conditional_flag,
    conditional_z,
    detectable_odds_ratio,
    exact_tail,
    poisson_limits,
)
from outcomes.estimates.overdispersion import overdispersion

# Spiegelhalter D, Thomas A, Best N, Gilks W (1996) BUGS Examples I, "Surgical": deaths after infant heart surgery in
# twelve hospitals.
DEATHS = [0, 18, 8, 46, 8, 13, 9, 31, 14, 8, 29, 24]
OPERATIONS = [47, 148, 119, 810, 211, 196, 148, 215, 207, 97, 256, 360]


def test_limits_by_hand():
    # 10 at a risk of ½: F(1) = 11/1024 and F(2) = 56/1024, so q = 0.025 = 25.6/1024 lies in the step of 2 and the
    # limit is (2 − (56 − 25.6)/45)/10. Formula: Spiegelhalter DJ (2005) Stat Med 24:1185-1202, appendix A.1.1.
    low, high = binomial_limits(0.5, [10], [0.025, 0.975])[0]
    assert low == pytest.approx((2 - (56 - 25.6) / 45) / 10)
    # upper: F(7) = 968/1024, F(8) = 1013/1024, q = 998.4/1024
    assert high == pytest.approx((8 - (1013 - 998.4) / 45) / 10)


def test_binomial_limits(reference):
    item = reference.item("inst.funnel.binomial.a")
    data, expected = item["data"], item["expected"]
    found = [binomial_limits(target, data["n"], [tail])[:, 0] for tail in data["p"] for target in data["target"]]
    # drawn inside 0 … 1, so compared with the limits truncated at 0
    assert np.concatenate(found) == pytest.approx(expected["limit_truncated_at_0"], rel=1e-8, abs=1e-10)


def test_poisson_limits(reference):
    item = reference.item("inst.funnel.poisson.a")
    data, expected = item["data"], item["expected"]
    found = poisson_limits(data["E"], data["p"]).T.ravel()
    assert found == pytest.approx(np.maximum(0, expected["limit"]), rel=1e-8, abs=1e-10)


def test_infant_heart_surgery(reference):
    item = reference.item("inst.surgical")
    data, expected = item["data"], item["expected"]
    assert (data["deaths"], data["n"]) == (DEATHS, OPERATIONS)
    target = sum(DEATHS) / sum(OPERATIONS)
    assert target == pytest.approx(expected["target"], rel=1e-9)
    limits = binomial_limits(target, OPERATIONS)
    for j, tail in enumerate(("0.001", "0.025", "0.975", "0.999")):
        assert limits[:, j] == pytest.approx(np.maximum(0, expected[f"limit_{tail}"]), rel=1e-8)
    tails = [exact_tail(k, n, target, mid=True)[1] for k, n in zip(DEATHS, OPERATIONS, strict=True)]
    assert tails == pytest.approx(expected["exact_mid_p_upper"], rel=1e-8)


@pytest.mark.parametrize(("item", "events"), [("inst.surgical", "deaths"), ("inst.overdispersion.toy", "y")])
def test_overdispersion(reference, item, events):
    data = reference.item(item)["data"]
    expected = reference.item(item)["expected"]
    target = expected["target"]
    expected = expected.get("overdispersion", expected)
    found = overdispersion(data[events], data["n"])
    assert found.target == pytest.approx(target, rel=1e-9)
    assert found.z == pytest.approx(expected["z"], rel=1e-8)
    assert found.phi == pytest.approx(expected["phi_winsorised_type7"], rel=1e-8)
    assert found.phi_plain == pytest.approx(expected["phi"], rel=1e-8)
    assert found.chi_square == pytest.approx(expected["chisq"], rel=1e-8)
    assert found.between_variance == pytest.approx(expected["tau2_from_phi_winsorised_type7"], rel=1e-7, abs=1e-15)
    # the item refers chi-squared to as many degrees of freedom as units, right for a target given from outside
    given_target = overdispersion(data[events], data["n"], target=found.target)
    assert given_target.p_value == pytest.approx(expected["p_overdispersion"], rel=1e-7)
    assert found.p_value == pytest.approx(stats.chi2.sf(found.chi_square, len(data["n"]) - 1))
    assert not found.usable  # twelve units are too few to widen limits by


def test_overdispersion_by_hand():
    # equal sizes and z of −2, −1, 0, 1, 2 at a target of ½ with n = 100: y = 40, 45, 50, 55, 60
    found = overdispersion([40, 45, 50, 55, 60], [100] * 5, winsorise=0.0)
    assert found.z == pytest.approx([-2, -1, 0, 1, 2])
    assert found.phi == found.phi_plain == pytest.approx(2.0)
    assert found.chi_square == pytest.approx(10.0)
    # (5·2 − 4)/(Σw − Σw²/Σw) with w = 1/0.0025: 6/(5·400 − 400)
    assert found.between_variance == pytest.approx(6 / 1600)


def test_fishers_tea():
    # Fisher RA (1935) The Design of Experiments: 3 of 4 against 1 of 4, one-sided P = 17/70; mid-P
    # 17/70 − 16/140 = 9/70, doubled 18/70.
    assert conditional_flag(3, 4, 4, 8) == pytest.approx(18 / 70)
    assert conditional_z(3, 4, 4, 8) == pytest.approx(stats.norm.isf(9 / 70))
    assert conditional_z(1, 4, 4, 8) == pytest.approx(-stats.norm.isf(9 / 70))


@pytest.mark.parametrize("item", ["prop.2x2.aspirin_mi", "prop.2x2.tea", "prop.2x2.zero_cell"])
def test_flags_are_the_mid_p_of_a_two_by_two_table(reference, item):
    # Risk and odds ratios of the items are not computed here; models and standardised risks are.
    data = reference.item(item)["data"]
    expected = reference.item(item)["expected"]["mid_p"]["p_two_sided_doubled"]
    found = conditional_flag(data["a"], data["n1"], data["a"] + data["b"], data["n1"] + data["n2"])
    assert found == pytest.approx(expected, rel=1e-8)


def test_flag_of_heart_disease_by_behaviour_type(reference):
    # Western Collaborative Group Study: 178 of 1,589 against 79 of 1,565. The item's root finding is good to 1e-4.
    expected = reference.item("prop.midp.epitools")["expected"]["p_two_sided_doubled"]
    assert conditional_flag(178, 1589, 257, 3154) == pytest.approx(expected, rel=2e-4)


def test_a_design_effect_pulls_a_flag_in():
    z = conditional_z(12, 100, 30, 600)
    assert conditional_z(12, 100, 30, 600, 2.25) == pytest.approx(z / 1.5)
    wide = binomial_limits(0.1, [100], [0.025, 0.975], design_effect=2.0)[0]
    half = binomial_limits(0.1, [50], [0.025, 0.975])[0]
    assert wide == pytest.approx(half)


def test_what_could_have_been_found():
    # R 4.2: power.prop.test(n = 200, p1 = 0.05, power = 0.8, tol = 1e-14)$p2 as an odds ratio, and
    # power.prop.test(n = 60, p1 = 0.1, power = 0.9, sig.level = 0.01, tol = 1e-14)
    assert detectable_odds_ratio(200, 200, 0.05) == pytest.approx(2.837203450661, rel=1e-6)
    assert detectable_odds_ratio(60, 60, 0.1, power=0.9, level=0.99) == pytest.approx(5.96056703889, rel=1e-6)
    # more of the rest helps, likeness of one patient's records hurts
    assert detectable_odds_ratio(200, 1000, 0.05) < detectable_odds_ratio(200, 200, 0.05)
    assert detectable_odds_ratio(400, 400, 0.05, 2.0) == pytest.approx(detectable_odds_ratio(200, 200, 0.05))
    assert detectable_odds_ratio(9, 1000, 0.05) is None
    assert detectable_odds_ratio(200, 1000, 0.0) is None


def test_limits_narrow_and_stay_inside():
    sizes = np.arange(1, 400)
    limits = binomial_limits(0.03, sizes)
    assert np.all((limits >= 0) & (limits <= 1))
    assert np.all(np.diff(limits, axis=1) > -1e-12)
    assert limits[-1, 3] < limits[30, 3] < limits[10, 3]


def test_nonsense_is_refused():
    with pytest.raises(ValueError, match="target"):
        binomial_limits(0.0, [10])
    with pytest.raises(ValueError, match="sizes"):
        binomial_limits(0.1, [0])
    with pytest.raises(ValueError, match="within those"):
        conditional_flag(5, 4, 6, 10)
    with pytest.raises(ValueError, match="more events than records"):
        conditional_flag(1, 4, 9, 10)
    with pytest.raises(ValueError, match="two units"):
        overdispersion([1], [10])


@given(st.integers(0, 40), st.integers(0, 40), st.integers(0, 60), st.integers(0, 60), st.floats(1, 4))
def test_flags_are_probabilities_and_grow_with_the_design_effect(k, other, rest_k, rest_other, effect):
    n, total = k + other, k + other + rest_k + rest_other
    p = conditional_flag(k, n, k + rest_k, total, effect)
    assert 0 < p <= 1
    assert p >= conditional_flag(k, n, k + rest_k, total) - 1e-12
    mirrored = conditional_flag(other, n, other + rest_other, total, effect)
    assert mirrored == pytest.approx(p, rel=1e-6)


@given(st.integers(1, 300), st.floats(0.001, 0.999))
def test_tails_are_probabilities(n, target):
    for events in (0, n // 2, n):
        lower, upper = exact_tail(events, n, target)
        assert 0 < lower <= 1
        assert 0 < upper <= 1
        assert lower + upper >= 1 - 1e-9


@pytest.mark.slow
def test_flags_without_real_differences_stay_at_their_nominal_rate():
    # Six practitioners, 2 or 3 zones a patient, 3 % with a shared part: at most 5 % and 0.2 % flagged, give or take
    # simulation error, where the exact binomial against the rest flags more.
    from outcomes.estimates.clustered import design_effect

    generator = np.random.default_rng(3)
    p = []
    for _ in range(1500):
        patient = np.repeat(np.arange(600), generator.integers(2, 4, 600))
        risk = generator.beta(0.3, 0.3 * 32, 600)
        event = generator.random(len(patient)) < risk[patient]
        unit = generator.integers(0, 6, 600)[patient]
        effect = design_effect(event, patient)
        for j in range(6):
            here = unit == j
            p.append(conditional_flag(event[here].sum(), here.sum(), event.sum(), len(event), effect))
    assert np.mean(np.array(p) < 0.05) < 0.055
    assert np.mean(np.array(p) < 0.002) < 0.004
