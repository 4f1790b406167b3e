"""Poisson rates and standardisation against published tables and R."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.rate import count_limits, observed_expected, poisson_rate, poisson_tails
from outcomes.estimates.rates_compared import direct_standardised, rate_ratio

# Not computed by the package: Vandenbroucke's and Byar's z, R's minimum-likelihood two-sided p (tails and central
# limits are used), normal and Dobson limits of a standardised rate, the Mantel–Haenszel rate ratio, Poisson
# regression (rate.doctors.poisson).


def test_garwoods_table():
    # Garwood F (1936) Biometrika 28:437-442, 95 % limits of a Poisson count, three printed decimals.
    printed = {0: (0.0, 3.689), 2: (0.242, 7.225), 5: (1.623, 11.668), 10: (4.795, 18.390)}
    assert {x: tuple(round(limit, 3) for limit in count_limits(x)) for x in printed} == printed


@pytest.mark.parametrize("item", ["rate.poisson.ci.a", "rate.poisson.ci.99", "rate.poisson.ci.90"])
@pytest.mark.parametrize("method", ["exact", "mid_p", "byar"])
def test_limits_of_a_count(reference, item, method):
    data, expected = reference.item(item)["data"], reference.item(item)["expected"]
    limits = [count_limits(x, data["conf"], method) for x in data["x"]]
    assert [low for low, _ in limits] == pytest.approx(expected[f"{method}_lower"], rel=1e-8, abs=1e-9)
    assert [high for _, high in limits] == pytest.approx(expected[f"{method}_upper"], rel=1e-8, abs=1e-9)


@pytest.mark.parametrize("item", ["rate.smr.nickel_lung_manual", "rate.smr.zero", "rate.smr.zero.b"])
@pytest.mark.parametrize("method", ["exact", "mid_p", "byar"])
def test_observed_over_expected(reference, item, method):
    data, expected = reference.item(item)["data"], reference.item(item)["expected"]
    answer = observed_expected(data["O"], data["E"], method=method)
    assert answer.value == pytest.approx(expected["smr"], rel=1e-9)
    limits = expected[method]
    assert (answer.low, answer.high) == pytest.approx((limits["lower"], limits["upper"]), rel=1e-7, abs=1e-10)
    tails = poisson_tails(data["O"], data["E"])
    assert tails == pytest.approx((expected["p_lower"], expected["p_upper"]), rel=1e-7)


@pytest.mark.parametrize("site", ["lung", "nasal"])
def test_indirect_standardisation_of_nickel_workers(reference, site):
    # Breslow NE, Day NE (1987) Statistical Methods in Cancer Research II, IARC, appendix VIII
    frame = reference.frame("nickel_age_period")
    expected = reference.item(f"rate.smr.nickel.lexis.{site}")["expected"]
    count = float((frame["person_years"] * frame[f"{site}_rate_per_million"]).sum() / 1e6)
    answer = observed_expected(int(frame[site].sum()), count)
    assert (answer.value, answer.low, answer.high) == pytest.approx(
        (expected["smr"], expected["exact"]["lower"], expected["exact"]["upper"]), rel=1e-7
    )


def test_nickel_workers_as_printed():
    # 137 deaths from lung cancer against 24.19893 expected among Welsh nickel workers: 5.661, 4.753 to 6.693
    # (the worked example of poisson.test in the manual of R).
    answer = observed_expected(137, 24.19893)
    assert (round(answer.value, 3), round(answer.low, 3), round(answer.high, 3)) == (5.661, 4.753, 6.693)
    assert answer.p_value == pytest.approx(2 * 2.84522726411445e-56, rel=1e-6)


def test_a_design_effect_widens_and_is_named():
    plain, wide = observed_expected(12, 8.0), observed_expected(12, 8.0, design_effect=2.0)
    half = observed_expected(6, 4.0)
    assert (wide.value, wide.low, wide.high) == pytest.approx((half.value, half.low, half.high))
    assert wide.low < plain.low < plain.high < wide.high
    assert "design effect 2.00" in wide.method


@pytest.mark.parametrize("order", range(1, 6))
def test_down_syndrome_by_maternal_age(reference, order):
    item = reference.item(f"rate.direct.down.order{order}")
    data, expected = item["data"], item["expected"]["dsr"]
    answer = direct_standardised(data["cases"], data["births"], data["standard"], per=1e5)
    limits = expected["gamma"]
    assert (answer.value, answer.low, answer.high) == pytest.approx(
        (expected["rate"], limits["lower"], limits["upper"]), rel=1e-8
    )


def test_down_syndrome_as_printed():
    # Fay MP, Feuer EJ (1997) Stat Med 16:791-801, Table I: birth order 1 gives 92.3 (80.4 to …), order 5+ 75.5
    # (… to 188.3) in 100,000.
    standard = [63986.6, 186263.6, 157302.2, 97647, 47572.6, 12262.6]
    first = direct_standardised(
        [107, 141, 60, 40, 39, 25], [230061, 329449, 114920, 39487, 14208, 3052], standard, per=1e5
    )
    fifth = direct_standardised(
        [0, 8, 63, 112, 262, 295], [327, 30666, 123419, 149919, 104088, 34392], standard, per=1e5
    )
    assert (round(first.value, 1), round(first.low, 1)) == (92.3, 80.4)
    assert (round(fifth.value, 1), round(fifth.high, 1)) == (75.5, 188.3)


def test_british_doctors(reference):
    item = reference.item("rate.doctors.direct")
    data, expected = item["data"], item["expected"]
    time, deaths = data["person_years"], data["deaths"]
    standard = [a + b for a, b in zip(time[:5], time[5:], strict=True)]
    for group, rows in (("non_smokers", slice(0, 5)), ("smokers", slice(5, 10))):
        answer = direct_standardised(deaths[rows], time[rows], standard, per=1e5)
        limits = expected[group]["gamma"]
        assert (answer.value, answer.low, answer.high) == pytest.approx(
            (expected[group]["rate"], limits["lower"], limits["upper"]), rel=1e-8
        )


def test_breast_cancer_after_fluoroscopy():
    # Boice JD, Monson RR (1977) J Natl Cancer Inst 59:823-832, as worked in Rothman: 41 in 28,010 and 15 in 19,017
    # woman-years. R 4.2: poisson.test(c(41, 15), c(28010, 19017)) prints 1.855759, 1.005684 to 3.609300.
    answer = rate_ratio(41, 28010, 15, 19017)
    assert (round(answer.value, 6), round(answer.low, 6), round(answer.high, 4)) == (1.855759, 1.005684, 3.6093)
    assert rate_ratio(0, 10, 3, 10).low == 0
    silent = rate_ratio(4, 10, 0, 10)
    assert isinstance(silent, NotEstimable)
    assert silent.note.startswith("lower 95 % limit 0.66")  # R: poisson.test(c(4, 0), c(10, 10))$conf.int
    assert rate_ratio(0, 10, 0, 10).reason == "no events on either side"


def test_nothing_to_go_on():
    assert observed_expected(0, 0.0).reason == "nothing was expected"
    assert poisson_rate(0, 0).reason == "no exposure"
    missing = direct_standardised([1, 0], [10, 0], [5, 5])
    assert missing.reason == "1 strata of the standard have no cases"
    assert direct_standardised([0, 0], [10, 20], [5, 5]).high > 0


@given(st.integers(0, 200), st.floats(1e-3, 1e4), st.sampled_from(["exact", "mid_p", "byar"]), st.floats(1, 5))
def test_every_count_has_an_interval_with_width(observed, expected, method, effect):
    for answer in (
        observed_expected(observed, expected, method=method, design_effect=effect),
        poisson_rate(observed, expected, method=method),
    ):
        assert isinstance(answer, Estimate)
        assert 0 <= answer.low <= answer.value <= answer.high
        assert answer.low < answer.high
