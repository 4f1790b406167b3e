"""Proportions against published tables and R."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates.binomial import exact_limits, jeffreys_limits, mid_p_limits, wilson_limits
from outcomes.estimates.clustered import design_effect
from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.none_seen import cases_to_exclude, upper_bound_if_none
from outcomes.estimates.proportion import clustered_proportion, proportion, proportion_from_variance

# Not computed by the package, so not checked: Wald limits with and without continuity correction and Agresti–Coull
# limits (they leave 0 … 1 or have no width), Wilson with continuity correction, Jeffreys without its end-point rule
# and the modified Jeffreys interval (one road to a limit is enough), chi-squared tests of k proportions, trend,
# McNemar, Mantel–Haenszel and two-by-two odds ratios (no question asks them; models and standardised risks answer),
# the exact binomial test's minimum-likelihood p (limits and tails are used).
LIMITS = {
    "wilson": wilson_limits,
    "clopper_pearson": exact_limits,
    "jeffreys": jeffreys_limits,
    "mid_p": mid_p_limits,
}


@pytest.mark.parametrize("item", ["prop.ci.newcombe.81_263", "prop.ci.newcombe.0_20"])
@pytest.mark.parametrize("method", LIMITS)
def test_limits_of_one_proportion(reference, item, method):
    data, expected = reference.item(item)["data"], reference.item(item)["expected"][method]
    limits = LIMITS[method](data["x"], data["n"], data["conf"])
    assert limits == pytest.approx((expected["lower"], expected["upper"]), rel=1e-8, abs=1e-9)


@pytest.mark.parametrize("item", ["prop.ci.grid.a", "prop.ci.edges"])
@pytest.mark.parametrize("method", LIMITS)
def test_limits_on_a_grid(reference, item, method):
    data, expected = reference.item(item)["data"], reference.item(item)["expected"][method]
    limits = [LIMITS[method](*entry) for entry in zip(data["x"], data["n"], data["conf"], strict=True)]
    assert [low for low, _ in limits] == pytest.approx(expected["lower"], **reference.tolerance(item))
    assert [high for _, high in limits] == pytest.approx(expected["upper"], **reference.tolerance(item))


def test_exact_limits_of_mendels_peas(reference):
    expected = reference.item("prop.binom.mendel")["expected"]
    assert exact_limits(682, 925) == pytest.approx((expected["lower"], expected["upper"]), rel=1e-8)


def test_newcombes_table():
    # Newcombe RG (1998) Stat Med 17:857-872, Table I, 81 of 263: methods 3, 5 and 6, four printed decimals.
    answers = [proportion(81, 263, method=method) for method in ("wilson", "exact", "mid_p")]
    printed = [(0.2553, 0.3662), (0.2527, 0.3676), (0.2544, 0.3658)]
    assert [(round(a.low, 4), round(a.high, 4)) for a in answers] == printed


def test_zero_events_table():
    # Hanley JA, Lippman-Hand A (1983) JAMA 249:1743-1745: exact one-sided 95 % maximum risk after 0 of n,
    # printed as 26, 14, 10, 6, 3 per cent.
    bounds = [upper_bound_if_none(n, sides=1).high for n in (10, 20, 30, 50, 100)]
    assert [round(100 * bound) for bound in bounds] == [26, 14, 10, 6, 3]


def test_zero_events_table_in_full(reference):
    item = reference.item("prop.zero.hanley_table")
    n, expected = item["data"]["n"], item["expected"]
    one = [upper_bound_if_none(k, sides=1).high for k in n]
    two = [upper_bound_if_none(k).high for k in n]
    strict = [upper_bound_if_none(k, sides=1, level=0.99).high for k in n]
    assert one == pytest.approx(expected["exact_one_sided_95"], rel=1e-9)
    assert two == pytest.approx(expected["exact_two_sided_95_upper"], rel=1e-9)
    assert [proportion(0, k).high for k in n] == pytest.approx(two, rel=1e-9)
    assert strict == pytest.approx(expected["exact_one_sided_99"], rel=1e-9)


def test_cases_that_exclude_a_risk(reference):
    item = reference.item("prop.zero.sample_size")
    assert [cases_to_exclude(risk) for risk in item["data"]["p0"]] == item["expected"]["n_exact"]
    item = reference.item("prop.zero.sample_size.b")
    assert [cases_to_exclude(risk) for risk in item["data"]["p0"]] == item["expected"]["n_exact_95"]
    strict = [cases_to_exclude(risk, level=0.99) for risk in item["data"]["p0"]]
    assert strict == item["expected"]["n_exact_99"]


@pytest.mark.parametrize(
    ("events", "n", "low", "high"),
    # R 4.2: binom.test(x, n)$conf.int
    [(0, 20, 0.0, 0.168433), (4, 4, 0.397635, 1.0), (0, 600, 0.0, 0.006129), (1, 31, 0.000816, 0.167021)],
)
def test_no_event_and_nothing_but_events(events, n, low, high):
    answer = proportion(events, n, method="exact")
    assert (answer.low, answer.high) == pytest.approx((low, high), abs=1e-6)


def test_zero_of_zero_is_no_cases():
    for answer in (proportion(0, 0), clustered_proportion([], []), upper_bound_if_none(0)):
        assert isinstance(answer, NotEstimable)
        assert answer.reason == "no cases"


def test_a_very_strict_level_keeps_its_bound():
    # R 4.2: 1 - 0.001^(1/20), and qbeta(1 - 0.001/501/2, 1, 600)
    assert exact_limits(0, 20, 0.998)[1] == pytest.approx(0.292054, abs=1e-6)
    assert exact_limits(0, 600, 1 - 0.001 / 501 * 2)[1] == pytest.approx(1 - (0.001 / 501) ** (1 / 600), rel=1e-9)


# Ten patients with one to four records. Values from R 4.2, survey 4.1.1:
#   des <- svydesign(ids = ~id, weights = ~w, data = d)       # w = 1, then the weights below
#   svymean(~y, des); vcov(...); svyciprop(~y, des, method = "beta")
# svyciprop: n_eff = p(1-p)/v * (qt(a/2, n-1)/qt(a/2, clusters-1))^2, limits qbeta on n_eff. The package floors the
# design effect at 1 (n_eff at most n), which svyciprop does not; here it is above 1 and the two agree.
RECORDS = (3, 2, 2, 4, 1, 3, 2, 2, 3, 2)
PATIENT = np.repeat(np.arange(10), RECORDS)
EVENT = [1, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 0, 0]
WEIGHT = np.repeat([1, 1.5, 2, 1, 3, 1.2, 2.5, 1, 1.7, 4], RECORDS)


def test_korn_graubard_against_survey():
    answer = clustered_proportion(EVENT, PATIENT, alike_patients=0)
    assert answer.value == pytest.approx(0.2916666666666666)
    assert (answer.low, answer.high) == pytest.approx((0.0641580847618093, 0.6411866730212938), rel=1e-9)
    assert (answer.n, answer.patients, answer.events) == (24, 10, 7)
    assert design_effect(EVENT, PATIENT) == pytest.approx(0.0169324417009602 / (7 / 24 * 17 / 24 / 24), rel=1e-9)


def test_korn_graubard_with_weights_against_survey():
    answer = clustered_proportion(EVENT, PATIENT, weight=WEIGHT, alike_patients=0)
    assert answer.value == pytest.approx(0.2285012285012285)
    assert (answer.low, answer.high) == pytest.approx((0.0473048469203837, 0.5422871735198054), rel=1e-9)
    within = WEIGHT * (1 + 0.1 * (np.arange(1, 25) % 3))  # weights that differ within a patient
    answer = clustered_proportion(EVENT, PATIENT, weight=within, alike_patients=0)
    assert answer.value == pytest.approx(0.2312513991493172)
    assert (answer.low, answer.high) == pytest.approx((0.0472678772856534, 0.5493531723933855), rel=1e-9)


def test_the_far_limit_is_cautious_and_the_near_one_is_korn_and_graubards():
    # By hand: 24 records of 10 patients, Σ m² = 64, so a design effect of 64/24 if all records of a patient were
    # alike; 4 patients have an event. v is the variance of R's survey package above. R 4.2:
    #   p <- 7/24; v <- (4 * 0.0169324417009602 + 2 * p * (1 - p) / 24 * 64/24) / 6
    #   n <- p * (1 - p) / v * (qt(.975, 23) / qt(.975, 9))^2; qbeta(.975, p * n + 1, (1 - p) * n)
    plain, answer = (clustered_proportion(EVENT, PATIENT, alike_patients=c) for c in (0, 2))
    assert answer.low == plain.low
    assert answer.high == pytest.approx(0.6620955432, rel=1e-8)
    # one event in each of 6 patients with 4 records: v is 0, held to be that of independent records
    event, patient = np.tile([1, 0, 0, 0], 6), np.repeat(np.arange(6), 4)
    plain, answer = (clustered_proportion(event, patient, alike_patients=c) for c in (0, 2))
    assert answer.low == plain.low
    # design effect (6 · 1 + 2 · 4)/8. R 4.2: n <- 24 / 1.75 * (qt(.975, 23) / qt(.975, 5))^2; qbeta as above, p = ¼
    assert answer.high == pytest.approx(0.6293067682, rel=1e-8)
    assert "two more patients" in answer.method
    mirrored = clustered_proportion(1 - event, patient)
    assert (mirrored.low, mirrored.high) == pytest.approx((1 - answer.high, 1 - answer.low), rel=1e-9)


def test_without_caution_both_limits_are_korn_and_graubards_where_records_are_less_alike_than_by_chance():
    # 3 of 12 records in 3 of 4 patients: v = 4/3 · 0.75/144 under p(1−p)/n. R 4.2: v <- 4/3 * 0.75/144; p <- 1/4;
    #   n <- min(12, p * (1 - p) / v * (qt(.975, 11) / qt(.975, 3))^2); qbeta(.025, p * n, (1 - p) * n + 1); qbeta(.975, ...)
    answer = clustered_proportion([1, 1, 1, 0], range(4), trials=[3, 3, 3, 3], alike_patients=0)
    assert (answer.low, answer.high) == pytest.approx((0.0548606445, 0.5718584619), rel=1e-8)


def test_with_one_record_a_patient_there_is_nothing_to_be_cautious_about():
    event = np.arange(200) < 7
    plain, answer = (clustered_proportion(event, np.arange(200), alike_patients=c) for c in (0, 2))
    assert (answer.low, answer.high) == pytest.approx((plain.low, plain.high), rel=1e-12)


def test_rows_that_stand_for_several_records():
    events = np.bincount(PATIENT, EVENT)
    grouped = clustered_proportion(events, np.arange(10), trials=RECORDS)
    single = clustered_proportion(EVENT, PATIENT)
    assert (grouped.n, grouped.events, grouped.patients) == (single.n, single.events, single.patients)
    assert (grouped.low, grouped.high) == pytest.approx((single.low, single.high), rel=1e-12)


def test_without_events_each_patient_counts_once():
    answer = clustered_proportion(np.zeros(24), PATIENT)
    assert answer.high == pytest.approx(1 - 0.025 ** (1 / 10))
    assert "each patient counted once" in answer.method
    assert "two-sided" in answer.method
    assert clustered_proportion(np.ones(24), PATIENT).low == pytest.approx(0.025 ** (1 / 10))
    weighted = clustered_proportion(np.zeros(24), PATIENT, weight=WEIGHT)
    own = WEIGHT[np.cumsum(RECORDS) - 1]
    assert weighted.high == pytest.approx(1 - 0.025 ** (own.sum() ** -2 * (own**2).sum()))
    assert weighted.high > answer.high


def test_a_design_effect_under_one_is_not_believed():
    event, patient = [1, 0, 1, 0, 1, 0], [1, 1, 2, 2, 3, 3]
    answer = clustered_proportion(event, patient)
    shrunk = proportion_from_variance(
        0.5, 0.25 / 6, 6, patients=3, events=3, degrees_of_freedom=2
    )  # as six independent records, with the degrees of freedom of three patients
    assert answer.low <= exact_limits(3, 6)[0]
    assert design_effect(event, patient) == 1.0
    assert shrunk.low <= exact_limits(3, 6)[0]


def test_one_patient_with_some_events_cannot_say():
    answer = clustered_proportion([1, 0, 0], ["a", "a", "a"])
    assert isinstance(answer, NotEstimable)
    assert "one patient" in answer.reason
    assert isinstance(clustered_proportion([0, 0, 0], ["a", "a", "a"]), Estimate)


def test_order_of_rows_and_names_of_patients_do_not_matter():
    order = np.random.default_rng(1).permutation(24)
    names = np.array([f"p{99 - k}" for k in PATIENT])
    first = clustered_proportion(EVENT, PATIENT)
    second = clustered_proportion(np.array(EVENT)[order], names[order])
    assert (first.low, first.high) == pytest.approx((second.low, second.high), rel=1e-12)


def test_faults_name_positions_and_no_values():
    with pytest.raises(ValueError, match="position 2") as fault:
        clustered_proportion([1, 0, math.nan, 1], ["ann", "ann", "bob", "bob"])
    assert "bob" not in str(fault.value)
    with pytest.raises(ValueError, match="patient is missing at position 1"):
        clustered_proportion([1, 0, 1], ["ann", None, "bob"])
    with pytest.raises(ValueError, match="events"):
        proportion(5, 4)
    with pytest.raises(ValueError, match="method"):
        proportion(1, 4, method="wald")


@given(st.integers(0, 60), st.integers(0, 60), st.sampled_from(["wilson", "exact", "mid_p", "jeffreys"]))
def test_every_count_has_an_interval_with_width(events, others, method):
    answer = proportion(events, events + others, method=method)
    if events + others == 0:
        assert isinstance(answer, NotEstimable)
    else:
        assert 0 <= answer.low <= answer.value <= answer.high <= 1
        assert answer.low < answer.high


@given(st.lists(st.tuples(st.integers(0, 1), st.integers(0, 6), st.floats(0.1, 20)), min_size=1, max_size=30))
def test_every_clustered_share_has_an_interval_with_width_or_a_reason(rows):
    event, patient, weight = (list(column) for column in zip(*rows, strict=True))
    for weights in (None, weight):
        for method in ("exact", "mid_p"):
            answer = clustered_proportion(event, patient, weight=weights, method=method)
            if isinstance(answer, Estimate):
                assert 0 <= answer.low <= answer.value <= answer.high <= 1
                assert answer.low < answer.high
            else:
                assert answer.reason


@pytest.mark.slow
def test_korn_graubard_covers():
    # 2 or 3 zones a patient with a shared random part: the interval must cover the true share, at the price of a
    # little too often when events are few.
    generator = np.random.default_rng(11)
    covered = []
    for _ in range(2000):
        size = generator.integers(2, 4, 300)
        patient = np.repeat(np.arange(300), size)
        risk = generator.beta(0.3, 0.3 * 32, 300)  # mean 1/33, correlation 1/(0.3·33 + 1)
        event = generator.random(len(patient)) < risk[patient]
        answer = clustered_proportion(event, patient)
        covered.append(answer.low <= 1 / 33 <= answer.high)
    assert 0.94 <= np.mean(covered) <= 0.985
